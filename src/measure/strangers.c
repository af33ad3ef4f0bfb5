#include "measure/strangers.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

/* How far from where it was lost a cluster may be found again, and how much farther for each second: a way of
 * 20 mm takes bubbles a minute or more, unless one sees them go (common practice, no source). */
static const double RETURN_MM = 5.0;
static const double RETURN_MM_PER_S = 0.3;
static const double RETURN_MOST_MM =
    6.0; /* however long: a way that nobody saw is not told by what shines there */
/* Seen again elsewhere after so long a hole, and for less than this and than a share of the hole: a speck
 * that comes to light (a cluster must be seen for as long to be one at all). */
static const double LONG_HOLE_S = 10.0;
static const double LONGEST_HOLE_S =
    30.0; /* after that it is not told to be the same however long it is seen */
static const double RETURN_LEAST_S = 6.0;
static const double RETURN_SHARE = 0.25;
/* What is so much fainter than the cluster usually is and so far from its last and next clear sight is
 * another thing, that is seen while the cluster is not. */
static const double FAINT_SHARE = 0.6;
static const double STRANGE_MM = 4.0;
static const double NEAR_S = 1.0;
/* A way that leaps so far while what it leaves still shines, for so long, leaps onto another thing: pieces of
 * a cluster part less far at once (made loops: up to 10 mm, slowly). */
static const double THEFT_MM = 12.0;
static const double SHINES_S = 3.0;
static const double SHINES_MM = 1.5;
static const double LEAP_MM = 2.0; /* from sight to sight: what drifts off while it fades does not leap */

static double apart_mm(long row, long other)
{
    return (double)labs(row - other) * FOLLOW_STEP_MM;
}

/* How bright what is seen in each frame is, with what is seen near it just before and after; -1: nothing. */
static void fill_brightness(const struct hunt *hunt, const long *way, size_t first, double *bright)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;

    for (size_t t = first; t < n; t++) {
        double crest[64];
        size_t n_crest = 0;

        bright[t] = -1.0;
        if (way[t] < 0)
            continue;
        for (size_t k = hunt_frame_at(hunt, time_s[t] - NEAR_S); k < n && n_crest < 64; k++) {
            if (time_s[k] > time_s[t] + NEAR_S)
                break;
            if (k >= first && way[k] >= 0 && apart_mm(way[k], way[t]) < STRANGE_MM)
                crest[n_crest++] = hunt_crest(hunt, way, k);
        }
        bright[t] = statistics_median(crest, n_crest);
    }
}

/* Takes what is strange out of the faint frames [from, to), after the last clear sight (its row; -1: none).
 */
static void take_out(long *way, size_t from, size_t to, size_t n, long last)
{
    long before = last;
    bool has_leapt = false;

    for (size_t t = from; t < to; t++) {
        if (way[t] < 0)
            continue;
        has_leapt = has_leapt || before < 0 || apart_mm(way[t], before) > LEAP_MM;
        before = way[t];
        if (has_leapt && (last < 0 || apart_mm(way[t], last) > STRANGE_MM) &&
            (to == n || apart_mm(way[t], way[to]) > STRANGE_MM))
            way[t] = -1;
    }
}

/* Takes out what is seen elsewhere, fainter, while the cluster is lost. False when memory ran out. */
static bool leave_fainter(const struct hunt *hunt, long *way, size_t first)
{
    size_t n = hunt->follow->n_frames;
    double *bright = malloc(2 * n * sizeof *bright);
    double *seen = bright != NULL ? bright + n : NULL;
    size_t n_seen = 0;
    double clear = 0.0;
    long last = -1; /* row of the last clear sight */

    if (bright == NULL)
        return false;
    fill_brightness(hunt, way, first, bright);
    for (size_t t = first; t < n; t++)
        if (way[t] >= 0)
            seen[n_seen++] = bright[t];
    clear = n_seen > 0 ? FAINT_SHARE * statistics_median(seen, n_seen) : 0.0;
    for (size_t t = first; t < n; t++) {
        size_t next = t;

        if (way[t] < 0 || bright[t] >= clear) {
            last = way[t] < 0 ? last : way[t];
            continue;
        }
        while (next < n && bright[next] < clear)
            next++;
        take_out(way, t, next, n, last);
        t = next - 1;
    }
    free(bright);
    return true;
}

