#include "measure/course_sections.h"

#include "measure/length.h"
#include "measure/rate_course.h"
#include "measure/wave_list.h"

#include <math.h>
#include <stdlib.h>

static void fill_wave(struct wave_seen *seen, const struct wave_one *wave, const struct bubble_facts *facts)
{
    bool is_one_way =
        wave->direction == DIRECTION_CERVIX_TO_FUNDUS || wave->direction == DIRECTION_FUNDUS_TO_CERVIX;

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

/* Waves of the list pass the middle of the stripe a whole number of times, which is less than one off what
 * the frequency makes of the same time; more than that, and what the frequency may be wrong by, is told. */
static void compare_with_count(struct contractions *contractions, const struct wave_list *list,
                               const struct wave_result *measured)
{
    double minutes = measured->assessed_s / 60.0;
    double waves = measured->frequency_per_min * minutes;
    double apart = list->n_middle - waves;
    double least = 1.0 + 0.5 * (measured->high_per_min - measured->low_per_min) * minutes;

    if (fabs(apart) >= least)
        (void)text_list_add(
            &contractions->reasons,
            apart < 0.0 ? "of the %.0f waves that the frequency makes, %.0f could be listed one by one; "
                          "the others are too weak, or run into one another"
                        : "the frequency makes %.0f waves, but %.0f narrowings are listed one by one: "
                          "some are no whole waves",
            waves, list->n_middle);
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

bool course_sections_fill(struct loop_result *result, const struct bubble_facts *facts,
                          const struct wave_trace *trace, const struct wave_result *measured,
                          struct error **err)
{
    struct contractions *contractions = &result->contractions;
    struct wave_list list = {0};
    struct rate_course course = {0};
    bool is_made = true;

    if (contractions->verdict == CONTRACTIONS_NOT_ASSESSABLE)
        return true;
    if (!wave_list_make(&list, trace, measured, err))
        return false;
    is_made = rate_course_make(&course, trace, measured, &list, err);
    if (is_made &&
        (!fill_list(contractions, facts, &list) || !fill_course(contractions, facts->canvas, &course)))
        is_made = error_memory(err);
    if (measured->verdict == CONTRACTIONS_MEASURED && measured->has_frequency)
        compare_with_count(contractions, &list, measured);
    rate_course_free(&course);
    wave_list_free(&list);
    return is_made;
}
