#include "motion/patch.h"

#include <math.h>
#include <stdlib.h>

enum { MOST_STEPS = 20 };
static const double SETTLED_PX = 0.01;
static const double CUT_SIGMAS = 2.0;

struct patch {
    int x_px, y_px;             /* centre in the picture that it was cut from */
    int reach_x_px, reach_y_px; /* half sides */
    size_t n;
    float *weight;  /* n, summing to 1 */
    float *texture; /* n, weighted mean 0, weighted variance 1 */
    float *slope_x; /* n, of the texture, per pixel */
    float *slope_y;
    double sum_slope_x, sum_slope_y;           /* weighted sums of slopes */
    double texture_slope_x, texture_slope_y;   /* weighted sums of texture times slope */
    double inverse_xx, inverse_xy, inverse_yy; /* inverse of the weighted slope products */
    double n_effective;                        /* independent speckle cells that the weights cover, >= 1 */
};

static bool weigh(struct patch *patch, double sigma_x_px, double sigma_y_px)
{
    double sum = 0.0;
    size_t i = 0;

    for (int y = -patch->reach_y_px; y <= patch->reach_y_px; y++)
        for (int x = -patch->reach_x_px; x <= patch->reach_x_px; x++) {
            double away = (x / sigma_x_px) * (x / sigma_x_px) + (y / sigma_y_px) * (y / sigma_y_px);

            patch->weight[i] = away <= CUT_SIGMAS * CUT_SIGMAS ? (float)exp(-0.5 * away) : 0.0F;
            sum += patch->weight[i++];
        }
    for (i = 0; i < patch->n; i++)
        patch->weight[i] = (float)(patch->weight[i] / sum);
    return sum > 0.0;
}