/* For how long something is seen from a frame on. */
static double seen_from_s(const struct hunt *hunt, const long *way, size_t from)
{
    const double *time_s = hunt->follow->time_s;
    double seen_s = 0.0;

    for (size_t t = from; t + 1 < hunt->follow->n_frames; t++)
        seen_s += way[t] >= 0 ? fmin(time_s[t + 1] - time_s[t], 1.0) : 0.0;
    return seen_s;
}

/* Whether what is seen again in a frame is not told to be what was lost. */
static bool is_other(const struct hunt *hunt, const long *way, size_t frame, double hole_s, double away_mm)
{
    double left_s = hunt->follow->time_s[hunt->follow->n_frames - 1] - hunt->follow->time_s[frame];

    if (hole_s > HUNT_LOST_S && away_mm > fmin(RETURN_MM + RETURN_MM_PER_S * hole_s, RETURN_MOST_MM))
        return true;
    if (hole_s > LONGEST_HOLE_S && away_mm > STRANGE_MM)
        return true;
    return hole_s > LONG_HOLE_S && away_mm > STRANGE_MM &&
           seen_from_s(hunt, way, frame) < fmax(RETURN_LEAST_S, fmin(RETURN_SHARE * hole_s, 0.8 * left_s));
}

/* What is seen again far from where the bubbles were lost is not told to be the same: the way ends before it.
 */
static void leave_return(const struct hunt *hunt, long *way, size_t first)
{
    struct cluster *cluster = hunt->cluster;
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    size_t last = first;

    cluster->other_s = cluster->other_seen_s = 0.0;
    for (size_t t = first; t < n; t++) {
        double hole_s = time_s[t] - time_s[last];
        double away_mm = way[t] < 0 ? 0.0 : apart_mm(way[t], way[last]);

        if (way[t] < 0)
            continue;
        if (is_other(hunt, way, t, hole_s, away_mm)) {
            cluster->other_seen_s = seen_from_s(hunt, way, t);
            for (size_t k = t; k < n; k++)
                way[k] = -1;
            cluster->lost_s = time_s[last];
            cluster->other_s = time_s[t];
            cluster->other_away_mm = away_mm;
            return;
        }
        last = t;
    }
}

bool strangers_leave(const struct hunt *hunt, long *way, size_t first)
{
    if (!leave_fainter(hunt, way, first))
        return false;
    leave_return(hunt, way, first);
    return true;
}

/* First frame in which a way has leapt onto another thing; n_frames where it does not. */
static size_t find_theft(const struct hunt *hunt, const long *way, size_t first, long *left)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    size_t last = first;

    for (size_t t = first; t < n; t++) {
        if (way[t] < 0)
            continue;
        if (apart_mm(way[t], way[last]) > THEFT_MM && time_s[t] - time_s[last] < HUNT_LOST_S) {
            double before =
                hunt_crest_about(hunt, way[last], SHINES_MM, time_s[last] - SHINES_S, time_s[last]);
            double after = hunt_crest_about(hunt, way[last], SHINES_MM, time_s[t], time_s[t] + SHINES_S);

            *left = way[last];
            if (after > FAINT_SHARE * before)
                return t;
        }
        last = t;
    }
    return n;
}

bool strangers_find(struct hunt *hunt, const long *way, size_t first, size_t *from, double *away_mm)
{
    size_t n = hunt->follow->n_frames;
    long left = 0;
    long *strange = NULL;
    long row = -1;

    *from = first < n && hunt->n_strange < HUNT_MOST_STRANGE ? find_theft(hunt, way, first, &left) : n;
    if (*from == n)
        return true;
    strange = malloc(n * sizeof *strange);
    if (strange == NULL)
        return false;
    *away_mm = apart_mm(way[*from], left);
    hunt->cluster->strange_away_mm = *away_mm;
    for (size_t t = 0; t < n; t++) {
        if (t >= *from && way[t] >= 0 && apart_mm(way[t], left) > 0.5 * THEFT_MM)
            row = way[t];
        strange[t] = row;
    }
    hunt->strange[hunt->n_strange++] = strange;
    return true;
}
