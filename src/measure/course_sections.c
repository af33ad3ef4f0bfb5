#include "measure/course_sections.h"

#include "measure/length.h"
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

static bool fill_list(struct loop_result *result, const struct bubble_facts *facts,
                      const struct wave_trace *trace, const struct wave_result *measured, struct error **err)
{
    struct contractions *contractions = &result->contractions;
    struct wave_list list = {0};

    if (contractions->verdict != CONTRACTIONS_MEASURED)
        return true;
    if (!wave_list_make(&list, trace, measured, err))
        return false;
    if (list.n > 0) {
        contractions->waves = calloc(list.n, sizeof *contractions->waves);
        if (contractions->waves == NULL) {
            wave_list_free(&list);
            return error_memory(err);
        }
        contractions->n_waves = list.n;
    }
    for (size_t i = 0; i < list.n; i++)
        fill_wave(&contractions->waves[i], &list.wave[i], facts);
    if (measured->has_frequency)
        compare_with_count(contractions, &list, measured);
    wave_list_free(&list);
    return true;
}

bool course_sections_fill(struct loop_result *result, const struct bubble_facts *facts,
                          const struct wave_trace *trace, const struct wave_result *measured,
                          struct error **err)
{
    return fill_list(result, facts, trace, measured, err);
}
