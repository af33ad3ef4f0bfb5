#include "measure/crests.h"

#include "measure/band.h"
#include "measure/swings.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Of the band in which crests are looked for: as for counting (measure/train.c). */
static const double LOW = 0.35;          /* of the frequency: slower is drift */
static const double HIGH_PER_MIN = 11.0; /* below breathing, 12 per min: common practice, no source */
static const double WHOLE =
    0.75; /* of the usual swing: what reaches in from an edge is whole from there on */

enum {
    MOST_CRESTS = 400,
    MOST_SKIP = 2,
    COURSE_PLACES = 4,
    MOST_TRACKS = 2000,
    MOST_MATCHES = 4 * MOST_CRESTS
};

/* One place's trace with its neighbours', and its own. */
struct lane {
    const struct even *even;
    size_t place;
    double *value; /* n of the grid */
};

static void fill_lane(struct lane *lane)
{
    const struct even *even = lane->even;
    size_t reach = EVEN_NEIGHBOURS / 2;
    size_t from = lane->place > reach ? lane->place - reach : 0;
    double total = 0.0;

    memset(lane->value, 0, even->n * sizeof *lane->value);
    for (size_t p = from; p <= lane->place + reach && p < even->n_positions; p++) {
        total += even->weight[p];
        for (size_t i = 0; i < even->n; i++)
            lane->value[i] += even->weight[p] * creal(even->band[p * even->n + i]);
    }
    for (size_t i = 0; i < even->n && total > 0.0; i++)
        lane->value[i] /= total;
}

/* The place's own value about a sample: the largest (sign 1) or smallest of five. */
static double own_turn(const struct lane *lane, size_t at, double sign)
{
    const double complex *row = lane->even->band + lane->place * lane->even->n;
    double most = -INFINITY;

    for (size_t i = at > 2 ? at - 2 : 0; i <= at + 2 && i < lane->even->n; i++)
        most = fmax(most, sign * creal(row[i]));
    return sign * most;
}

/* Seconds from the crest to where half of the way from or to a turn beside it is done. */
static double half_s(const struct lane *lane, size_t at, size_t turn)
{
    double half = 0.5 * (lane->value[at] + lane->value[turn]);
    size_t step = turn > at ? 1U : (size_t)-1;
    size_t i = at;

    while (i != turn && lane->value[i] < half)
        i += step;
    if (i != at && lane->value[i] > lane->value[i - step])
        return (fabs((double)i - (double)at) -
                fmin((lane->value[i] - half) / (lane->value[i] - lane->value[i - step]), 1.0)) /
               EVEN_HZ;
    return fabs((double)i - (double)at) / EVEN_HZ;
}

static double refined(const struct lane *lane, size_t at)
{
    double one = lane->value[at - 1];
    double other = lane->value[at + 1];
    double bend = one + other - 2.0 * lane->value[at];

    return (double)at + (bend > 0.0 ? 0.5 * (one - other) / bend : 0.0);
}

static struct crest crest_at(const struct lane *lane, const struct swing_turn *turn)
{
    double low = own_turn(lane, turn->at, -1.0);
    double in = lane->value[turn->since] - lane->value[turn->at];
    double back = lane->value[turn->till] - lane->value[turn->at];
    bool is_in_whole = turn->since > 0 || in >= WHOLE * turn->usual;
    bool is_back_whole = turn->till + 1 < lane->even->n || back >= WHOLE * turn->usual;
    double own_in = own_turn(lane, turn->since, 1.0) - low;
    double own_back = own_turn(lane, turn->till, 1.0) - low;
    struct crest crest = {.is_seen = true,
                          .at_s = refined(lane, turn->at) / EVEN_HZ,
                          .before_s = NAN,
                          .after_s = NAN,
                          .depth = is_in_whole && is_back_whole ? 0.25 * (own_in + own_back)
                                   : is_in_whole                ? 0.5 * own_in
                                                                : 0.5 * own_back};

    if (is_in_whole)
        crest.before_s = half_s(lane, turn->at, turn->since);
    if (is_back_whole)
        crest.after_s = half_s(lane, turn->at, turn->till);
    if (is_in_whole && is_back_whole) { /* half way the walls move fastest, at the crest they hardly do */
        double late_s = 0.5 * (crest.after_s - crest.before_s);

        crest.at_s = (double)turn->at / EVEN_HZ + late_s;
        crest.before_s += late_s;
        crest.after_s -= late_s;
    }
    return crest;
}

/* ---- from place to place ---- */

