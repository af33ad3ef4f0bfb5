#include "motion/shift.h"

#include "base/fourier.h"
#include "base/wide.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct shift {
    int width_px;
    int height_px;
    struct fourier *fourier;
};

struct shift *shift_make(int width_px, int height_px)
{
    struct shift *made = calloc(1, sizeof *made);

    if (made == NULL)
        return NULL;
    made->width_px = width_px;
    made->height_px = height_px;
    made->fourier = fourier_make((size_t)height_px, (size_t)width_px);
    if (made->fourier == NULL)
        shift_free(&made);
    return made;
}

void shift_free(struct shift **shift)
{
    if (shift == NULL || *shift == NULL)
        return;
    fourier_free(&(*shift)->fourier);
    free(*shift);
    *shift = NULL;
}

static double taper(int i, int n)
{
    return 0.5 - 0.5 * cos(2.0 * 3.14159265358979 * (i + 0.5) / n);
}

static void transform(struct shift *shift, const struct raster *raster, const struct raster *window)
{
    double *real = fourier_real(shift->fourier);
    size_t n = (size_t)shift->width_px * (size_t)shift->height_px;
    double mean = 0.0;
    double total = 0.0;

    for (size_t i = 0; i < n; i++) {
        double weight = window != NULL ? window->value[i] : 1.0;

        mean += weight * raster->value[i];
        total += weight;
    }
    mean = total > 0.0 ? mean / total : 0.0;
    for (int y = 0; y < shift->height_px; y++)
        for (int x = 0; x < shift->width_px; x++) {
            size_t i = (size_t)y * (size_t)shift->width_px + (size_t)x;
            double weight = window != NULL ? (double)window->value[i]
                                           : taper(x, shift->width_px) * taper(y, shift->height_px);

            real[i] = weight * (raster->value[i] - mean);
        }
    fourier_forward(shift->fourier);
}

/* Where a parabola through three heights has its top, from the middle one. */
static double top_of(double before, double middle, double after)
{
    double bend = before - 2.0 * middle + after;

    return bend < 0.0 ? fmin(fmax(0.5 * (before - after) / bend, -0.5), 0.5) : 0.0;
}

/* From one place of a map to another, around its edges. */
static int apart(int a, int b, int n)
{
    int straight = abs(a - b);

    return straight < n - straight ? straight : n - straight;
}

/* The highest of the map farther than reach_px from (x, y); 0 when there is none. */
static double second_peak(const struct shift *shift, int x, int y, double reach_px)
{
    const double *real = fourier_real(shift->fourier);
    double highest = 0.0;

    for (int row = 0; row < shift->height_px; row++) {
        double dy = apart(row, y, shift->height_px);

        for (int column = 0; column < shift->width_px; column++) {
            double height = real[(size_t)row * (size_t)shift->width_px + (size_t)column];
            double dx = apart(column, x, shift->width_px);

            if (height > highest && dx * dx + dy * dy > reach_px * reach_px)
                highest = height;
        }
    }
    return highest;
}

static struct shift_answer read_peak(const struct shift *shift, double reach_px)
{
    const double *real = fourier_real(shift->fourier);
    int width = shift->width_px;
    int height = shift->height_px;
    size_t n = (size_t)width * (size_t)height;
    size_t best = 0;
    double square = 0.0;
    double second = 0.0;
    int x = 0;
    int y = 0;
    struct shift_answer answer = {0};

    for (size_t i = 0; i < n; i++) {
        square += real[i] * real[i];
        if (real[i] > real[best])
            best = i;
    }
    x = (int)(best % (size_t)width);
    y = (int)(best / (size_t)width);
    answer.dx_px =
        x + top_of(real[y * width + (x + width - 1) % width], real[best], real[y * width + (x + 1) % width]);
    answer.dy_px = y + top_of(real[(y + height - 1) % height * width + x], real[best],
                              real[(y + 1) % height * width + x]);
    if (answer.dx_px > 0.5 * width)
        answer.dx_px -= width;
    if (answer.dy_px > 0.5 * height)
        answer.dy_px -= height;
    square = sqrt(square / (double)n);
    answer.height = square > 0.0 ? real[best] / square / sqrt(2.0 * log((double)n)) : 0.0;
    second = second_peak(shift, x, y, reach_px);
    answer.lead = second > 0.0 ? real[best] / second : 0.0;
    return answer;
}

double complex *shift_transform(struct shift *shift, const struct raster *raster, const struct raster *window)
{
    size_t n = (size_t)shift->height_px * ((size_t)shift->width_px / 2 + 1);
    double complex *made = malloc(n * sizeof *made);

    if (made == NULL)
        return NULL;
    transform(shift, raster, window);
    memcpy(made, fourier_complex(shift->fourier), n * sizeof *made);
    return made;
}

/* Cross spectrum of two transforms of n numbers; returns the largest square of its magnitude. Complex numbers
 * as pairs of real and imaginary parts (C17 6.2.5, 13): spelled out, the products are quick. */
static double cross_spectra(double *cross, const double *a, const double *b, size_t n)
{
    double largest = 0.0;

    for (size_t i = 0; i < n; i++) {
        double real = b[2 * i] * a[2 * i] + b[2 * i + 1] * a[2 * i + 1];
        double imaginary = b[2 * i + 1] * a[2 * i] - b[2 * i] * a[2 * i + 1];
        double square = real * real + imaginary * imaginary;

        cross[2 * i] = real;
        cross[2 * i + 1] = imaginary;
        largest = square > largest ? square : largest;
    }
    return largest;
}

/* Divides each number by the root of its magnitude; those of a square up to `least` become 0. */
WIDE static void whiten(double *cross, size_t n, double least)
{
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        double square = cross[2 * i] * cross[2 * i] + cross[2 * i + 1] * cross[2 * i + 1];
        double scale = 1.0 / sqrt(sqrt(square > least ? square : HUGE_VAL));

        cross[2 * i] *= scale;
        cross[2 * i + 1] *= scale;
    }
}

struct shift_answer shift_between(struct shift *shift, const double complex *from, const double complex *to,
                                  double reach_px)
{
    size_t n = (size_t)shift->height_px * ((size_t)shift->width_px / 2 + 1);
    double *cross = (double *)fourier_complex(shift->fourier);
    double largest = cross_spectra(cross, (const double *)from, (const double *)to, n);

    whiten(cross, n, 1e-24 * largest);
    fourier_backward(shift->fourier);
    return read_peak(shift, reach_px);
}

struct shift_answer shift_find(struct shift *shift, const struct raster *from, const struct raster *to,
                               const struct raster *window, double reach_px)
{
    double complex *first = shift_transform(shift, from, window);
    double complex *second = shift_transform(shift, to, window);
    struct shift_answer answer = {0};

    if (first != NULL && second != NULL)
        answer = shift_between(shift, first, second, reach_px);
    free(first);
    free(second);
    return answer;
}
