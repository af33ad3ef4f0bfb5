#include "motion/patch_internal.h"

#include <math.h>
#include <string.h>

enum { MOST_STEPS = 4, TAPS = 6, TAPS_BEFORE = 2, TAPS_AFTER = 3 };
static const double SETTLED_PX = 0.02;
/* How much the piece may be expected to stretch, shear or turn, as change of displacement by place: published
 * strains of the uterine wall are 0.04 to 0.06 (standard deviation; Rees, thesis, table 6.3), and 0.06 rad
 * are 3.4 degrees. */
static const double BENT_BY = 0.06;
static const double MOST_STEP_PX = 1.0; /* in a step, as for shifts */
static const double MOST_AWAY_PX = 3.0; /* in all */
static const double BENT_MUCH_PX =
    0.5; /* at the edge: beyond, one step from the settled place is not enough */

/* How the texture changes at a pixel by each way of moving. */
static void ways_at(const struct patch *patch, size_t i, int x, int y, double way[PATCH_WAYS])
{
    way[0] = (double)patch->slope_x[i];
    way[1] = (double)patch->slope_y[i];
    way[2] = way[0] * x;
    way[3] = way[0] * y;
    way[4] = way[1] * x;
    way[5] = way[1] * y;
}

void patch_sum_ways(struct patch *patch)
{
    for (int y = -patch->shape->reach_y_px; y <= patch->shape->reach_y_px; y++)
        for (int x = -patch->shape->reach_x_px; x <= patch->shape->reach_x_px; x++) {
            size_t i = patch_index(patch->shape, x, y);
            double weight = (double)patch->shape->weight[i];
            double way[PATCH_WAYS];

            if (weight <= 0.0)
                continue;
            ways_at(patch, i, x, y, way);
            for (int p = 0; p < PATCH_WAYS; p++) {
                patch->way_sum[p] += weight * way[p];
                patch->way_texture[p] += weight * way[p] * (double)patch->texture[i];
                for (int q = 0; q <= p; q++)
                    patch->way_products[p][q] += weight * way[p] * way[q];
            }
        }
    for (int p = 0; p < PATCH_WAYS; p++)
        for (int q = 0; q <= p; q++)
            patch->way_products[p][q] -=
                patch->way_sum[p] * patch->way_sum[q] + patch->way_texture[p] * patch->way_texture[q];
}

/* What six pixels in a row count for a place a part of a pixel beyond the third: the polynomial through them
 * (Lagrange). Two by two, speckle comes out smoothed by as much as the place lies between pixels, and a match
 * is drawn there or away: 0.02 to 0.03 px on real frames. */
static void taps_at(double part, float taps[TAPS])
{
    for (int i = 0; i < TAPS; i++) {
        double tap = 1.0;

        for (int j = 0; j < TAPS; j++)
            if (j != i)
                tap *= (part + TAPS_BEFORE - j) / (i - j);
        taps[i] = (float)tap;
    }
}

struct bent_sums {
    lanes mean, square, with_texture, way[PATCH_WAYS];
};

/* Eight columns of a picture between pixels, less mid-grey. */
WIDE_PART void between_columns(lanes *value, const float *at, const float taps[TAPS])
{
    lanes all = {0};

    all -= 128.0F;
    for (int i = 0; i < TAPS; i++) {
        lanes column;

        memcpy(&column, at + i, sizeof column);
        all += taps[i] * column;
    }
    *value = all;
}

/* Eight columns of a patch: sums with each way of moving, and by parts. `at` is the picture's pixel that
 * their first tap takes. */
WIDE static void sum_bent_columns(const struct patch *patch, const float *at, size_t width, size_t column,
                                  const float taps[2][TAPS], struct bent_sums *sums,
                                  struct patch_pulls *pulls)
{
    const struct patch_shape *shape = patch->shape;
    size_t rows = 2 * (size_t)shape->reach_y_px + 1;
    size_t part = column / PATCH_LANES * ((rows + shape->part_rows - 1) / shape->part_rows);
    size_t of_part = 0;
    struct bent_sums all = *sums;
    lanes between[TAPS];
    lanes pull_x = {0};
    lanes pull_y = {0};
    lanes x = {0};