/* Fills texture and slopes; false where the piece is flat. */
static bool take_texture(struct patch *patch, const struct raster *raster)
{
    size_t width = (size_t)raster->width_px;
    double mean = 0.0;
    double square = 0.0;
    double scale = 0.0;
    size_t i = 0;

    for (int y = -patch->reach_y_px; y <= patch->reach_y_px; y++)
        for (int x = -patch->reach_x_px; x <= patch->reach_x_px; x++, i++) {
            const float *at = raster->value + (size_t)(patch->y_px + y) * width + (size_t)(patch->x_px + x);

            patch->texture[i] = at[0];
            patch->slope_x[i] = 0.5F * (at[1] - at[-1]);
            patch->slope_y[i] = 0.5F * (*(at + width) - *(at - width));
            mean += (double)patch->weight[i] * at[0];
        }
    for (i = 0; i < patch->n; i++) {
        double away = patch->texture[i] - mean;

        square += patch->weight[i] * away * away;
    }
    if (square < 1.0) /* less than one grey level of texture */
        return false;
    scale = 1.0 / sqrt(square);
    for (i = 0; i < patch->n; i++) {
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

    for (size_t i = 0; i < patch->n; i++) {
        double weight = patch->weight[i];
        double slope_x = patch->slope_x[i];
        double slope_y = patch->slope_y[i];

        patch->sum_slope_x += weight * slope_x;
        patch->sum_slope_y += weight * slope_y;
        patch->texture_slope_x += weight * patch->texture[i] * slope_x;
        patch->texture_slope_y += weight * patch->texture[i] * slope_y;
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

struct patch *patch_make(const struct raster *raster, int x_px, int y_px, double sigma_x_px,
                         double sigma_y_px)
{
    int reach_x = (int)ceil(CUT_SIGMAS * sigma_x_px);
    int reach_y = (int)ceil(CUT_SIGMAS * sigma_y_px);
    struct patch *made = NULL;
    float *values = NULL;

    if (x_px - reach_x < 1 || y_px - reach_y < 1 || x_px + reach_x > raster->width_px - 2 ||
        y_px + reach_y > raster->height_px - 2)
        return NULL;
    made = calloc(1, sizeof *made);
    if (made == NULL)
        return NULL;
    made->x_px = x_px;
    made->y_px = y_px;
    made->reach_x_px = reach_x;
    made->reach_y_px = reach_y;
    made->n = (size_t)(2 * reach_x + 1) * (size_t)(2 * reach_y + 1);
    values = calloc(4 * made->n, sizeof *values);
    made->weight = values;
    if (values == NULL) {
        patch_free(&made);
        return NULL;
    }
    made->texture = values + made->n;
    made->slope_x = values + 2 * made->n;
    made->slope_y = values + 3 * made->n;
    if (!weigh(made, sigma_x_px, sigma_y_px) || !take_texture(made, raster) || !sum_slopes(made))
        patch_free(&made);
    return made;
}

void patch_free(struct patch **patch)
{
    if (patch == NULL || *patch == NULL)
        return;
    free((*patch)->weight);
    free(*patch);
    *patch = NULL;
}

/* Weighted sums over the picture under the patch. */
struct sums {
    double mean, square, with_texture, with_slope_x, with_slope_y;
};

static struct sums sum_under(const struct patch *patch, const struct raster *raster, int left, int top,
                             float part_x, float part_y)
{
    int n_columns = 2 * patch->reach_x_px + 1;
    size_t width = (size_t)raster->width_px;
    struct sums all = {0};

    for (int row = 0; row <= 2 * patch->reach_y_px; row++) {
        const float *upper = raster->value + (size_t)(top + row) * width + (size_t)left;
        const float *lower = upper + width;
        size_t start = (size_t)row * (size_t)n_columns;
        const float *weight = patch->weight + start;
        const float *texture = patch->texture + start;
        const float *slope_x = patch->slope_x + start;
        const float *slope_y = patch->slope_y + start;
        float mean = 0.0F;
        float square = 0.0F;
        float with_texture = 0.0F;
        float with_x = 0.0F;
        float with_y = 0.0F;

#pragma omp simd reduction(+ : mean, square, with_texture, with_x, with_y)
        for (int i = 0; i < n_columns; i++) {
            float above = upper[i] + part_x * (upper[i + 1] - upper[i]);
            float below = lower[i] + part_x * (lower[i + 1] - lower[i]);
            float value = above + part_y * (below - above) - 128.0F;
            float weighted = weight[i] * value;

            mean += weighted;
            square += weighted * value;
            with_texture += weighted * texture[i];
            with_x += weighted * slope_x[i];
            with_y += weighted * slope_y[i];
        }
        all.mean += (double)mean;
        all.square += (double)square;
        all.with_texture += (double)with_texture;
        all.with_slope_x += (double)with_x;
        all.with_slope_y += (double)with_y;
    }
    return all;
}

/* One look at a place: correlation and the step that would better it. False outside or on flat ground. */
static bool look(const struct patch *patch, const struct raster *raster, double x_px, double y_px,
                 double *correlation, double *step_x, double *step_y)
{
    double corner_x = x_px - patch->reach_x_px;
    double corner_y = y_px - patch->reach_y_px;
    int left = (int)floor(corner_x);
    int top = (int)floor(corner_y);
    struct sums sums = {0};
    double variance = 0.0;
    double scale = 0.0;
    double pull_x = 0.0;
    double pull_y = 0.0;

    if (left < 0 || top < 0 || left + 2 * patch->reach_x_px + 1 >= raster->width_px ||
        top + 2 * patch->reach_y_px + 1 >= raster->height_px)
        return false;
    sums = sum_under(patch, raster, left, top, (float)(corner_x - left), (float)(corner_y - top));
    variance = sums.square - sums.mean * sums.mean;
    if (variance < 0.25)
        return false;
    scale = 1.0 / sqrt(variance);
    *correlation = sums.with_texture * scale;
    pull_x =
        (sums.with_slope_x - sums.mean * patch->sum_slope_x) * scale - *correlation * patch->texture_slope_x;
    pull_y =
        (sums.with_slope_y - sums.mean * patch->sum_slope_y) * scale - *correlation * patch->texture_slope_y;
    *step_x = -(patch->inverse_xx * pull_x + patch->inverse_xy * pull_y);
    *step_y = -(patch->inverse_xy * pull_x + patch->inverse_yy * pull_y);
    return true;
}

static double error_of(const struct patch *patch, double correlation)
{
    double rho = fmin(fmax(correlation, 0.05), 0.9999);
    double inverse = 0.5 * (patch->inverse_xx + patch->inverse_yy);

    return sqrt((1.0 - rho * rho) / (rho * rho) * inverse / patch->n_effective);
}

bool patch_find(const struct patch *patch, const struct raster *raster, double reach_px,
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
            match->error_px = error_of(patch, correlation);
            return true;
        }
    }
    return false;
}
