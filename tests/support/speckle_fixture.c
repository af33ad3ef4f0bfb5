#include "speckle_fixture.h"

#include "synth/dice.h"

#include <complex.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { N_WAVES = 80 };
static const double PI = 3.14159265358979323846;
static const double MEAN = 100.0;
static const double DEVIATION = 25.0;
static const double SHORTEST_PX = 6.0;
static const double LONGEST_PX = 20.0;

struct raster *speckle_fixture_picture(int width_px, int height_px, long seed, const struct rigid *moved)
{
    struct raster *raster = raster_make(width_px, height_px);
    struct dice dice = dice_make(seed, 1);
    const struct rigid still = {0};
    const struct rigid *rigid = moved != NULL ? moved : &still;

    assert_non_null(raster);
    for (size_t i = 0; i < (size_t)width_px * (size_t)height_px; i++)
        raster->value[i] = (float)MEAN;
    for (int wave = 0; wave < N_WAVES; wave++) {
        double turn = 2.0 * PI * dice_even(&dice);
        double length = SHORTEST_PX * pow(LONGEST_PX / SHORTEST_PX, dice_even(&dice));
        double phase = 2.0 * PI * dice_even(&dice);
        double kx = 2.0 * PI / length * cos(turn);
        double ky = 2.0 * PI / length * sin(turn);
        double step_x = 0.0, step_y = 0.0, zero_x = 0.0, zero_y = 0.0;
        double complex step = 0.0;

        rigid_undo(rigid, 0.0, 0.0, &zero_x, &zero_y);
        rigid_undo(rigid, 1.0, 0.0, &step_x, &step_y); /* a rigid motion is linear along a row */
        step = cexp(I * (kx * (step_x - zero_x) + ky * (step_y - zero_y)));
        for (int y = 0; y < height_px; y++) {
            float *row = raster->value + (size_t)y * (size_t)width_px;
            double from_x = 0.0, from_y = 0.0;
            double complex now = 0.0;

            rigid_undo(rigid, 0.0, y, &from_x, &from_y);
            now = DEVIATION * sqrt(2.0 / N_WAVES) * cexp(I * (kx * from_x + ky * from_y + phase));
            for (int x = 0; x < width_px; x++) {
                row[x] += (float)creal(now);
                now *= step;
            }
        }
    }
    return raster;
}

void speckle_fixture_noise(struct raster *raster, long seed, double deviation, double sigma_px)
{
    struct raster *noise = raster_make(raster->width_px, raster->height_px);
    struct dice dice = dice_make(seed, 2);
    size_t n = (size_t)raster->width_px * (size_t)raster->height_px;
    double square = 0.0;

    assert_non_null(noise);
    for (size_t i = 0; i < n; i++)
        noise->value[i] = (float)dice_normal(&dice);
    assert_true(raster_smooth(noise, sigma_px, sigma_px));
    for (size_t i = 0; i < n; i++)
        square += (double)noise->value[i] * (double)noise->value[i] / (double)n;
    for (size_t i = 0; i < n; i++)
        raster->value[i] += noise->value[i] * (float)(deviation / sqrt(square));
    raster_free(&noise);
}
