#include "measure/course_sections.h"

#include "measure/direction.h"
#include "measure/length.h"
#include "measure/rate_course.h"
#include "measure/sides.h"
#include "measure/wave_list.h"

#include <math.h>
#include <stdlib.h>

static const double LONGEST_HOLE_S = 3.0; /* in which a catheter that is seen again never left */

static void fill_wave(struct wave_seen *seen, const struct wave_one *wave, const struct bubble_facts *facts)
{
    bool is_one_way = direction_is_one_way(wave->direction);

    *seen = (struct wave_seen){.direction = wave->direction};
    if (is_one_way && !facts->is_sure_of_end)
        seen->direction = DIRECTION_UNDETERMINED;
    if (wave->has_start)
        seen->start_s = quantity_of(wave->start_s);
    if (wave->has_end)
        seen->end_s = quantity_of(wave->end_s);
    if (wave->has_middle)
        seen->passes_middle_s = quantity_of(wave->middle_s);
    if (wave->has_speed)
        length_set(facts->canvas, &seen->speed_mm_per_s, &seen->speed_px_per_s,
                   quantity_of(wave->speed_per_s));
    length_set(facts->canvas, &seen->strength_mm, &seen->strength_px, quantity_of(wave->strength));
}

/* By how many waves a list must at least differ from what the frequency makes to be doubted: one at the
 * edges, and what the frequency may be wrong by. */
static double least_apart(const struct wave_result *measured)
{
    return 1.0 + 0.5 * (measured->high_per_min - measured->low_per_min) * measured->assessed_s / 60.0;
}

/* Waves of the list pass the middle of the stripe a whole number of times, which is less than one off what
 * the frequency makes of the same time; more than that, and what the frequency may be wrong by, is told. */
static void compare_with_count(struct contractions *contractions, const struct wave_list *list,
                               const struct wave_result *measured)
{
    double minutes = measured->assessed_s / 60.0;
    double waves = measured->frequency_per_min * minutes;
    double apart = list->n_middle - waves;

    if (fabs(apart) >= least_apart(measured))
        (void)text_list_add(
            &contractions->reasons,
            apart < 0.0 ? "of the %.0f waves that the frequency makes, %.0f could be listed one by one; "
                          "the others are too weak, or run into one another"
                        : "the frequency makes %.0f waves, but %.0f narrowings are listed one by one: "
                          "some are no whole waves",
            waves, list->n_middle);
}

/* Where the list holds the waves that the frequency makes, they are counted one by one: by how many there is
 * room for, the frequency errs at the edges. */
static void fill_count(struct loop_result *result, const struct bubble_facts *facts,
                       const struct wave_list *list, const struct wave_result *measured)
{
    struct contractions *contractions = &result->contractions;
    const double *position_mm = result->motion.position_mm;
    size_t n = result->motion.n_positions;
    double count = wave_list_count(list, measured);
    size_t n_aside = 0;
    size_t n_beside = 0;

    if (fabs(count - measured->count) < least_apart(measured))
        contractions->count = quantity_of(count);
    for (size_t i = 0; i < list->n_beside; i++)
        n_beside += list->beside_s[i] >= list->from_s && list->beside_s[i] <= list->to_s;
    if (n_beside > 0)
        (void)text_list_add(
            &contractions->reasons,
            "of the waves that are counted %zu are not listed: the movement of all places together shows "
            "them, but they could not be followed from place to place",
            n_beside);
    if (list->n_doubtful > 0)
        (void)text_list_add(&contractions->reasons,
                            "of the waves that are counted %zu may be none, being a third as "
                            "strong as the others: the frequency's interval takes that in",
                            list->n_doubtful);
    if (list->n_faint > 0)
        (void)text_list_add(
            &contractions->reasons,
            "between the waves that are counted there may be %zu more, a quarter as strong as "
            "the others: the frequency's interval takes that in",
            list->n_faint);
    for (size_t i = 0; i < list->n; i++)
        n_aside += list->wave[i].has_start && list->wave[i].has_end && !list->wave[i].has_middle;
    if (n_aside > 0)
        (void)text_list_add(
            &contractions->reasons,
            "of %zu narrowings that are listed %zu were not seen to pass the middle of the places that "
            "are followed, and are not counted: parts of waves, or weak ones",
            list->n, n_aside);
    if (!facts->is_sure_of_end)
        (void)text_list_add(
            &contractions->reasons,
            "which end of the stripe is the fundus cannot be told, so neither can how far from it the "
            "waves were counted, nor which way each of those ran that ran one way");
    if (facts->is_sure_of_end && n > 0)
        length_set(facts->canvas, &contractions->counted_at_mm, &contractions->counted_at_px,
                   quantity_of(0.5 * (position_mm[0] + position_mm[n - 1])));
}

