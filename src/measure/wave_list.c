#include "measure/wave_list.h"

#include "base/statistics.h"
#include "measure/crest_line.h"
#include "measure/crests.h"
#include "measure/even.h"
#include "measure/fade.h"
#include "measure/recount.h"
#include "measure/wave_delay.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double LEAST_SHARE = 0.25; /* of the places: shorter narrowings are not told from chance */
static const double TYPICAL = 0.6;      /* quantile of the places: as for the amplitude */
static const double EDGE_S = 2.0;       /* crests so near an edge of the trace are not seen to turn */
/* Of the time from wave to wave: so near an edge of the trace a crest is not yet, or no longer, told from the
 * way to it. */
static const double EDGE_SHARE = 0.3;
static const double DOUBLE_SHARE = 0.5; /* of that time: within it two that were led on are one */
/* Of that time by which a wave that was not seen must lie within the trace to be counted by the rhythm. */
static const double EDGE_ROOM = 0.05;
/* Of the stripe, along which a wave is followed that runs one way while the loop's waves come from both ends:
 * less may be half of one of those. */
static const double MOST_OF_IT = 0.75;

static const double NEAR_PLACES = 2.0; /* to the middle, to be seen there: as crests.c goes on over holes */

enum { LEAST_PLACES = 3, MOST_PLACES = 256 };

/* What a list is made from. */
struct making {
    const struct wave_trace *trace;
    const struct wave_result *result;
    const struct even *even;
    double spacing_mm;
    double interval_s; /* from wave to wave, while they come */
};

/* The middle of the times from half of the way to the crest (or from it), over the places. */
static double usual_half(const struct crest_track *track, bool is_before)
{
    double half_s[MOST_PLACES];
    size_t n = 0;

    for (size_t p = track->first; p <= track->last && n < MOST_PLACES; p++) {
        double one = is_before ? track->crest[p].before_s : track->crest[p].after_s;

        if (track->crest[p].is_seen && isfinite(one))
            half_s[n++] = one;
    }
    return n > 0 ? statistics_median(half_s, n) : NAN;
}

static double strength_of(const struct making *making, const struct crest_track *track)
{
    double depth[MOST_PLACES];
    size_t n = 0;

    for (size_t p = track->first; p <= track->last && n < MOST_PLACES; p++)
        if (track->crest[p].is_seen)
            depth[n++] = track->crest[p].depth / (making->result->is_at_walls
                                                      ? fade_share(making->trace, making->trace->half_mm[p],
                                                                   0.0, making->result->fade_mm)
                                                      : 1.0);
    return statistics_quantile(depth, n, TYPICAL);
}

/* How far a wave went beyond the places at which its crest was taken for it, toward the first or the last
 * place of the stripe: there it passes as one with a wave that runs the other way, which has that crest. */
static size_t reach_of(const struct crest_tracks *tracks, size_t own, const struct crest_line *line,
                       double within_s, bool is_first, size_t n_places)
{
    size_t place = is_first ? tracks->track[own].first : tracks->track[own].last;
    size_t end = is_first ? 0 : n_places - 1;
    bool is_shared = true;

    while (place != end && is_shared) {
        size_t next = is_first ? place - 1 : place + 1;

        is_shared = false;
        for (size_t k = 0; k < tracks->n && !is_shared; k++) {
            const struct crest *crest = &tracks->track[k].crest[next];

            is_shared = k != own && crest->is_seen &&
                        fabs(crest->at_s - crest_line_at(line, (double)next)) < within_s;
        }
        if (is_shared)
            place = next;
    }
    return place;
}

/* Whether the wave passed the place next to the last one that was seen of it before the looking began (or,
 * not is_early, after it ended). */
static bool is_cut(const struct making *making, const struct crest_line *line, size_t place, bool is_first,
                   bool is_early)
{
    double last_s = (double)(making->even->n - 1) / EVEN_HZ;
    double next_s = crest_line_at(line, is_first ? (double)place - 1.0 : (double)place + 1.0);

    if (place == (is_first ? 0 : making->even->n_positions - 1))
        return false;
    return is_early ? next_s < EDGE_S : next_s > last_s - EDGE_S;
}

/* Seconds from place to place toward the middle of a stripe, going up from its first place, for a wave whose
 * own line does not tell; false where the waves of the loop do not tell it either. */
static bool usual_slope(const struct making *making, bool is_below, double *slope)
{
    bool is_told = wave_delay(making->result, is_below ? -making->spacing_mm : making->spacing_mm, slope);

    *slope = is_below ? -*slope : *slope;
    return is_told;
}

/* The place nearest to the middle at which a crest was seen. */
static double nearest_place(const struct crest_track *track, double middle)
{
    double nearest = (double)track->first;

    for (size_t p = track->first; p <= track->last; p++)
        if (track->crest[p].is_seen && fabs((double)p - middle) < fabs(nearest - middle))
            nearest = (double)p;
    return nearest;
}

