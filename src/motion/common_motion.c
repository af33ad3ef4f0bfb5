#include "motion/common_motion.h"

#include <math.h>
#include <stdbool.h>

enum { TERMS = 3, LEAST_POINTS = 12, PASSES = 12 };
static const double LEAST_SPREAD_PX2 = 1e-8;
/* The spread is taken to be as large as it may well be, this many of its standard errors larger than it
 * looks. */
static const double DOUBT_SIGMAS = 2.0;

struct common_motion {
    double middle[2], size_px; /* of where the points were: makes terms of about 1 */
    double coefficient[2][TERMS];
    double spread_px2; /* variance of a coordinate about the common motion */
};

static void terms_at(const struct common_motion *common, struct point place, double term[TERMS])
{
    term[0] = 1.0;
    term[1] = (place.x_px - common->middle[0]) / common->size_px;
    term[2] = (place.y_px - common->middle[1]) / common->size_px;
}

static double variance_of(const struct common_point *point, int axis)
{
    return point->error_px[axis] * point->error_px[axis];
}

static double away_of(const struct common_motion *common, const struct common_point *point, int axis)
{
    double term[TERMS];
    double away = point->moved_px[axis];

    terms_at(common, point->from, term);
    for (int i = 0; i < TERMS; i++)
        away -= common->coefficient[axis][i] * term[i];
    return away;
}

static void lay_terms(struct common_motion *common, const struct common_point *point, size_t n)
{
    double square = 0.0;

    for (size_t i = 0; i < n; i++) {
        common->middle[0] += point[i].from.x_px / (double)n;
        common->middle[1] += point[i].from.y_px / (double)n;
    }
    for (size_t i = 0; i < n; i++)
        square +=
            pow(point[i].from.x_px - common->middle[0], 2) + pow(point[i].from.y_px - common->middle[1], 2);
    common->size_px = fmax(sqrt(0.5 * square / (double)n), 1.0);
}

/* Least squares along x or y, each point by what it errs and by how far points spread. */
static bool fit_axis(struct common_motion *common, const struct common_point *point, size_t n, int axis)
{
    double a[TERMS][TERMS + 1] = {{0}};

    for (size_t i = 0; i < n; i++) {
        double weight = 1.0 / (common->spread_px2 + variance_of(&point[i], axis));
        double term[TERMS];

        terms_at(common, point[i].from, term);
        for (int p = 0; p < TERMS; p++) {
            for (int q = 0; q < TERMS; q++)
                a[p][q] += weight * term[p] * term[q];
            a[p][TERMS] += weight * term[p] * point[i].moved_px[axis];
        }
    }
    for (int p = 1; p < TERMS; p++)
        a[p][p] += 1e-6 * a[0][0];    /* points on one line: no motion across it is told apart */
    for (int p = 0; p < TERMS; p++) { /* positive definite: no pivots are wanted */
        if (!(a[p][p] > 0.0))
            return false;
        for (int row = 0; row < TERMS; row++) {
            double times = row != p ? a[row][p] / a[p][p] : 0.0;

            for (int q = p; q <= TERMS; q++)
                a[row][q] -= times * a[p][q];
        }
    }
    for (int p = 0; p < TERMS; p++)
        common->coefficient[axis][p] = a[p][TERMS] / a[p][p];
    return true;
}

/* What of the points' spread about their common motion they do not err, and what that may well be. */
static double spread_of(const struct common_motion *common, const struct common_point *point, size_t n)
{
    double fitted = (double)n / (double)(n - TERMS);
    double sum = 0.0;
    double total = 0.0;
    double chance = 0.0;

    for (size_t i = 0; i < n; i++)
        for (int axis = 0; axis < 2; axis++) {
            double variance = variance_of(&point[i], axis);
            double weight = pow(common->spread_px2 + variance, -2.0);
            double away = away_of(common, &point[i], axis);

            sum += weight * (away * away * fitted - variance);
            total += weight;
            chance += 2.0 * weight;
        }
    return fmax(LEAST_SPREAD_PX2, (sum + DOUBT_SIGMAS * sqrt(chance)) / total);
}

double common_motion_spread_px2(const struct common_point *point, size_t n)
{
    struct common_motion common = {.spread_px2 = 1.0}; /* all weigh alike */
    double square = 0.0;

    if (n < LEAST_POINTS)
        return 0.0;
    lay_terms(&common, point, n);
    if (!fit_axis(&common, point, n, 0) || !fit_axis(&common, point, n, 1))
        return 0.0;
    for (size_t i = 0; i < n; i++)
        for (int axis = 0; axis < 2; axis++)
            square += pow(away_of(&common, &point[i], axis), 2);
    return square / (2.0 * (double)(n - TERMS));
}

void common_motion_draw(struct common_point *point, size_t n, double least_spread_px2)
{
    struct common_motion common = {.spread_px2 = 0.0};

    if (n < LEAST_POINTS)
        return;
    lay_terms(&common, point, n);
    for (size_t i = 0; i < n; i++)
        common.spread_px2 +=
            (pow(point[i].moved_px[0], 2) + pow(point[i].moved_px[1], 2)) / (2.0 * (double)n);
    common.spread_px2 = fmax(common.spread_px2, LEAST_SPREAD_PX2);
    for (int pass = 0; pass < PASSES; pass++) {
        if (!fit_axis(&common, point, n, 0) || !fit_axis(&common, point, n, 1))
            return;
        common.spread_px2 = fmax(spread_of(&common, point, n), least_spread_px2);
    }
    for (size_t i = 0; i < n; i++)
        for (int axis = 0; axis < 2; axis++) {
            double variance = variance_of(&point[i], axis);
            double share = variance / (variance + common.spread_px2);

            /* The share squared: what is taken from a wave is worse than what is left of chance, which later
             * steps average out. */
            point[i].moved_px[axis] -= share * share * away_of(&common, &point[i], axis);
        }
}