/* When a track should come to a place: where its last crests lead. */
static double expected_s(const struct crest_track *track, size_t place)
{
    size_t from = track->last;
    size_t n = 1;

    while (from > track->first && n < COURSE_PLACES) {
        from--;
        n += track->crest[from].is_seen;
    }
    if (n < COURSE_PLACES)
        return track->crest[track->last].at_s;
    return track->crest[track->last].at_s + (track->crest[track->last].at_s - track->crest[from].at_s) *
                                                (double)(place - track->last) / (double)(track->last - from);
}

static bool begin_track(struct crest_tracks *tracks, const struct crest *crest, size_t place, size_t n_places)
{
    struct crest_track *track = &tracks->track[tracks->n];

    if (tracks->n == MOST_TRACKS)
        return false;
    track->crest = tracks->crest + tracks->n * n_places;
    track->first = track->last = place;
    track->n_seen = 1;
    track->crest[place] = *crest;
    tracks->n++;
    return true;
}

/* A crest that a track may go on with. */
struct match {
    double away_s;
    size_t track, crest;
};

static int by_distance(const void *one, const void *other)
{
    const struct match *a = one;
    const struct match *b = other;

    if (a->away_s != b->away_s)
        return a->away_s > b->away_s ? 1 : -1;
    return a->track != b->track ? (a->track > b->track) - (a->track < b->track)
                                : (a->crest > b->crest) - (a->crest < b->crest);
}

static size_t find_matches(struct match *matches, size_t most, const struct crest_tracks *tracks,
                           const struct crest *crests, size_t n, size_t place, double most_s)
{
    size_t n_matches = 0;

    for (size_t k = 0; k < tracks->n; k++) {
        double expected = 0.0;

        if (tracks->track[k].last + MOST_SKIP + 1 < place)
            continue;
        expected = expected_s(&tracks->track[k], place);
        for (size_t i = 0; i < n && n_matches < most; i++)
            if (fabs(crests[i].at_s - expected) < most_s)
                matches[n_matches++] = (struct match){fabs(crests[i].at_s - expected), k, i};
    }
    return n_matches;
}

/* Joins the crests of a place to the tracks that lead there, the nearest first; what is left begins a track.
 */
static void join_place(struct crest_tracks *tracks, struct crest *crests, size_t n, size_t place,
                       size_t n_places, double most_s)
{
    struct match matches[MOST_MATCHES];
    size_t n_matches = find_matches(matches, MOST_MATCHES, tracks, crests, n, place, most_s);

    qsort(matches, n_matches, sizeof *matches, by_distance);
    for (size_t i = 0; i < n_matches; i++) {
        struct crest_track *track = &tracks->track[matches[i].track];
        struct crest *crest = &crests[matches[i].crest];

        if (track->last == place || !crest->is_seen)
            continue;
        track->crest[place] = *crest;
        track->last = place;
        track->n_seen++;
        crest->is_seen = false; /* taken */
    }
    for (size_t i = 0; i < n; i++)
        if (crests[i].is_seen && !begin_track(tracks, &crests[i], place, n_places))
            return;
}

static void follow_all(struct crest_tracks *tracks, const struct even *even, double *value, double most_s)
{
    static const size_t most = MOST_CRESTS;
    struct swing_turn turns[2 * MOST_CRESTS];
    struct crest crests[MOST_CRESTS];
    struct lane lane = {.even = even, .value = value};

    for (lane.place = 0; lane.place < even->n_positions; lane.place++) {
        size_t n = 0;
        size_t n_turns = 0;

        if (even->weight[lane.place] <= 0.0)
            continue;
        fill_lane(&lane);
        n_turns = swings_turns(turns, 2 * most, value, even->n);
        for (size_t i = 0; i < n_turns && n < most; i++)
            if (turns[i].is_low)
                crests[n++] = crest_at(&lane, &turns[i]);
        join_place(tracks, crests, n, lane.place, even->n_positions, most_s);
    }
}

bool crests_follow(struct crest_tracks *tracks, struct even *even, double per_min)
{
    struct pass_band band = {.low = LOW * per_min, .high = HIGH_PER_MIN};
    double *value = calloc(even->n, sizeof *value);
    bool is_made = false;

    *tracks = (struct crest_tracks){.track = calloc(MOST_TRACKS, sizeof *tracks->track),
                                    .crest = calloc(MOST_TRACKS * even->n_positions, sizeof *tracks->crest)};
    is_made = value && tracks->track && tracks->crest && band_fill(even, &band);
    if (is_made)
        follow_all(tracks, even, value, CRESTS_MOST_STEP * 60.0 / per_min);
    else
        crests_free(tracks);
    free(value);
    return is_made;
}

void crests_free(struct crest_tracks *tracks)
{
    free(tracks->track);
    free(tracks->crest);
    memset(tracks, 0, sizeof *tracks);
}
