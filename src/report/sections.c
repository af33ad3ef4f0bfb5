#include "report/sections_internal.h"

#include "report/published_internal.h"
#include "report/verdict.h"

#include <stdint.h>
#include <string.h>

/* Places kept: enough for any use of the number, few enough that the last is not noise. */
enum { MM = 3, PX = 2, SECONDS = 4, PER_MIN = 4, FRACTION = 4, SCALE = 7 };

static bool put_interval(json_t *section, const char *key, struct quantity quantity, int decimals)
{
    return json_put(section, key, json_from_interval(quantity, decimals));
}

static bool put_word(json_t *section, const char *key, const char *word)
{
    return json_put(section, key, json_string(word));
}

static bool put_loop(json_t *section, size_t loop)
{
    return loop == SIZE_MAX || json_put(section, "loop", json_integer((json_int_t)loop));
}

/* The keys of the contract that may be null: each then wants a reason. */
static const char *const promised[] = {
    "mm_per_px_x",
    "mm_per_px_y",
    "frame",
    "fundus_px",
    "os_px",
    "length_mm",
    "thickness_mm",
    "frequency_per_min",
    "frequency_ci95_per_min",
    "count",
    "amplitude_mm",
    "velocity_mm_per_s",
    "time_s",
    "point_px",
    "to_fundus_mm",
    "relative_depth",
    "to_fundus_ci95_mm",
    "tip_to_fundus_mm",
    "net_mm",
    "toward_fundus_mm",
    "path_mm",
    "farthest_mm",
    "final_to_fundus_mm",
    "followed_s",
    "spread_mm",
    "pieces",
    "toward_fundus_ci95_mm",
    "duration_s",
    "frame_rate_hz",
};

static bool has_null(const json_t *section)
{
    for (size_t i = 0; i < sizeof promised / sizeof promised[0]; i++)
        if (json_is_null(json_object_get(section, promised[i])))
            return true;
    return false;
}

/* The measurement tells of its own lengths why there are no millimetres ("... so distances are in pixels
 * only").
 */
static bool tells_of_no_scale(const struct text_list *reasons)
{
    static const char words[] = "no scale is known";

    for (size_t i = 0; i < reasons->n; i++)
        if (strncmp(reasons->items[i], words, sizeof words - 1) == 0)
            return true;
    return false;
}

/* Closes a section: why is what to say of a null for which the result gave no reason. */
static bool put_reasons(json_t *section, const struct text_list *reasons, const struct scale *scale,
                        bool has_lengths, const char *why)
{
    json_t *list = json_from_text_list(reasons);
    bool is_good = list != NULL;

    if (is_good && has_lengths && scale->source == SCALE_NONE && !tells_of_no_scale(reasons))
        is_good = json_add(list, json_string("no scale is known, so lengths are given in pixels only"));
    if (is_good && has_null(section) && json_array_size(list) == 0)
        is_good = json_add(list, json_string(why));
    if (is_good)
        return json_put(section, "reasons", list);
    json_decref(list);
    return false;
}

/* Only beside the transfer's own numbers. */
static bool put_published(json_t *section, size_t loop, enum norms_quantity first, enum norms_quantity last)
{
    return loop == SIZE_MAX || json_put(section, "published", published_list(first, last));
}

json_t *sections_scale(const struct scale *scale)
{
    bool is_known = scale->source != SCALE_NONE;
    json_t *made = json_object();

    return whole_or_null(
        made,
        json_put(made, "mm_per_px_x", is_known ? json_from_number(scale->mm_per_px_x, SCALE) : json_null()) &&
            json_put(made, "mm_per_px_y",
                     is_known ? json_from_number(scale->mm_per_px_y, SCALE) : json_null()) &&
            put_word(made, "source", verdict_of_scale(scale->source)) &&
            put_reasons(made, &scale->reasons, scale, false,
                        "neither the file nor a ruler in the picture tells the size of a pixel"));
}

