#include "motion/rigid.h"

#include "base/statistics.h"

#include <math.h>

enum { ROBUST_PASSES = 6, MOST_PLACES = 1024 };
static const double BIWEIGHT_CUT = 4.685; /* 95 % efficiency for Gaussian errors: Beaton and Tukey 1974 */

void rigid_apply(const struct rigid *rigid, double x, double y, double *to_x, double *to_y)
{
    double away_x = x - rigid->pivot_x;
    double away_y = y - rigid->pivot_y;
    double cosine = cos(rigid->turn_rad);
    double sine = sin(rigid->turn_rad);

    *to_x = rigid->pivot_x + cosine * away_x - sine * away_y + rigid->shift_x;
    *to_y = rigid->pivot_y + sine * away_x + cosine * away_y + rigid->shift_y;
}

void rigid_undo(const struct rigid *rigid, double x, double y, double *from_x, double *from_y)
{
    double away_x = x - rigid->pivot_x - rigid->shift_x;
    double away_y = y - rigid->pivot_y - rigid->shift_y;
    double cosine = cos(rigid->turn_rad);
    double sine = sin(rigid->turn_rad);

    *from_x = rigid->pivot_x + cosine * away_x + sine * away_y;
    *from_y = rigid->pivot_y - sine * away_x + cosine * away_y;
}

struct rigid rigid_about(const struct rigid *rigid, double pivot_x, double pivot_y)
{
    struct rigid made = {.pivot_x = pivot_x, .pivot_y = pivot_y, .turn_rad = rigid->turn_rad};
    double to_x = 0.0;
    double to_y = 0.0;

    rigid_apply(rigid, pivot_x, pivot_y, &to_x, &to_y);
    made.shift_x = to_x - pivot_x;
    made.shift_y = to_y - pivot_y;
    return made;
}

struct rigid rigid_then(const struct rigid *a, const struct rigid *b)
{
    struct rigid made = *a;
    double x = 0.0;
    double y = 0.0;

    rigid_apply(b, a->pivot_x + a->shift_x, a->pivot_y + a->shift_y, &x, &y);
    made.turn_rad = a->turn_rad + b->turn_rad;
    made.shift_x = x - a->pivot_x;
    made.shift_y = y - a->pivot_y;
    return made;
}

struct rigid rigid_inverse(const struct rigid *rigid)
{
    struct rigid made = {.pivot_x = rigid->pivot_x, .pivot_y = rigid->pivot_y, .turn_rad = -rigid->turn_rad};
    double x = 0.0;
    double y = 0.0;

    rigid_undo(rigid, rigid->pivot_x, rigid->pivot_y, &x, &y);
    made.shift_x = x - rigid->pivot_x;
    made.shift_y = y - rigid->pivot_y;
    return made;
}

static bool fit_once(struct rigid *rigid, const double (*from)[2], const double (*to)[2],
                     const double *weight, const double *trust, size_t n)
{
    double total = 0.0;
    double mean[4] = {0};
    double along = 0.0;
    double across = 0.0;

    for (size_t i = 0; i < n; i++) {
        double w = weight[i] * trust[i];

        total += w;
        mean[0] += w * from[i][0];
        mean[1] += w * from[i][1];
        mean[2] += w * to[i][0];
        mean[3] += w * to[i][1];
    }
    if (!(total > 0.0))
        return false;
    for (int k = 0; k < 4; k++)
        mean[k] /= total;
    for (size_t i = 0; i < n; i++) {
        double w = weight[i] * trust[i];
        double ax = from[i][0] - mean[0];
        double ay = from[i][1] - mean[1];
        double bx = to[i][0] - mean[2];
        double by = to[i][1] - mean[3];

        along += w * (ax * bx + ay * by);
        across += w * (ax * by - ay * bx);
    }
    rigid->pivot_x = mean[0];
    rigid->pivot_y = mean[1];
    rigid->turn_rad = hypot(along, across) > 1e-9 * total ? atan2(across, along) : 0.0;
    rigid->shift_x = mean[2] - mean[0];
    rigid->shift_y = mean[3] - mean[1];
    return true;
}

bool rigid_fit(struct rigid *rigid, const double (*from)[2], const double (*to)[2], const double *weight,
               size_t n)
{
    double trust[MOST_PLACES] = {0};
    double away[MOST_PLACES];
    double sorted[MOST_PLACES];

    if (n > MOST_PLACES)
        n = MOST_PLACES;
    for (size_t i = 0; i < n; i++)
        trust[i] = 1.0;
    for (int pass = 0; pass < ROBUST_PASSES; pass++) {
        size_t n_used = 0;
        double spread = 0.0;

        if (!fit_once(rigid, from, to, weight, trust, n))
            return false;
        for (size_t i = 0; i < n; i++) {
            double x = 0.0;
            double y = 0.0;

            rigid_apply(rigid, from[i][0], from[i][1], &x, &y);
            away[i] = hypot(to[i][0] - x, to[i][1] - y);
            if (weight[i] > 0.0)
                sorted[n_used++] = away[i];
        }
        if (n_used < 3)
            return true;
        spread = fmax(statistics_median(sorted, n_used) / 1.1774, 1e-6); /* median of a Rayleigh length */
        for (size_t i = 0; i < n; i++) {
            double ratio = away[i] / (BIWEIGHT_CUT * spread);

            trust[i] = ratio < 1.0 ? (1.0 - ratio * ratio) * (1.0 - ratio * ratio) : 0.0;
        }
    }
    return true;
}
