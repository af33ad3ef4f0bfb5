#include "report/sections_internal.h"

#include "report/verdict.h"

/* As in the other sections (sections.c). */
enum { MM = 3, PX = 2, SECONDS = 2, PER_MIN = 4 };

/* ---- waves one by one ---- */

static bool add_reason(json_t *list, bool is_missing, const char *why)
{
    return !is_missing || json_add(list, json_string(why));
}

static json_t *reasons_of(const struct wave_seen *wave)
{
    json_t *list = json_array();
    bool has_speed = wave->speed_mm_per_s.is_known || wave->speed_px_per_s.is_known;

    return whole_or_null(
        list,
        add_reason(list, !wave->start_s.is_known, "it was under way when the time looked at began") &&
            add_reason(list, !wave->end_s.is_known, "it was under way when the time looked at ended") &&
            add_reason(list, !wave->passes_middle_s.is_known,
                       "it was not seen to pass the middle of the stripe") &&
            add_reason(list, !has_speed, "its crest was followed too little, or too unevenly, for a speed") &&
            add_reason(list, !wave->strength_mm.is_known, "no scale is known"));
}

static json_t *wave_of(const struct wave_seen *wave)
{
    json_t *made = json_object();

    return whole_or_null(
        made,
        put_number(made, "start_s", wave->start_s, SECONDS) &&
            put_number(made, "passes_middle_s", wave->passes_middle_s, SECONDS) &&
            put_number(made, "end_s", wave->end_s, SECONDS) &&
            json_put(made, "is_complete", json_boolean(wave->start_s.is_known && wave->end_s.is_known)) &&
            json_put(made, "direction", json_string(verdict_of_direction(wave->direction))) &&
            put_number(made, "speed_mm_per_s", wave->speed_mm_per_s, MM) &&
            put_number(made, "speed_px_per_s", wave->speed_px_per_s, PX) &&
            put_number(made, "strength_mm", wave->strength_mm, MM) &&
            put_number(made, "strength_px", wave->strength_px, PX) &&
            json_put(made, "reasons", reasons_of(wave)));
}

json_t *sections_waves(const struct contractions *contractions)
{
    json_t *list = json_array();

    for (size_t i = 0; i < contractions->n_waves; i++)
        if (!json_add(list, wave_of(&contractions->waves[i])))
            return whole_or_null(list, false);
    return list;
}

/* ---- frequency over time ---- */

static json_t *window_of(const struct rate_seen *seen)
{
    json_t *made = json_object();

    return whole_or_null(made, json_put(made, "from_s", json_from_number(seen->from_s, SECONDS)) &&
                                   json_put(made, "to_s", json_from_number(seen->to_s, SECONDS)) &&
                                   put_number(made, "frequency_per_min", seen->frequency_per_min, PER_MIN) &&
                                   json_put(made, "frequency_ci95_per_min",
                                            json_from_interval(seen->frequency_per_min, PER_MIN)) &&
                                   json_put(made, "reason", json_from_text(seen->why)));
}

json_t *sections_over_time(const struct contractions *contractions)
{
    json_t *list = json_array();

    for (size_t i = 0; i < contractions->n_over_time; i++)
        if (!json_add(list, window_of(&contractions->over_time[i])))
            return whole_or_null(list, false);
    return list;
}

/* ---- before the deposit and after it ---- */

static bool put_both(json_t *made, const char *key, const char *interval_key, struct quantity quantity,
                     int decimals)
{
    return put_number(made, key, quantity, decimals) &&
           json_put(made, interval_key, json_from_interval(quantity, decimals));
}

static json_t *side_of(const struct contraction_side *side, bool has_loops)
{
    json_t *made = json_object();
    bool is_there = side->is_there;

    return whole_or_null(
        made,
        (!has_loops ||
         json_put(made, "loop", is_there ? json_integer((json_int_t)side->loop) : json_null())) &&
            json_put(made, "from_s", is_there ? json_from_number(side->from_s, SECONDS) : json_null()) &&
            json_put(made, "to_s", is_there ? json_from_number(side->to_s, SECONDS) : json_null()) &&
            json_put(made, "assessed_s",
                     json_from_number(is_there ? side->to_s - side->from_s : 0.0, SECONDS)) &&
            put_both(made, "frequency_per_min", "frequency_ci95_per_min", side->frequency_per_min, PER_MIN) &&
            put_both(made, "amplitude_mm", "amplitude_ci95_mm", side->amplitude_mm, MM + 1) &&
            put_number(made, "amplitude_px", side->amplitude_px, PX + 1));
}

json_t *sections_before_after(const struct before_after *seen, bool has_loops)
{
    json_t *made = json_object();
    json_t *reasons = json_from_text_list(&seen->reasons);

    if (reasons != NULL && json_array_size(reasons) == 0 && !seen->frequency_difference_per_min.is_known &&
        !json_add(reasons, json_string("no contractions were measured on both sides of a deposit"))) {
        json_decref(reasons);
        reasons = NULL;
    }
    return whole_or_null(
        made, json_put(made, "before", side_of(&seen->before, has_loops)) &&
                  json_put(made, "after", side_of(&seen->after, has_loops)) &&
                  put_both(made, "frequency_difference_per_min", "frequency_difference_ci95_per_min",
                           seen->frequency_difference_per_min, PER_MIN) &&
                  put_both(made, "amplitude_difference_mm", "amplitude_difference_ci95_mm",
                           seen->amplitude_difference_mm, MM + 1) &&
                  put_number(made, "amplitude_difference_px", seen->amplitude_difference_px, PX + 1) &&
                  json_put(made, "left_catheter_out", json_boolean(seen->left_catheter_out)) &&
                  json_put(made, "reasons", reasons));
}
