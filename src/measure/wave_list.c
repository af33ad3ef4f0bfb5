#include "measure/wave_list.h"

#include "base/statistics.h"
#include "measure/crest_line.h"
#include "measure/crests.h"
#include "measure/even.h"
#include "measure/fade.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double LEAST_SHARE = 0.25; /* of the places: shorter narrowings are not told from chance */
static const double TYPICAL = 0.6;      /* quantile of the places: as for the amplitude */
static const double EDGE_S = 2.0;       /* crests so near an edge of the trace are not seen to turn */
/* Of the stripe, along which a wave is followed that runs one way while the loop's waves come from both ends:
 * less may be half of one of those. */
static const double MOST_OF_IT = 0.75;

enum { LEAST_PLACES = 3, MOST_PLACES = 256 };

/* What a list is made from. */
struct making {
    const struct wave_trace *trace;
    const struct wave_result *result;
    const struct even *even;
    double spacing_mm;
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
    double middle = 0.5 * (double)(n_places - 1);
    double begins_s = from_s - 2.0 * before_s;
    double ends_s = to_s + 2.0 * after_s;

    wave->has_start = begins_s >= 0.0 && !is_cut(making, line, first, true, true) &&
                      !is_cut(making, line, last, false, true);
    wave->has_end = ends_s <= (double)(making->even->n - 1) / EVEN_HZ &&
                    !is_cut(making, line, first, true, false) && !is_cut(making, line, last, false, false);
    wave->start_s = making->even->from_s + begins_s;
    wave->end_s = making->even->from_s + ends_s;
    wave->crest_s = making->even->from_s + from_s;
    wave->middle_s = making->even->from_s + crest_line_at(line, middle);
    wave->has_middle = (double)track->first <= middle && middle <= (double)track->last &&
                       crest_line_at(line, middle) >= 0.0 &&
                       crest_line_at(line, middle) <= (double)(making->even->n - 1) / EVEN_HZ;
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
               CRESTS_MOST_STEP * 60.0 * making->result->share / making->result->frequency_per_min;
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
        list->n_middle += wave->has_middle;
        list->n++;
    }
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
    even_stretch(trace, &from, &to);
    list->wave = calloc(WAVE_LIST_MOST, sizeof *list->wave);
    is_made = list->wave != NULL && even_make(&even, trace, from, to) &&
              crests_follow(&tracks, &even, result->frequency_per_min / result->share);
    if (is_made && result->direction == DIRECTION_OPPOSING)
        join_halves(&making, &tracks);
    if (is_made)
        add_waves(list, &making, &tracks);
    crests_free(&tracks);
    even_free(&even);
    if (!is_made)
        wave_list_free(list);
    return is_made || error_memory(err);
}

void wave_list_free(struct wave_list *list)
{
    if (list == NULL)
        return;
    free(list->wave);
    memset(list, 0, sizeof *list);
}
