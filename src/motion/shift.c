#include "motion/shift.h"

#include "base/fourier.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct shift {
    int width_px;
    int height_px;
    struct fourier *fourier;
    double complex *from; /* transform of the first picture */
};

struct shift *shift_make(int width_px, int height_px)
{
    struct shift *made = calloc(1, sizeof *made);

    if (made == NULL)
        return NULL;
    made->width_px = width_px;
    made->height_px = height_px;
    made->fourier = fourier_make((size_t)height_px, (size_t)width_px);
    made->from = malloc((size_t)height_px * ((size_t)width_px / 2 + 1) * sizeof *made->from);
    if (made->fourier == NULL || made->from == NULL)
        shift_free(&made);
    return made;
}

void shift_free(struct shift **shift)
{
    if (shift == NULL || *shift == NULL)
        return;
    fourier_free(&(*shift)->fourier);
    free((*shift)->from);
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

static double read_peak(const struct shift *shift, double *dx_px, double *dy_px)
{
    const double *real = fourier_real(shift->fourier);
    int width = shift->width_px;
    int height = shift->height_px;
    size_t n = (size_t)width * (size_t)height;
    size_t best = 0;
    double square = 0.0;
    int x = 0;
    int y = 0;

    for (size_t i = 0; i < n; i++) {
        square += real[i] * real[i];
        if (real[i] > real[best])
            best = i;
    }
    x = (int)(best % (size_t)width);
    y = (int)(best / (size_t)width);
    *dx_px =
        x + top_of(real[y * width + (x + width - 1) % width], real[best], real[y * width + (x + 1) % width]);
    *dy_px = y + top_of(real[(y + height - 1) % height * width + x], real[best],
                        real[(y + 1) % height * width + x]);
    if (*dx_px > 0.5 * width)
        *dx_px -= width;
    if (*dy_px > 0.5 * height)
        *dy_px -= height;
    square = sqrt(square / (double)n);
    return square > 0.0 ? real[best] / square / sqrt(2.0 * log((double)n)) : 0.0;
}

double shift_find(struct shift *shift, const struct raster *from, const struct raster *to,
                  const struct raster *window, double *dx_px, double *dy_px)
{
    double complex *other = fourier_complex(shift->fourier);
    size_t n = (size_t)shift->height_px * ((size_t)shift->width_px / 2 + 1);
    double largest = 0.0;

    transform(shift, from, window);
    memcpy(shift->from, other, n * sizeof *other);
    transform(shift, to, window);
    for (size_t i = 0; i < n; i++) {
        other[i] = other[i] * conj(shift->from[i]);
        largest = fmax(largest, cabs(other[i]));
    }
    for (size_t i = 0; i < n; i++) {
        double size = cabs(other[i]);

        other[i] = size > 1e-12 * largest ? other[i] / sqrt(size) : 0.0;
    }
    fourier_backward(shift->fourier);
    return read_peak(shift, dx_px, dy_px);
}