static bool fill_list(struct contractions *contractions, const struct bubble_facts *facts,
                      const struct wave_list *list)
{
    contractions->waves = calloc(list->n + 1, sizeof *contractions->waves);
    if (contractions->waves == NULL)
        return false;
    contractions->n_waves = list->n;
    for (size_t i = 0; i < list->n; i++)
        fill_wave(&contractions->waves[i], &list->wave[i], facts);
    return true;
}

/* The windows, and their spectra in either unit. */
static bool fill_course(struct contractions *contractions, const struct canvas *canvas,
                        const struct rate_course *course)
{
    size_t n_powers = course->n * SPECTROGRAM_FREQUENCIES;
    struct quantity one_mm = {0};
    struct quantity one_px = {0};

    length_set(canvas, &one_mm, &one_px, quantity_of(1.0));
    contractions->over_time = calloc(course->n + 1, sizeof *contractions->over_time);
    contractions->power_px2_min = calloc(n_powers + 1, sizeof *contractions->power_px2_min);
    if (one_mm.is_known)
        contractions->power_mm2_min = calloc(n_powers + 1, sizeof *contractions->power_mm2_min);
    if (contractions->over_time == NULL || contractions->power_px2_min == NULL ||
        (one_mm.is_known && contractions->power_mm2_min == NULL))
        return false;
    contractions->n_over_time = course->n;
    for (size_t i = 0; i < course->n; i++) {
        const struct rate_window *window = &course->window[i];

        contractions->over_time[i] =
            (struct rate_seen){.from_s = window->from_s, .to_s = window->to_s, .why = window->why};
        if (window->has_rate)
            contractions->over_time[i].frequency_per_min =
                quantity_within(window->per_min, window->low_per_min, window->high_per_min);
    }
    for (size_t i = 0; i < n_powers; i++) {
        contractions->power_px2_min[i] = course->power[i] * one_px.value * one_px.value;
        if (contractions->power_mm2_min != NULL)
            contractions->power_mm2_min[i] = course->power[i];
    }
    return true;
}

/* ---- before the deposit and after it ---- */

/* From when to when the catheter was in the stripe about the deposit, with holes of up to LONGEST_HOLE_S.
 * False where it was not seen then. */
static bool find_stay(const struct bubble_facts *facts, double deposit_s, struct parting *stay)
{
    const double *time_s = facts->follow->time_s;
    bool is_there = false;

    for (size_t t = 0; t < facts->cluster->n; t++) {
        if (!facts->cluster->sight[t].has_tip)
            continue;
        if (!is_there || time_s[t] > stay->to_s + LONGEST_HOLE_S) {
            if (is_there && stay->to_s >= deposit_s)
                break;
            stay->from_s = time_s[t];
        }
        stay->to_s = time_s[t];
        is_there = true;
    }
    return is_there && stay->from_s <= deposit_s && stay->to_s >= deposit_s - LONGEST_HOLE_S;
}

static void fill_side(struct contraction_side *seen, const struct side *side, const struct canvas *canvas)
{
    *seen = (struct contraction_side){.is_there = side->is_there};
    if (!side->is_there)
        return;
    seen->from_s = side->rate.from_s;
    seen->to_s = side->rate.to_s;
    if (side->rate.has_rate)
        seen->frequency_per_min =
            quantity_within(side->rate.per_min, side->rate.low_per_min, side->rate.high_per_min);
    length_set(canvas, &seen->amplitude_mm, &seen->amplitude_px, side->amplitude);
}