static json_t *line_of(const struct cavity *cavity)
{
    json_t *made = json_array();

    for (size_t i = 0; i < cavity->n_centre_line; i++) {
        if (!json_add(made, json_from_point(true, cavity->centre_line[i])))
            return whole_or_null(made, false);
    }
    return made;
}

json_t *sections_cavity(const struct cavity *cavity, const struct scale *scale, size_t loop)
{
    bool has_points = cavity->has_points && cavity->verdict != CAVITY_NOT_FOUND;
    json_t *made = json_object();

    return whole_or_null(
        made,
        put_word(made, "verdict", verdict_of_cavity(cavity->verdict)) && put_loop(made, loop) &&
            json_put(made, "frame", has_points ? json_integer((json_int_t)cavity->frame) : json_null()) &&
            json_put(made, "time_s", has_points ? json_from_number(cavity->time_s, SECONDS) : json_null()) &&
            json_put(made, "fundus_px", json_from_point(has_points, cavity->fundus_px)) &&
            json_put(made, "os_px", json_from_point(has_points, cavity->os_px)) &&
            json_put(made, "fundus_given", json_boolean(cavity->fundus_given)) &&
            json_put(made, "os_given", json_boolean(cavity->os_given)) &&
            json_put(made, "centre_line_px", line_of(cavity)) &&
            put_number(made, "length_mm", cavity->length_mm, MM) &&
            put_interval(made, "length_ci95_mm", cavity->length_mm, MM) &&
            put_number(made, "length_px", cavity->length_px, PX) &&
            put_number(made, "thickness_mm", cavity->thickness_mm, MM) &&
            put_interval(made, "thickness_ci95_mm", cavity->thickness_mm, MM) &&
            put_number(made, "thickness_px", cavity->thickness_px, PX) &&
            json_put(made, "trust", json_from_number(cavity->trust, FRACTION)) &&
            put_reasons(made, &cavity->reasons, scale, has_points,
                        cavity->verdict == CAVITY_NOT_FOUND
                            ? "no endometrial stripe was found"
                            : "what is null could not be told from the picture"));
}

static const char *why_contractions(enum contractions_verdict verdict)
{
    switch (verdict) {
    case CONTRACTIONS_QUIESCENT:
        return "no contraction was found, so there is none to describe";
    case CONTRACTIONS_NOT_ASSESSABLE:
        return "the wall motion could not be judged";
    case CONTRACTIONS_MEASURED:
        break;
    }
    return "what is null could not be told from the wall motion";
}

json_t *sections_contractions(const struct contractions *contractions, const struct scale *scale, size_t loop)
{
    bool has_lengths = contractions->verdict == CONTRACTIONS_MEASURED;
    json_t *made = json_object();

    return whole_or_null(
        made, put_word(made, "verdict", verdict_of_contractions(contractions->verdict)) &&
                  put_loop(made, loop) &&
                  put_number(made, "frequency_per_min", contractions->frequency_per_min, PER_MIN) &&
                  put_interval(made, "frequency_ci95_per_min", contractions->frequency_per_min, PER_MIN) &&
                  put_number(made, "count", contractions->count, 0) &&
                  put_number(made, "counted_at_mm", contractions->counted_at_mm, MM) &&
                  put_number(made, "counted_at_px", contractions->counted_at_px, PX) &&
                  put_number(made, "amplitude_mm", contractions->amplitude_mm, MM + 1) &&
                  put_interval(made, "amplitude_ci95_mm", contractions->amplitude_mm, MM + 1) &&
                  put_number(made, "amplitude_px", contractions->amplitude_px, PX + 1) &&
                  put_number(made, "velocity_mm_per_s", contractions->velocity_mm_per_s, MM) &&
                  put_interval(made, "velocity_ci95_mm_per_s", contractions->velocity_mm_per_s, MM) &&
                  put_number(made, "velocity_px_per_s", contractions->velocity_px_per_s, PX) &&
                  put_word(made, "direction", verdict_of_direction(contractions->direction)) &&
                  json_put(made, "assessed_s", json_from_number(contractions->assessed_s, SECONDS)) &&
                  put_number(made, "false_alarm", contractions->false_alarm, FRACTION + 2) &&
                  json_put(made, "waves", sections_waves(contractions)) &&
                  json_put(made, "over_time", sections_over_time(contractions)) &&
                  json_put(made, "before_after",
                           sections_before_after(&contractions->before_after, loop != SIZE_MAX)) &&
                  put_published(made, loop, NORMS_FREQUENCY_PER_MIN, NORMS_VELOCITY_MM_PER_S) &&
                  put_reasons(made, &contractions->reasons, scale, has_lengths,
                              why_contractions(contractions->verdict)));
}