    for (int lane = 0; lane < PATCH_LANES; lane++)
        x[lane] = (float)((int)column + lane - shape->reach_x_px);
    for (int i = 0; i < TAPS - 1; i++, at += width)
        between_columns(&between[i], at, taps[0]);
    for (size_t row = 0; row < rows; row++, at += width) {
        size_t start = row * shape->n_columns + column;
        float y = (float)((int)row - shape->reach_y_px);
        lanes value = {0};
        lanes of_patch;
        lanes weighted;

        between_columns(&between[TAPS - 1], at, taps[0]);
        for (int i = 0; i < TAPS; i++)
            value += taps[1][i] * between[i];
        for (int i = 0; i < TAPS - 1; i++)
            between[i] = between[i + 1];
        memcpy(&weighted, shape->weight + start, sizeof weighted);
        weighted *= value;
        all.mean += weighted;
        all.square += weighted * value;
        memcpy(&of_patch, patch->texture + start, sizeof of_patch);
        all.with_texture += weighted * of_patch;
        memcpy(&of_patch, patch->slope_x + start, sizeof of_patch);
        of_patch *= weighted;
        pull_x += of_patch;
        all.way[2] += of_patch * x;
        all.way[3] += of_patch * y;
        memcpy(&of_patch, patch->slope_y + start, sizeof of_patch);
        of_patch *= weighted;
        pull_y += of_patch;
        all.way[4] += of_patch * x;
        all.way[5] += of_patch * y;
        if (++of_part == shape->part_rows || row + 1 == rows) {
            pulls->slope[part][0] = patch_add_lanes(&pull_x);
            pulls->slope[part++][1] = patch_add_lanes(&pull_y);
            all.way[0] += pull_x;
            all.way[1] += pull_y;
            memset(&pull_x, 0, sizeof pull_x);
            memset(&pull_y, 0, sizeof pull_y);
            of_part = 0;
        }
    }
    *sums = all;
}

/* Weighted sums of the picture under the patch, settled at a place between pixels, with each way of moving,
 * and by parts. False where the picture ends too near. */
static bool sum_bent(const struct patch *patch, const struct raster *raster, double x_px, double y_px,
                     struct patch_sums *plain, double way[PATCH_WAYS], struct patch_pulls *pulls)
{
    double corner_x = x_px - patch->shape->reach_x_px;
    double corner_y = y_px - patch->shape->reach_y_px;
    int left = (int)floor(corner_x);
    int top = (int)floor(corner_y);
    size_t width = (size_t)raster->width_px;
    const float *at = NULL;
    float taps[2][TAPS];
    struct bent_sums sums = {0};

    if (left < TAPS_BEFORE || top < TAPS_BEFORE ||
        left + 2 * patch->shape->reach_x_px + TAPS_AFTER >= raster->width_px ||
        top + 2 * patch->shape->reach_y_px + TAPS_AFTER >= raster->height_px)
        return false;
    taps_at(corner_x - left, taps[0]);
    taps_at(corner_y - top, taps[1]);
    at = raster->value + (size_t)(top - TAPS_BEFORE) * width + (size_t)(left - TAPS_BEFORE);
    for (size_t column = 0; column < patch->shape->n_columns; column += PATCH_LANES)
        sum_bent_columns(patch, at + column, width, column, (const float(*)[TAPS])taps, &sums, pulls);
    plain->mean = patch_add_lanes(&sums.mean);
    plain->square = patch_add_lanes(&sums.square);
    plain->with_texture = patch_add_lanes(&sums.with_texture);
    for (int p = 0; p < PATCH_WAYS; p++)
        way[p] = patch_add_lanes(&sums.way[p]);
    return true;
}

static double correlation_of(const struct patch_sums *plain)
{
    return plain->with_texture / sqrt(fmax(plain->square - plain->mean * plain->mean, 0.25));
}

/* Solves the symmetric system by Cholesky in place; false when it is singular. */
static bool solve_ways(double a[PATCH_WAYS][PATCH_WAYS], double b[PATCH_WAYS])
{
    for (int i = 0; i < PATCH_WAYS; i++)
        for (int j = 0; j <= i; j++) {
            double sum = a[i][j];

            for (int k = 0; k < j; k++)
                sum -= a[i][k] * a[j][k];
            if (i == j && sum < 1e-12)
                return false;
            a[i][j] = i == j ? sqrt(sum) : sum / a[j][j];
        }
    for (int i = 0; i < PATCH_WAYS; i++) {
        for (int k = 0; k < i; k++)
            b[i] -= a[i][k] * b[k];
        b[i] /= a[i][i];
    }
    for (int i = PATCH_WAYS - 1; i >= 0; i--) {
        for (int k = i + 1; k < PATCH_WAYS; k++)
            b[i] -= a[k][i] * b[k];
        b[i] /= a[i][i];
    }
    return true;
}

/* The same sums where the piece lies bent in the picture: to[] holds the way of its middle and how it changes
 * along x and y. False where a part of it lies outside. */
