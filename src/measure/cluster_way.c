#include "measure/cluster_way.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

static const double SEEN = 5.0;          /* standard deviations of a cluster's peak */
static const double SHAFT_BLUR_MM = 1.2; /* ahead of the tip that the shaft still brightens */
static const double OUTSHINES = 4.0;     /* standard deviations by which bubbles outshine a shaft */
static const double BEYOND_MM =
    7.0; /* the stripe's ends, which are told to a few millimetres; the strip has 8 */
static const double BEAD_MM = 2.0; /* about the tip: may be its own brightness */
static const double LEAST_WORTH = -4.0;
static const double APPEAR_COST = 12.0;
static const double VANISH_COST = 4.0;
static const double JUMP_COST = 30.0;
static const double MOVE_COST_PER_MM = 0.6;
static const double FREE_MOVE_MM = 0.4;
static const double APART_MM = 5.0; /* of pieces: what lies nearer is weighed as one cluster anyway */

/* Luma of the shaft itself: nearly its brightest from 4 to 20 mm behind the tip. */
static double shaft_luma(const struct hunt *hunt, size_t frame, long tip)
{
    long direction = hunt->cluster->catheter_from_last ? 1 : -1;
    double luma[48];
    size_t n = 0;

    for (long k = (long)(4.0 / FOLLOW_STEP_MM); k < (long)(20.0 / FOLLOW_STEP_MM) && n < 48; k++) {
        long row = tip + direction * k;

        if (row >= 0 && row < (long)hunt->n_rows)
            luma[n++] = hunt->crest_luma[frame * hunt->n_rows + (size_t)row];
    }
    return n > 0 ? statistics_quantile(luma, n, 0.9) : 255.0;
}

static bool is_near(long row, long other)
{
    return other >= 0 && (double)labs(row - other) * FOLLOW_STEP_MM < APART_MM;
}

/* Whether a piece that parted from a cluster cannot be told at a row. */
static bool is_taken(const struct hunt *hunt, const long *tip, const long *whole, size_t frame, long row)
{
    if (whole[frame] < 0 || tip[frame] >= 0 || is_near(row, whole[frame]))
        return true;
    for (size_t i = 0; i < hunt->n_parted; i++)
        if (is_near(row, hunt->parted[i][frame]))
            return true;
    return false;
}

static bool is_strange(const struct hunt *hunt, size_t frame, long row)
{
    for (size_t i = 0; i < hunt->n_strange; i++)
        if (is_near(row, hunt->strange[i][frame]))
            return true;
    return false;
}

/* What being at a row in a frame is worth. With a catheter there only what outshines it can be told, or what
 * is new since it came to rest. */
static double worth(const struct hunt *hunt, const long *tip, const double *shaft, size_t frame, size_t row)
{
    double value = (double)hunt->crest[frame * hunt->n_rows + row] - SEEN;

    if (hunt_beyond_mm(hunt, (double)row) > (hunt->passes_outside ? 0.0 : BEYOND_MM))
        return LEAST_WORTH;
    if (hunt->passes_left && hunt_is_left(hunt, (long)row))
        return LEAST_WORTH;
    if (is_strange(hunt, frame, (long)row))
        return LEAST_WORTH;
    if (tip[frame] >= 0) {
        long behind = hunt->cluster->catheter_from_last ? (long)row - tip[frame] : tip[frame] - (long)row;
        double luma = hunt->crest_luma[frame * hunt->n_rows + row];

        double outshone = shaft[frame];

        if (fabs((double)behind) * FOLLOW_STEP_MM < BEAD_MM)
            outshone = fmax(outshone, hunt->bead_luma);
        if ((double)behind * FOLLOW_STEP_MM > 8.0)
            value = fmin(value, -2.0);
        else if ((double)behind * FOLLOW_STEP_MM > -SHAFT_BLUR_MM)
            value = fmin(value, (luma - outshone) / hunt->noise - OUTSHINES);
        if (hunt->fresh != NULL && isfinite(hunt->fresh[frame * hunt->n_rows + row]))
            value = (double)hunt->fresh[frame * hunt->n_rows + row] - SEEN;
    }
    return fmin(fmax(value, LEAST_WORTH), 5.0);
}

/* Best way through all frames (dynamic programming): row of each frame or -1. */
bool cluster_way_find(const struct hunt *hunt, const long *tip, const long *whole, long *way)
{
    size_t n = hunt->follow->n_frames;
    size_t n_states = hunt->n_rows + 1; /* the last: not there */
    double *value = calloc(2 * n_states, sizeof *value);
    short *back = malloc(n * n_states * sizeof *back);
    long reach = (long)(3.0 / FOLLOW_STEP_MM);
    size_t state = 0;
    double *level = calloc(n, sizeof *level);

    if (value == NULL || back == NULL || level == NULL) {
        free(value);
        free(back);
        free(level);
        return false;
    }
    for (size_t t = 0; t < n; t++)
        if (tip[t] >= 0)
            level[t] = shaft_luma(hunt, t, tip[t]);
    for (size_t t = 0; t < n; t++) {
        const double *before = value + (t + 1) % 2 * n_states;
        double *now = value + t % 2 * n_states;
        size_t best_before = 0;

        for (size_t r = 1; r < hunt->n_rows; r++)
            if (before[r] > before[best_before])
                best_before = r;
        for (size_t r = 0; r < hunt->n_rows; r++) {
            double best = t == 0 ? 0.0 : before[hunt->n_rows] - APPEAR_COST;
            short from = (short)hunt->n_rows;

            for (long k = -reach; k <= reach && t > 0; k++) {
                long row = (long)r + k;
                double move = fabs((double)k) * FOLLOW_STEP_MM;
                double cost = move > FREE_MOVE_MM ? (move - FREE_MOVE_MM) * MOVE_COST_PER_MM : 0.0;

                if (row >= 0 && row < (long)hunt->n_rows && before[row] - cost > best) {
                    best = before[row] - cost;
                    from = (short)row;
                }
            }
            if (t > 0 && before[best_before] - JUMP_COST > best) {
                best = before[best_before] - JUMP_COST;
                from = (short)best_before;
            }
            now[r] = best + (whole != NULL && is_taken(hunt, tip, whole, t, (long)r)
                                 ? LEAST_WORTH
                                 : worth(hunt, tip, level, t, r));
            back[t * n_states + r] = from;
        }
        now[hunt->n_rows] = t == 0 ? 0.0 : before[hunt->n_rows];
        back[t * n_states + hunt->n_rows] = (short)hunt->n_rows;
        if (t > 0 && before[best_before] - VANISH_COST > now[hunt->n_rows]) {
            now[hunt->n_rows] = before[best_before] - VANISH_COST;
            back[t * n_states + hunt->n_rows] = (short)best_before;
        }
    }
    {
        const double *last = value + (n - 1) % 2 * n_states;

        state = hunt->n_rows;
        for (size_t i = 0; i < hunt->n_rows; i++)
            if (last[i] > last[state])
                state = i;
    }
    for (size_t t = n; t-- > 0;) {
        way[t] = state == hunt->n_rows ? -1 : (long)state;
        state = (size_t)back[t * n_states + state];
    }
    free(value);
    free(back);
    free(level);
    return true;
}
