#include "image/raster.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct raster *raster_make(int width_px, int height_px)
{
    struct raster *made = NULL;

    if (width_px <= 0 || height_px <= 0)
        return NULL;
    made = calloc(1, sizeof *made);
    if (made == NULL)
        return NULL;
    made->width_px = width_px;
    made->height_px = height_px;
    made->value = calloc((size_t)width_px * (size_t)height_px, sizeof *made->value);
    if (made->value == NULL)
        raster_free(&made);
    return made;
}

struct raster *raster_copy(const struct raster *raster)
{
    struct raster *made = raster_make(raster->width_px, raster->height_px);

    if (made != NULL)
        memcpy(made->value, raster->value,
               (size_t)raster->width_px * (size_t)raster->height_px * sizeof *made->value);
    return made;
}

void raster_free(struct raster **raster)
{
    if (raster == NULL || *raster == NULL)
        return;
    free((*raster)->value);
    free(*raster);
    *raster = NULL;
}

static double within(double value, double low, double high)
{
    return value < low ? low : value > high ? high : value;
}

float raster_at(const struct raster *raster, double x_px, double y_px)
{
    double x = within(x_px, 0.0, raster->width_px - 1.0);
    double y = within(y_px, 0.0, raster->height_px - 1.0);
    int column = (int)x;
    int row = (int)y;
    int next_column = column + 1 < raster->width_px ? column + 1 : column;
    int next_row = row + 1 < raster->height_px ? row + 1 : row;
    float part_x = (float)(x - column);
    float part_y = (float)(y - row);
    const float *upper = raster->value + (size_t)row * (size_t)raster->width_px;
    const float *lower = raster->value + (size_t)next_row * (size_t)raster->width_px;
    float above = upper[column] + part_x * (upper[next_column] - upper[column]);
    float below = lower[column] + part_x * (lower[next_column] - lower[column]);

    return above + part_y * (below - above);
}

/* One line of n values, `stride` apart, smoothed through a padded copy. */
static void smooth_line(float *line, int n, size_t stride, const float *kernel, int radius, float *padded)
{
    for (int i = -radius; i < n + radius; i++) {
        int from = i < 0 ? 0 : i >= n ? n - 1 : i;

        padded[i + radius] = line[(size_t)from * stride];
    }
    for (int i = 0; i < n; i++) {
        const float *window = padded + i;
        float sum = kernel[0] * window[radius];

        for (int k = 1; k <= radius; k++)
            sum += kernel[k] * (window[radius - k] + window[radius + k]);
        line[(size_t)i * stride] = sum;
    }
}

/* The half of a Gaussian from its middle on, summing to 1 over the whole; the caller frees. */
static float *half_gaussian(double sigma_px, int *radius)
{
    float *kernel = NULL;
    double sum = 0.0;

    *radius = (int)ceil(3.5 * sigma_px);
    kernel = malloc(((size_t)*radius + 1) * sizeof *kernel);
    if (kernel == NULL)
        return NULL;
    for (int k = 0; k <= *radius; k++) {
        double value = exp(-0.5 * (k / sigma_px) * (k / sigma_px));

        kernel[k] = (float)value;
        sum += k == 0 ? value : 2.0 * value;
    }
    for (int k = 0; k <= *radius; k++)
        kernel[k] = (float)(kernel[k] / sum);
    return kernel;
}

static bool smooth_along(struct raster *raster, double sigma_px, bool is_horizontal)
{
    size_t width = (size_t)raster->width_px;
    int n = is_horizontal ? raster->width_px : raster->height_px;
    int n_lines = is_horizontal ? raster->height_px : raster->width_px;
    int radius = 0;
    float *kernel = NULL;
    float *padded = NULL;
    bool is_done = false;

    if (sigma_px < 1e-3)
        return true;
    kernel = half_gaussian(sigma_px, &radius);
    padded = malloc(((size_t)n + 2 * (size_t)radius) * sizeof *padded);
    if (kernel != NULL && padded != NULL) {
        for (int i = 0; i < n_lines; i++)
            smooth_line(raster->value + (size_t)i * (is_horizontal ? width : 1), n, is_horizontal ? 1 : width,
                        kernel, radius, padded);
        is_done = true;
    }
    free(padded);
    free(kernel);
    return is_done;
}

bool raster_smooth(struct raster *raster, double sigma_x_px, double sigma_y_px)
{
    return smooth_along(raster, sigma_x_px, true) && smooth_along(raster, sigma_y_px, false);
}

static double row_average(const uint8_t *row, int width_px, double from, double to)
{
    double sum = 0.0;

    for (int x = (int)floor(from); x < (int)ceil(to); x++) {
        double part = fmin(to, x + 1.0) - fmax(from, x);
        int column = x < 0 ? 0 : x >= width_px ? width_px - 1 : x;

        sum += part * row[column];
    }
    return sum / (to - from);
}

void raster_reduce(struct raster *raster, const uint8_t *luma, int width_px, int height_px, double left_px,
                   double top_px, double step_x_px, double step_y_px)
{
    bool is_copy = step_x_px == 1.0 && step_y_px == 1.0 && left_px == floor(left_px) &&
                   top_px == floor(top_px) && left_px >= 0 && top_px >= 0 &&
                   left_px + raster->width_px <= width_px && top_px + raster->height_px <= height_px;

    for (int row = 0; row < raster->height_px; row++) {
        float *out = raster->value + (size_t)row * (size_t)raster->width_px;
        double from = top_px + row * step_y_px;
        double to = from + step_y_px;

        if (is_copy) {
            const uint8_t *in = luma + (size_t)from * (size_t)width_px + (size_t)left_px;

            for (int column = 0; column < raster->width_px; column++)
                out[column] = in[column];
            continue;
        }
        for (int column = 0; column < raster->width_px; column++)
            out[column] = 0.0F;
        for (int y = (int)floor(from); y < (int)ceil(to); y++) {
            double part = (fmin(to, y + 1.0) - fmax(from, y)) / step_y_px;
            int line = y < 0 ? 0 : y >= height_px ? height_px - 1 : y;
            const uint8_t *in = luma + (size_t)line * (size_t)width_px;

            for (int column = 0; column < raster->width_px; column++) {
                double start = left_px + column * step_x_px;

                out[column] += (float)(part * row_average(in, width_px, start, start + step_x_px));
            }
        }
    }
}