static const char *why_deposit(enum deposit_verdict verdict)
{
    switch (verdict) {
    case DEPOSIT_NONE_SEEN:
        return "no bubbles were seen, so there is no deposit to describe";
    case DEPOSIT_NOT_ASSESSABLE:
        return "the deposit could not be looked for";
    case DEPOSIT_MEASURED:
        break;
    }
    return "what is null was not seen";
}

json_t *sections_deposit(const struct deposit *deposit, const struct scale *scale, size_t loop)
{
    bool has_lengths = deposit->verdict == DEPOSIT_MEASURED;
    json_t *made = json_object();

    return whole_or_null(
        made, put_word(made, "verdict", verdict_of_deposit(deposit->verdict)) && put_loop(made, loop) &&
                  put_number(made, "time_s", deposit->time_s, SECONDS) &&
                  put_interval(made, "time_ci95_s", deposit->time_s, SECONDS) &&
                  json_put(made, "frame",
                           deposit->has_frame ? json_integer((json_int_t)deposit->frame) : json_null()) &&
                  json_put(made, "point_px", json_from_point(deposit->has_point, deposit->point_px)) &&
                  put_number(made, "to_fundus_mm", deposit->to_fundus_mm, MM) &&
                  put_number(made, "relative_depth", deposit->relative_depth, FRACTION) &&
                  put_interval(made, "to_fundus_ci95_mm", deposit->to_fundus_mm, MM) &&
                  put_number(made, "to_fundus_px", deposit->to_fundus_px, PX) &&
                  put_number(made, "tip_to_fundus_mm", deposit->tip_to_fundus_mm, MM) &&
                  put_number(made, "tip_to_fundus_px", deposit->tip_to_fundus_px, PX) &&
                  put_published(made, loop, NORMS_DEPTH_MM, NORMS_RELATIVE_DEPTH) &&
                  put_reasons(made, &deposit->reasons, scale, has_lengths, why_deposit(deposit->verdict)));
}

static json_t *follow_ups_of(const struct drift *drift)
{
    json_t *list = json_array();

    for (size_t i = 0; i < drift->n_follow_ups; i++) {
        const struct follow_up *later = &drift->follow_ups[i];
        json_t *made = json_object();
        bool is_good = json_put(made, "loop", json_integer((json_int_t)later->loop)) &&
                       put_number(made, "minutes_after_deposit", later->minutes_after_deposit, SECONDS) &&
                       put_number(made, "to_fundus_mm", later->to_fundus_mm, MM) &&
                       put_number(made, "toward_fundus_mm", later->toward_fundus_mm, MM);

        if (!json_add(list, whole_or_null(made, is_good)))
            return whole_or_null(list, false);
    }
    return list;
}

static const char *why_drift(enum drift_verdict verdict)
{
    switch (verdict) {
    case DRIFT_NONE_SEEN:
        return "no bubbles were seen, so nothing could be followed";
    case DRIFT_NOT_ASSESSABLE:
        return "the bubbles could not be followed";
    case DRIFT_MEASURED:
        break;
    }
    return "what is null could not be told";
}

static bool put_drift_px(json_t *made, const struct drift *drift)
{
    return put_number(made, "net_px", drift->net_px, PX) &&
           put_number(made, "toward_fundus_px", drift->toward_fundus_px, PX) &&
           put_number(made, "by_speckle_px", drift->by_speckle_px, PX) &&
           put_number(made, "path_px", drift->path_px, PX) &&
           put_number(made, "farthest_px", drift->farthest_px, PX) &&
           put_number(made, "final_to_fundus_px", drift->final_to_fundus_px, PX) &&
           put_number(made, "spread_px", drift->spread_px, PX);
}

