#include "motion/patch_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    MOST_STEPS = 20,
    ROWS_TOGETHER = 4, /* summed as float before they are added as double */
};
static const double SETTLED_PX = 0.01;
static const double CUT_SIGMAS = 2.0;
static const int PART_ROWS =
    4; /* the noise of neighbouring pixels is alike over two (canvas: sigma 0.7 px) */

static void weigh(struct patch_shape *shape, double sigma_x_px, double sigma_y_px)
{
    double sum = 0.0;

    for (int y = -shape->reach_y_px; y <= shape->reach_y_px; y++)
        for (int x = -shape->reach_x_px; x <= shape->reach_x_px; x++) {
            size_t i = patch_index(shape, x, y);
            double away = (x / sigma_x_px) * (x / sigma_x_px) + (y / sigma_y_px) * (y / sigma_y_px);

            shape->weight[i] = away <= CUT_SIGMAS * CUT_SIGMAS ? (float)exp(-0.5 * away) : 0.0F;
            sum += shape->weight[i];
        }
    for (size_t i = 0; i < shape->n; i++)
        shape->weight[i] = (float)(shape->weight[i] / sum);
}

struct patch_shape *patch_shape_make(double sigma_x_px, double sigma_y_px)
{
    struct patch_shape *made = calloc(1, sizeof *made);
    size_t rows = 0;
    size_t columns = 0;

    if (made == NULL)
        return NULL;
    made->reach_x_px = (int)ceil(CUT_SIGMAS * sigma_x_px);
    made->reach_y_px = (int)ceil(CUT_SIGMAS * sigma_y_px);
    made->n_columns = ((size_t)(2 * made->reach_x_px + 1) + PATCH_LANES - 1) / PATCH_LANES * PATCH_LANES;
    made->n = made->n_columns * (size_t)(2 * made->reach_y_px + 1);
    rows = 2 * (size_t)made->reach_y_px + 1;
    columns = made->n_columns / PATCH_LANES;
    made->part_rows = PART_ROWS;
    while ((rows + made->part_rows - 1) / made->part_rows * columns > PATCH_MOST_PARTS &&
           made->part_rows < rows)
        made->part_rows++;
    made->n_parts = (rows + made->part_rows - 1) / made->part_rows * columns;
    made->weight = calloc(made->n, sizeof *made->weight);
    if (made->weight == NULL) {
        patch_shape_free(&made);
        return NULL;
    }
    weigh(made, sigma_x_px, sigma_y_px);
    return made;
}

void patch_shape_free(struct patch_shape **shape)
{
    if (shape == NULL || *shape == NULL)
        return;
    free((*shape)->weight);
    free(*shape);
    *shape = NULL;
}

/* Fills texture and slopes; false where the piece is flat. */
static bool take_texture(struct patch *patch, const struct raster *raster)
{
    size_t width = (size_t)raster->width_px;
    double mean = 0.0;
    double square = 0.0;
    double scale = 0.0;

    for (int y = -patch->shape->reach_y_px; y <= patch->shape->reach_y_px; y++)
        for (int x = -patch->shape->reach_x_px; x <= patch->shape->reach_x_px; x++) {
            size_t i = patch_index(patch->shape, x, y);
            const float *at = raster->value + (size_t)(patch->y_px + y) * width + (size_t)(patch->x_px + x);

            patch->texture[i] = at[0];
            patch->slope_x[i] = 0.5F * (at[1] - at[-1]);
            patch->slope_y[i] = 0.5F * (*(at + width) - *(at - width));
            mean += (double)patch->shape->weight[i] * at[0];
        }
    for (size_t i = 0; i < patch->shape->n; i++) {
        double away = patch->texture[i] - mean;

        square += patch->shape->weight[i] * away * away;
    }
    if (square < 1.0) /* less than one grey level of texture */
        return false;
    scale = 1.0 / sqrt(square);
    for (size_t i = 0; i < patch->shape->n; i++) {
        patch->texture[i] = (float)((patch->texture[i] - mean) * scale);
        patch->slope_x[i] = (float)(patch->slope_x[i] * scale);
        patch->slope_y[i] = (float)(patch->slope_y[i] * scale);
    }
    return true;
}