static bool sum_bent_there(const struct patch *patch, const struct raster *raster,
                           const double to[PATCH_WAYS], struct patch_sums *plain, double way[PATCH_WAYS])
{
    const struct patch_shape *shape = patch->shape;
    double reach_x = (1.0 + fabs(to[2])) * shape->reach_x_px + fabs(to[3]) * shape->reach_y_px;
    double reach_y = (1.0 + fabs(to[5])) * shape->reach_y_px + fabs(to[4]) * shape->reach_x_px;
    double values[PATCH_WAYS];

    memset(plain, 0, sizeof *plain);
    memset(way, 0, PATCH_WAYS * sizeof *way);
    if (to[0] - reach_x < 0.0 || to[1] - reach_y < 0.0 || to[0] + reach_x > raster->width_px - 1 ||
        to[1] + reach_y > raster->height_px - 1)
        return false;
    for (int y = -shape->reach_y_px; y <= shape->reach_y_px; y++)
        for (int x = -shape->reach_x_px; x <= shape->reach_x_px; x++) {
            size_t i = patch_index(shape, x, y);
            double weighted = (double)shape->weight[i];
            double value = 0.0;

            if (weighted <= 0.0)
                continue;
            value = (double)raster_at(raster, to[0] + x + to[2] * x + to[3] * y,
                                      to[1] + y + to[4] * x + to[5] * y) -
                    128.0;
            weighted *= value;
            plain->mean += weighted;
            plain->square += weighted * value;
            plain->with_texture += weighted * (double)patch->texture[i];
            ways_at(patch, i, x, y, values);
            for (int p = 0; p < PATCH_WAYS; p++)
                way[p] += weighted * values[p];
        }
    return true;
}

/* One step of least squares in all six ways of moving from where the piece lies; how far it bends is held to
 * what tissue does, by how much its noise leaves open. False where it cannot be told. */
static bool step_bent(const struct patch *patch, const struct patch_sums *plain, double way[PATCH_WAYS],
                      double correlation, const double to[PATCH_WAYS])
{
    double a[PATCH_WAYS][PATCH_WAYS];
    double held = (1.0 - correlation * correlation) / (patch->n_effective * BENT_BY * BENT_BY);
    double variance = plain->square - plain->mean * plain->mean;

    if (variance < 0.25)
        return false;
    memcpy(a, patch->way_products, sizeof a);
    for (int p = 0; p < PATCH_WAYS; p++) {
        way[p] =
            correlation * patch->way_texture[p] - (way[p] - plain->mean * patch->way_sum[p]) / sqrt(variance);
        if (p >= PATCH_SHIFTS) {
            a[p][p] += held;
            way[p] -= held * to[p];
        }
    }
    return solve_ways(a, way);
}

/* What the piece's stretching, shearing and turning did to its place: texture lies unevenly in it, and where
 * it lies to one side the patch tells the movement of that side. From the settled place one step; where the
 * piece bends by much, some more from where it then lies. */
void patch_unbend(const struct patch *patch, const struct raster *raster, struct patch_match *match)
{
    double to[PATCH_WAYS] = {match->x_px, match->y_px};
    struct patch_sums plain = {0};
    struct patch_pulls pulls;
    double way[PATCH_WAYS];
    double reach = fmax(patch->shape->reach_x_px, patch->shape->reach_y_px);

    if (!sum_bent(patch, raster, match->x_px, match->y_px, &plain, way, &pulls))
        return;
    patch_tell_error(patch, &pulls, plain.mean,
                     1.0 / sqrt(fmax(plain.square - plain.mean * plain.mean, 0.25)), correlation_of(&plain),
                     match->error_px);
    for (int step = 0; step < MOST_STEPS && step_bent(patch, &plain, way, correlation_of(&plain), to);
         step++) {
        double size = fmax(1.0, hypot(way[0], way[1]) / MOST_STEP_PX);
        double bent_px = 0.0;

        for (int p = 0; p < PATCH_WAYS; p++) {
            to[p] += way[p] / size;
            if (p >= PATCH_SHIFTS)
                bent_px = fmax(bent_px, fabs(to[p]) * reach);
        }
        if (hypot(to[0] - match->x_px, to[1] - match->y_px) > MOST_AWAY_PX)
            return;
        if (bent_px < BENT_MUCH_PX || hypot(way[0], way[1]) < SETTLED_PX ||
            !sum_bent_there(patch, raster, to, &plain, way))
            break;
    }
    match->x_px = to[0];
    match->y_px = to[1];
}