json_t *sections_drift(const struct drift *drift, const struct scale *scale, bool with_follow_ups)
{
    bool has_lengths = drift->verdict == DRIFT_MEASURED;
    json_t *made = json_object();

    return whole_or_null(
        made, put_word(made, "verdict", verdict_of_drift(drift->verdict)) &&
                  put_number(made, "net_mm", drift->net_mm, MM) &&
                  put_number(made, "toward_fundus_mm", drift->toward_fundus_mm, MM) &&
                  put_number(made, "by_speckle_mm", drift->by_speckle_mm, MM) &&
                  put_number(made, "path_mm", drift->path_mm, MM) &&
                  put_number(made, "farthest_mm", drift->farthest_mm, MM) &&
                  put_number(made, "final_to_fundus_mm", drift->final_to_fundus_mm, MM) &&
                  put_number(made, "followed_s", drift->followed_s, SECONDS) &&
                  put_number(made, "spread_mm", drift->spread_mm, MM) &&
                  put_number(made, "pieces", drift->pieces, 0) &&
                  put_interval(made, "toward_fundus_ci95_mm", drift->toward_fundus_mm, MM) &&
                  put_interval(made, "by_speckle_ci95_mm", drift->by_speckle_mm, MM) &&
                  put_drift_px(made, drift) &&
                  (!with_follow_ups || json_put(made, "follow_ups", follow_ups_of(drift))) &&
                  put_published(made, with_follow_ups ? 0 : SIZE_MAX, NORMS_MIGRATION_MM,
                                NORMS_MIGRATION_DIRECTION) &&
                  put_reasons(made, &drift->reasons, scale, has_lengths, why_drift(drift->verdict)));
}

/* A rate or a duration of 0 stands for "a still, or no clock": told as null. */
static json_t *positive_or_null(double number, int decimals)
{
    return number > 0 ? json_from_number(number, decimals) : json_null();
}

static bool put_problems(json_t *made, const struct loop_result *loop)
{
    json_t *list = json_from_text_list(&loop->problems);

    if (list != NULL && has_null(made) && json_array_size(list) == 0 &&
        !json_add(list,
                  json_string(loop->frames == 1 ? "one frame only: it has no duration and no frame rate"
                                                : "the file does not tell when its frames were taken"))) {
        json_decref(list);
        list = NULL;
    }
    return json_put(made, "problems", list);
}

json_t *sections_loop(const struct loop_result *loop)
{
    json_t *made = json_object();

    return whole_or_null(
        made, json_put(made, "file", json_from_text(loop->file)) && put_word(made, "sha256", loop->sha256) &&
                  json_put(made, "format", json_from_text(loop->format)) &&
                  json_put(made, "codec", json_from_text(loop->codec)) &&
                  json_put(made, "width_px", json_integer(loop->width_px)) &&
                  json_put(made, "height_px", json_integer(loop->height_px)) &&
                  json_put(made, "frames", json_integer((json_int_t)loop->frames)) &&
                  json_put(made, "duration_s", positive_or_null(loop->duration_s, SECONDS)) &&
                  json_put(made, "frame_rate_hz", positive_or_null(loop->frame_rate_hz, SECONDS)) &&
                  json_put(made, "frozen_s", json_from_number(loop->frozen_s, SECONDS)) &&
                  json_put(made, "dropped_frames", json_integer(loop->dropped_frames)) &&
                  put_problems(made, loop) && json_put(made, "scale", sections_scale(&loop->scale)) &&
                  json_put(made, "cavity", sections_cavity(&loop->cavity, &loop->scale, SIZE_MAX)) &&
                  json_put(made, "contractions",
                           sections_contractions(&loop->contractions, &loop->scale, SIZE_MAX)) &&
                  json_put(made, "deposit", sections_deposit(&loop->deposit, &loop->scale, SIZE_MAX)) &&
                  json_put(made, "drift", sections_drift(&loop->drift, &loop->scale, false)));
}