/* When a wave passed the middle of the places. One that was followed up to an edge of the trace, short of the
 * middle, is taken to have run on as waves run. */
static void set_middle(struct wave_one *wave, const struct making *making, const struct crest_track *track,
                       const struct crest_line *line)
{
    double middle = 0.5 * (double)(making->even->n_positions - 1);
    double last_s = (double)(making->even->n - 1) / EVEN_HZ;
    double edge_s = fmax(EDGE_SHARE * making->interval_s, EDGE_S);
    double at_s = crest_line_at(line, middle);
    double near = nearest_place(track, middle);

    bool is_across = (double)track->first <= middle && middle <= (double)track->last;
    bool has_halves = making->result->direction == DIRECTION_OPPOSING && !line->is_bent;

    /* no one line leads through the halves of a wave that comes from both ends */
    if (!is_across || (has_halves && fabs(near - middle) >= NEAR_PLACES)) {
        bool is_below = near < middle;
        double slope = line->slope[0];

        if (line->is_bent || (!line->has_speed && !usual_slope(making, is_below, &slope)))
            return;
        at_s = crest_line_at(line, near) + slope * (middle - near);
        if (!is_across && at_s > edge_s && at_s < last_s - edge_s)
            return;
        wave->is_led_on = true;
    }
    wave->middle_s = making->even->from_s + at_s;
    wave->has_middle = at_s >= 0.0 && at_s <= last_s;
}

/* A wave lasts, at a place, twice as long as it takes from half of the way in to half of the way back: so it
 * is for a raised cosine. The halves are told best, where the walls move fastest. */
static void set_times(struct wave_one *wave, const struct making *making, const struct crest_tracks *tracks,
                      size_t own, const struct crest_line *line)
{
    const struct crest_track *track = &tracks->track[own];
    double before_s = usual_half(track, true);
    double after_s = usual_half(track, false);
    size_t n_places = making->even->n_positions;
    size_t first = reach_of(tracks, own, line, before_s, true, n_places);
    size_t last = reach_of(tracks, own, line, after_s, false, n_places);
    double first_s = crest_line_at(line, (double)first);
    double last_s = crest_line_at(line, (double)last);
    double turned_s = line->is_bent ? line->at_s : first_s;
    double from_s = fmin(fmin(first_s, last_s), turned_s);
    double to_s = fmax(fmax(first_s, last_s), turned_s);
    double begins_s = from_s - 2.0 * before_s;
    double ends_s = to_s + 2.0 * after_s;

    wave->has_start = begins_s >= 0.0 && !is_cut(making, line, first, true, true) &&
                      !is_cut(making, line, last, false, true);
    wave->has_end = ends_s <= (double)(making->even->n - 1) / EVEN_HZ &&
                    !is_cut(making, line, first, true, false) && !is_cut(making, line, last, false, false);
    wave->start_s = making->even->from_s + begins_s;
    wave->end_s = making->even->from_s + ends_s;
    wave->crest_s = making->even->from_s + from_s;
    set_middle(wave, making, track, line);
}

/* Half of a wave that comes from both ends would pass for one that runs one way. */
static void doubt_way(struct wave_one *wave, const struct making *making)
{
    double length = (double)(making->even->n_positions - 1) * making->spacing_mm;

    if (making->result->direction == DIRECTION_OPPOSING && wave->direction != DIRECTION_OPPOSING &&
        wave->along < MOST_OF_IT * length)
        wave->direction = DIRECTION_UNDETERMINED;
}

static int by_crest(const void *one, const void *other)
{
    const struct wave_one *a = one;
    const struct wave_one *b = other;

    return (a->crest_s > b->crest_s) - (a->crest_s < b->crest_s);
}

/* Whether two tracks are the halves of one wave that comes from both ends, and that were not seen to meet:
 * they would at one time. */
static bool are_halves(const struct making *making, const struct crest_track *fundal,
                       const struct crest_track *cervical)
{
    struct crest_line one;
    struct crest_line other;
    double middle = 0.0;

    if (fundal->n_seen < LEAST_PLACES || cervical->n_seen < LEAST_PLACES || fundal->last >= cervical->first)
        return false;
    one = crest_line_fit(fundal, making->spacing_mm);
    other = crest_line_fit(cervical, making->spacing_mm);
    middle = 0.5 * (double)(fundal->last + cervical->first);
    return one.slope[1] > 0.0 && other.slope[0] < 0.0 &&
           fabs(crest_line_at(&one, middle) - crest_line_at(&other, middle)) <
               CRESTS_MOST_STEP * making->interval_s;
}

static void join_halves(const struct making *making, struct crest_tracks *tracks)
{
    for (size_t i = 0; i < tracks->n; i++)
        for (size_t k = 0; k < tracks->n; k++) {
            struct crest_track *fundal = &tracks->track[i];
            struct crest_track *cervical = &tracks->track[k];

            if (i == k || !are_halves(making, fundal, cervical))
                continue;
            for (size_t p = cervical->first; p <= cervical->last; p++)
                fundal->crest[p] = cervical->crest[p];
            fundal->last = cervical->last;
            fundal->n_seen += cervical->n_seen;
            cervical->n_seen = 0;
        }
}