/* Sums that every search needs; false where the texture runs in one direction only. */
static bool sum_slopes(struct patch *patch)
{
    double xx = 0.0;
    double xy = 0.0;
    double yy = 0.0;
    double determinant = 0.0;
    double weight_square = 0.0;

    for (size_t i = 0; i < patch->shape->n; i++) {
        double weight = patch->shape->weight[i];
        double slope_x = patch->slope_x[i];
        double slope_y = patch->slope_y[i];

        xx += weight * slope_x * slope_x;
        xy += weight * slope_x * slope_y;
        yy += weight * slope_y * slope_y;
        weight_square += weight * weight;
    }
    determinant = xx * yy - xy * xy;
    if (determinant < 1e-3 * (xx + yy) * (xx + yy) * 0.25)
        return false;
    patch->inverse_xx = yy / determinant;
    patch->inverse_xy = -xy / determinant;
    patch->inverse_yy = xx / determinant;
    /* A texture of unit variance with mean square slope g has cells of about 2 pi / g pixels. */
    patch->n_effective = fmax(1.0, sqrt(determinant) / (2.0 * 3.14159265358979) / weight_square);
    return true;
}

struct patch *patch_make_shaped(const struct raster *raster, int x_px, int y_px,
                                const struct patch_shape *shape)
{
    struct patch *made = NULL;
    float *values = NULL;
    struct patch_part *parts = NULL;

    if (x_px - shape->reach_x_px < 1 || y_px - shape->reach_y_px < 1 ||
        x_px + shape->reach_x_px >= raster->width_px - 1 || y_px + shape->reach_y_px >= raster->height_px - 1)
        return NULL;
    made = calloc(1, sizeof *made);
    values = calloc(3 * shape->n, sizeof *values);
    parts = calloc(shape->n_parts, sizeof *parts);
    if (made == NULL || values == NULL || parts == NULL) {
        free(made);
        free(values);
        free(parts);
        return NULL;
    }
    made->parts = parts;
    made->shape = shape;
    made->x_px = x_px;
    made->y_px = y_px;
    made->texture = values;
    made->slope_x = values + shape->n;
    made->slope_y = values + 2 * shape->n;
    if (!take_texture(made, raster) || !sum_slopes(made))
        patch_free(&made);
    else {
        patch_sum_ways(made);
        patch_sum_parts(made);
    }
    return made;
}

struct patch *patch_make(const struct raster *raster, int x_px, int y_px, double sigma_x_px,
                         double sigma_y_px)
{
    struct patch_shape *shape = patch_shape_make(sigma_x_px, sigma_y_px);
    struct patch *made = shape != NULL ? patch_make_shaped(raster, x_px, y_px, shape) : NULL;

    if (made == NULL)
        patch_shape_free(&shape);
    else
        made->own = shape;
    return made;
}

void patch_free(struct patch **patch)
{
    if (patch == NULL || *patch == NULL)
        return;
    patch_shape_free(&(*patch)->own);
    free((*patch)->texture);
    free((*patch)->parts);
    free(*patch);
    *patch = NULL;
}

struct lane_sums {
    lanes mean, square, with_texture, with_x, with_y;
};

/* Rows [row, end) of a patch whose corner lies on `corner` of a picture. */
WIDE static void sum_rows(const struct patch *patch, const float *corner, size_t width, int row, int end,
                          float part_x, float part_y, struct lane_sums *sums)
{
    struct lane_sums all = {0};

    for (; row < end; row++) {
        const float *upper = corner + (size_t)row * width;
        const float *lower = upper + width;
        size_t start = (size_t)row * patch->shape->n_columns;

        for (size_t i = 0; i < patch->shape->n_columns; i += PATCH_LANES) {
            lanes value;
            lanes of_patch;
            lanes weighted;

            patch_between(&value, upper + i, lower + i, part_x, part_y);
            memcpy(&weighted, patch->shape->weight + start + i, sizeof weighted);
            weighted *= value;
            all.mean += weighted;
            all.square += weighted * value;
            memcpy(&of_patch, patch->texture + start + i, sizeof of_patch);
            all.with_texture += weighted * of_patch;
            memcpy(&of_patch, patch->slope_x + start + i, sizeof of_patch);
            all.with_x += weighted * of_patch;
            memcpy(&of_patch, patch->slope_y + start + i, sizeof of_patch);
            all.with_y += weighted * of_patch;
        }
    }
    *sums = all;
}

