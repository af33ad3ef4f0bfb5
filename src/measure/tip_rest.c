#include "measure/tip_rest.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

static const double LOST_S = 1.5; /* the tip may be lost from sight on its way in */
static const double LEAST_REST_S = 1.5;
static const double AT_REST_MM = 0.8;
/* A tip that is pushed in: from how far out it is seen to come, and by how much it moves from sight to sight
 * at the most (a hand moves a catheter by less than 20 mm/s: common practice, no source). */
static const double COMES_IN_MM = 8.0;
static const double STEP_MM = 2.0;
static const double MOST_MM_PER_S = 20.0;
/* The tip's own brightness is looked at from so far out on, so far ahead of it and behind it, in so many
 * frames at least. */
static const double WAY_IN_MM = 3.0;
static const double BEAD_AHEAD_MM = 1.2;
static const double BEAD_BEHIND_MM = 2.0;
enum { LEAST_WAY_IN = 5 };

bool tip_middle(const struct hunt *hunt, const long *tip, double from_s, double to_s, double *middle)
{
    double rows[128];
    size_t n = 0;

    for (size_t t = hunt_frame_at(hunt, from_s); t < hunt->follow->n_frames && n < 128; t++) {
        if (hunt->follow->time_s[t] > to_s)
            break;
        if (tip[t] >= 0 && hunt->follow->time_s[t] >= from_s)
            rows[n++] = (double)tip[t];
    }
    if (n < 2)
        return false;
    *middle = statistics_median(rows, n);
    return true;
}

/* Whether the tip is seen to come to a row by a frame: from farther out, step by step. */
static bool has_come_in(const struct hunt *hunt, const long *tip, size_t frame, long rest)
{
    const double *time_s = hunt->follow->time_s;
    long out = hunt->cluster->catheter_from_last ? 1 : -1;
    size_t last = frame;

    for (size_t t = frame; t-- > 0 && time_s[last] - time_s[t] < LOST_S;) {
        if (tip[t] < 0)
            continue;
        if ((double)labs(tip[t] - tip[last]) * FOLLOW_STEP_MM >
            STEP_MM + MOST_MM_PER_S * (time_s[last] - time_s[t]))
            return false;
        if ((double)(out * (tip[t] - rest)) * FOLLOW_STEP_MM > COMES_IN_MM)
            return true;
        last = t;
    }
    return false;
}

long tip_rest(const struct hunt *hunt, const long *tip)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;

    for (size_t from = 0; from < n && time_s[n - 1] - time_s[from] > LEAST_REST_S; from++) {
        double middle = 0.0;
        size_t n_near = 0;
        size_t n_all = 0;

        if (tip[from] < 0 || !tip_middle(hunt, tip, time_s[from], time_s[from] + LEAST_REST_S, &middle))
            continue;
        for (size_t t = from; t < n && time_s[t] - time_s[from] <= LEAST_REST_S; t++, n_all++)
            n_near += tip[t] >= 0 && fabs((double)tip[t] - middle) * FOLLOW_STEP_MM < AT_REST_MM;
        if (10 * n_near >= 8 * n_all && has_come_in(hunt, tip, from, lround(middle)))
            return lround(middle);
    }
    return -1;
}

double tip_bead_luma(const struct hunt *hunt, const long *tip)
{
    long out = hunt->cluster->catheter_from_last ? 1 : -1;
    long near = (long)(WAY_IN_MM / FOLLOW_STEP_MM);
    double luma[128];
    size_t n = 0;

    if (hunt->rest < 0)
        return 0.0;
    for (size_t t = 0; t < hunt->follow->n_frames && n < 128; t++) {
        double best = 0.0;

        if (tip[t] < 0)
            continue;
        if (out * (tip[t] - hunt->rest) < near)
            break;
        for (long k = -(long)(BEAD_AHEAD_MM / FOLLOW_STEP_MM); k <= (long)(BEAD_BEHIND_MM / FOLLOW_STEP_MM);
             k++) {
            long row = tip[t] + out * k;

            if (row >= 0 && row < (long)hunt->n_rows)
                best = fmax(best, (double)hunt->crest_luma[t * hunt->n_rows + (size_t)row]);
        }
        luma[n++] = best;
    }
    return n < LEAST_WAY_IN ? 0.0 : statistics_quantile(luma, n, 0.8);
}