/* Of a wave that comes from both ends, both halves may have been led on to the middle: it passes there once.
 */
static void leave_doubles(struct wave_list *list, double within_s)
{
    for (size_t i = 0; i < list->n; i++)
        for (size_t k = 0; k < list->n && list->wave[i].is_led_on; k++)
            if (k != i && list->wave[k].has_middle &&
                fabs(list->wave[k].middle_s - list->wave[i].middle_s) < within_s)
                list->wave[i].has_middle = list->wave[i].is_led_on = false;
}

static void add_waves(struct wave_list *list, const struct making *making, const struct crest_tracks *tracks)
{
    size_t least = (size_t)ceil(LEAST_SHARE * (double)making->even->n_positions);

    least = least > LEAST_PLACES ? least : LEAST_PLACES;
    for (size_t i = 0; i < tracks->n && list->n < WAVE_LIST_MOST; i++) {
        const struct crest_track *track = &tracks->track[i];
        struct wave_one *wave = &list->wave[list->n];
        struct crest_line line;

        if (track->n_seen < least)
            continue;
        line = crest_line_fit(track, making->spacing_mm);
        *wave = (struct wave_one){.direction = line.direction,
                                  .has_speed = line.has_speed,
                                  .speed_per_s = line.speed_per_s,
                                  .strength = strength_of(making, track),
                                  .along = (double)(track->last - track->first) * making->spacing_mm};
        set_times(wave, making, tracks, i, &line);
        doubt_way(wave, making);
        list->n++;
    }
    leave_doubles(list, DOUBLE_SHARE * making->interval_s);
    for (size_t i = 0; i < list->n; i++)
        list->n_middle += list->wave[i].has_middle;
    qsort(list->wave, list->n, sizeof *list->wave, by_crest);
}

bool wave_list_make(struct wave_list *list, const struct wave_trace *trace, const struct wave_result *result,
                    struct error **err)
{
    struct even even = {0};
    struct crest_tracks tracks = {0};
    struct making making = {.trace = trace, .result = result, .even = &even};
    size_t from = 0;
    size_t to = 0;
    bool is_made = false;

    memset(list, 0, sizeof *list);
    if (result->verdict != CONTRACTIONS_MEASURED || !result->has_frequency)
        return true;
    making.spacing_mm = fabs(trace->position_mm[1] - trace->position_mm[0]);
    making.interval_s = 60.0 * result->share / result->frequency_per_min;
    even_stretch(trace, &from, &to);
    list->wave = calloc(WAVE_LIST_MOST, sizeof *list->wave);
    list->beside_s = calloc(WAVE_LIST_MOST + 2, sizeof *list->beside_s);
    is_made = list->wave != NULL && even_make(&even, trace, from, to) &&
              crests_follow(&tracks, &even, result->frequency_per_min / result->share);
    if (is_made && result->direction == DIRECTION_OPPOSING)
        join_halves(&making, &tracks);
    if (is_made) {
        list->from_s = even.from_s;
        list->to_s = even.from_s + (double)(even.n - 1) / EVEN_HZ;
        list->interval_s = making.interval_s;
        add_waves(list, &making, &tracks);
        is_made = recount(list, &even, making.spacing_mm, result);
    }
    crests_free(&tracks);
    even_free(&even);
    if (!is_made)
        wave_list_free(list);
    return is_made || error_memory(err);
}

/* Waves for which there is room between an edge and the nearest one that was seen to pass. */
static double room(double gap_s, double interval_s)
{
    return floor(fmax(gap_s / interval_s - EDGE_ROOM, 0.0));
}

double wave_list_count(const struct wave_list *list, const struct wave_result *result)
{
    bool has_room = list->n_middle >= 1.0 && !result->has_pauses && result->direction != DIRECTION_MIXED;
    double first_s = HUGE_VAL;
    double last_s = -HUGE_VAL;
    double n = list->n_middle;

    for (size_t i = 0; i < list->n; i++)
        if (list->wave[i].has_middle) {
            first_s = fmin(first_s, list->wave[i].middle_s);
            last_s = fmax(last_s, list->wave[i].middle_s);
        }
    for (size_t i = 0; i < list->n_beside; i++)
        n += list->beside_s[i] >= list->from_s && list->beside_s[i] <= list->to_s;
    if (has_room && !list->is_edge_told[0])
        n += room(first_s - list->from_s, list->interval_s);
    if (has_room && !list->is_edge_told[1])
        n += room(list->to_s - last_s, list->interval_s);
    return n;
}

void wave_list_free(struct wave_list *list)
{
    if (list == NULL)
        return;
    free(list->wave);
    free(list->beside_s);
    memset(list, 0, sizeof *list);
}