static struct patch_sums sum_under(const struct patch *patch, const struct raster *raster, int left, int top,
                                   float part_x, float part_y)
{
    size_t width = (size_t)raster->width_px;
    struct patch_sums all = {0};

    for (int row = 0; row <= 2 * patch->shape->reach_y_px; row += ROWS_TOGETHER) {
        int end = row + ROWS_TOGETHER;
        struct lane_sums sums = {0};

        end = end <= 2 * patch->shape->reach_y_px ? end : 2 * patch->shape->reach_y_px + 1;
        sum_rows(patch, raster->value + (size_t)top * width + (size_t)left, width, row, end, part_x, part_y,
                 &sums);
        all.mean += patch_add_lanes(&sums.mean);
        all.square += patch_add_lanes(&sums.square);
        all.with_texture += patch_add_lanes(&sums.with_texture);
        all.with_slope_x += patch_add_lanes(&sums.with_x);
        all.with_slope_y += patch_add_lanes(&sums.with_y);
    }
    return all;
}

/* One look at a place: correlation and the step that would better it. False outside or on flat ground. */
static bool look(const struct patch *patch, const struct raster *raster, double x_px, double y_px,
                 double *correlation, double *step_x, double *step_y)
{
    double corner_x = x_px - patch->shape->reach_x_px;
    double corner_y = y_px - patch->shape->reach_y_px;
    int left = (int)floor(corner_x);
    int top = (int)floor(corner_y);
    struct patch_sums sums = {0};
    double variance = 0.0;
    double scale = 0.0;
    double pull_x = 0.0;
    double pull_y = 0.0;

    if (!patch_is_inside(patch, raster, left, top))
        return false;
    sums = sum_under(patch, raster, left, top, (float)(corner_x - left), (float)(corner_y - top));
    variance = sums.square - sums.mean * sums.mean;
    if (variance < 0.25)
        return false;
    scale = 1.0 / sqrt(variance);
    *correlation = sums.with_texture * scale;
    pull_x =
        (sums.with_slope_x - sums.mean * patch->way_sum[0]) * scale - *correlation * patch->way_texture[0];
    pull_y =
        (sums.with_slope_y - sums.mean * patch->way_sum[1]) * scale - *correlation * patch->way_texture[1];
    *step_x = -(patch->inverse_xx * pull_x + patch->inverse_xy * pull_y);
    *step_y = -(patch->inverse_xy * pull_x + patch->inverse_yy * pull_y);
    return true;
}

/* What the loss of correlation says, where nothing better does. */
static double error_of(const struct patch *patch, double correlation)
{
    double rho = fmin(fmax(correlation, 0.05), 0.9999);
    double inverse = 0.5 * (patch->inverse_xx + patch->inverse_yy);

    return sqrt((1.0 - rho * rho) / (rho * rho) * inverse / patch->n_effective);
}

bool patch_find_stiff(const struct patch *patch, const struct raster *raster, double reach_px,
                      struct patch_match *match)
{
    double x = match->x_px;
    double y = match->y_px;
    double correlation = 0.0;

    match->correlation = 0.0;
    for (int step = 0; step < MOST_STEPS; step++) {
        double step_x = 0.0;
        double step_y = 0.0;
        double gain = 0.0;
        double size = 0.0;

        if (!look(patch, raster, x, y, &correlation, &step_x, &step_y))
            return false;
        gain = 1.0 / fmax(correlation, 0.3);
        size = hypot(step_x, step_y) * gain;
        if (size > 1.0)
            gain /= size; /* at most one pixel at a time: gradients say nothing beyond a speckle */
        x += gain * step_x;
        y += gain * step_y;
        if (hypot(x - match->x_px, y - match->y_px) > reach_px)
            return false;
        if (size < SETTLED_PX) {
            match->x_px = x;
            match->y_px = y;
            match->correlation = correlation;
            match->error_px[0] = match->error_px[1] = error_of(patch, correlation);
            return true;
        }
    }
    return false;
}

bool patch_find(const struct patch *patch, const struct raster *raster, double reach_px,
                struct patch_match *match)
{
    if (!patch_find_stiff(patch, raster, reach_px, match))
        return false;
    patch_unbend(patch, raster, match);
    return true;
}