/* Why a side has no frequency. */
static void explain_side(struct text_list *reasons, const struct side *side, const char *when)
{
    double lasts_s = side->is_there ? side->rate.to_s - side->rate.from_s : 0.0;

    if (side->rate.has_rate)
        return;
    if (lasts_s < CONTRACTION_LEAST_S)
        (void)text_list_add(
            reasons,
            "%s the deposit only %.0f s let the walls be followed; a frequency needs at least %.0f s", when,
            lasts_s, CONTRACTION_LEAST_S);
    else
        (void)text_list_add(reasons, "%s the deposit (%.0f s): %s", when, lasts_s,
                            side->rate.why != NULL ? side->rate.why : "no frequency is told");
}

static bool fill_before_after(struct loop_result *result, const struct bubble_facts *facts,
                              const struct wave_trace *trace, const struct wave_result *measured,
                              const struct wave_list *list, struct error **err)
{
    struct before_after *seen = &result->contractions.before_after;
    double deposit_s = result->deposit.time_s.value;
    struct parting parting = {.from_s = deposit_s, .to_s = deposit_s};
    struct parting stay = {0};
    struct sides sides;

    if (find_stay(facts, deposit_s, &stay) && sides_are_disturbed(trace, stay.from_s, stay.to_s)) {
        seen->left_catheter_out = true;
        parting.from_s = fmin(stay.from_s, deposit_s);
        parting.to_s = fmax(stay.to_s, deposit_s);
    }
    if (!sides_measure(&sides, trace, parting, measured, list, err))
        return false;
    fill_side(&seen->before, &sides.before, facts->canvas);
    fill_side(&seen->after, &sides.after, facts->canvas);
    seen->frequency_difference_per_min = sides.rate_difference;
    length_set(facts->canvas, &seen->amplitude_difference_mm, &seen->amplitude_difference_px,
               sides.amplitude_difference);
    explain_side(&seen->reasons, &sides.before, "before");
    explain_side(&seen->reasons, &sides.after, "after");
    if (sides.rate_difference.is_known && !sides.amplitude_difference.is_known)
        (void)text_list_add(&seen->reasons, "how the motion fades beside the walls cannot be seen, so the "
                                            "amplitudes are not compared");
    else if (sides.rate_difference.is_known && !seen->amplitude_difference_mm.is_known)
        (void)text_list_add(&seen->reasons, "no scale is known");
    return true;
}

bool course_sections_fill(struct loop_result *result, const struct bubble_facts *facts,
                          const struct wave_trace *trace, const struct wave_result *measured,
                          struct error **err)
{
    struct contractions *contractions = &result->contractions;
    struct wave_list list = {0};
    struct rate_course course = {0};
    bool is_told = contractions->verdict == CONTRACTIONS_MEASURED;
    bool is_parted = result->deposit.verdict == DEPOSIT_MEASURED && result->deposit.time_s.is_known;
    bool is_made = true;

    if (!is_told || !is_parted)
        (void)text_list_add(&contractions->before_after.reasons,
                            is_told ? "no deposit was measured, so there is no time before it or after it"
                                    : "no frequency is told of the whole of the loop");
    if (contractions->verdict == CONTRACTIONS_NOT_ASSESSABLE)
        return true;
    if (!wave_list_make(&list, trace, measured, err))
        return false;
    is_made = rate_course_make(&course, trace, measured, &list, err);
    if (is_made &&
        (!fill_list(contractions, facts, &list) || !fill_course(contractions, facts->canvas, &course)))
        is_made = error_memory(err);
    if (is_told) {
        compare_with_count(contractions, &list, measured);
        fill_count(result, facts, &list, measured);
    }
    if (is_told && is_parted && is_made)
        is_made = fill_before_after(result, facts, trace, measured, &list, err);
    rate_course_free(&course);
    wave_list_free(&list);
    return is_made;
}
