#include "image/raster.h"

#include "base/wide.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { STRIP_PX = 64 }; /* columns smoothed together */

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
    made->value = calloc((size_t)width_px * (size_t)height_px + RASTER_SPARE, sizeof *made->value);
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

/* One row of n smoothed values from values whose neighbours lie `apart` from one another. */
WIDE static void smooth_row(float *out, const float *middle, size_t n, size_t apart, const float *kernel,
                            int radius)
{
#pragma omp simd
    for (size_t i = 0; i < n; i++)
        out[i] = kernel[0] * middle[i];
    for (int k = 1; k <= radius; k++) {
        const float *before = middle - (size_t)k * apart;
        const float *after = middle + (size_t)k * apart;
        float part = kernel[k];

#pragma omp simd
        for (size_t i = 0; i < n; i++)
            out[i] += part * (before[i] + after[i]);
    }
}

static void smooth_rows(struct raster *raster, const float *kernel, int radius, float *padded)
{
    size_t width = (size_t)raster->width_px;
    size_t edge = (size_t)radius;

    for (size_t y = 0; y < (size_t)raster->height_px; y++) {
        float *row = raster->value + y * width;

        memcpy(padded + edge, row, width * sizeof *row);
        for (size_t i = 0; i < edge; i++) {
            padded[i] = row[0];
            padded[edge + width + i] = row[width - 1];
        }
        smooth_row(row, padded + edge, width, 1, kernel, radius);
    }
}

/* Columns in strips that are read and written row by row, as memory lies. */
static void smooth_columns(struct raster *raster, const float *kernel, int radius, float *padded)
{
    size_t width = (size_t)raster->width_px;
    int height = raster->height_px;

    for (size_t left = 0; left < width; left += STRIP_PX) {
        size_t n = width - left < STRIP_PX ? width - left : STRIP_PX;

        for (int y = -radius; y < height + radius; y++) {
            size_t from = (size_t)(y < 0 ? 0 : y >= height ? height - 1 : y);

            memcpy(padded + (size_t)(y + radius) * n, raster->value + from * width + left,
                   n * sizeof *padded);
        }
        for (int y = 0; y < height; y++)
            smooth_row(raster->value + (size_t)y * width + left, padded + (size_t)(y + radius) * n, n, n,
                       kernel, radius);
    }
}

/* The half of a Gaussian from its middle on, summing to 1 over the whole; the caller frees. */
static float *half_gaussian(double sigma_px, int *radius)
{
    float *kernel = NULL;
    double sum = 0.0;

    *radius = (int)ceil(3.5 * sigma_px);
    kernel = calloc((size_t)*radius + 1, sizeof *kernel);
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
    size_t n = (size_t)(is_horizontal ? raster->width_px : raster->height_px);
    int radius = 0;
    float *kernel = NULL;
    float *padded = NULL;
    bool is_done = false;

    if (sigma_px < 1e-3)
        return true;
    kernel = half_gaussian(sigma_px, &radius);
    padded = malloc((n + 2 * (size_t)radius) * (is_horizontal ? 1 : STRIP_PX) * sizeof *padded);
    is_done = kernel != NULL && padded != NULL;
    if (is_done && is_horizontal)
        smooth_rows(raster, kernel, radius, padded);
    else if (is_done)
        smooth_columns(raster, kernel, radius, padded);
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
