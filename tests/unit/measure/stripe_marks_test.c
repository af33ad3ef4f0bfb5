/* A stripe between two marks, on drawn pictures of a triple line whose layers draw together into a bright
 * wedge toward the internal os (common practice, no source). */
#include "../../support/speckle_fixture.h"
#include "measure/loop_sections.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { WIDTH = 340, HEIGHT = 220, N_SEEDS = 4 };
static const double PIXEL_MM = 0.25;
static const double AXIS_MM = 27.0;
static const double FUNDUS_MM = 20.0;
static const double WEDGE_MM = 46.0; /* from here the lines are one */
static const double OS_MM = 56.0;
static const double GREY = 45.0;

/* Brightness of three lines that meet at WEDGE_MM, 0..1. */
static double brightness_at(double x_mm, double y_mm)
{
    double half = x_mm < 30.0 ? 4.5 : fmax(4.5 * (WEDGE_MM - x_mm) / (WEDGE_MM - 30.0), 0.0);
    double across = fabs(y_mm - AXIS_MM);
    double is_there = 1.0 / (1.0 + exp((FUNDUS_MM - x_mm) / 0.3)) / (1.0 + exp((x_mm - OS_MM) / 0.3));
    double cap = exp(-0.5 * pow((x_mm - FUNDUS_MM - 0.5) / 0.6, 2.0)) * (across < half ? 1.0 : 0.0);
    double lines = fmax(exp(-0.5 * pow((across - half) / 0.6, 2.0)), exp(-0.5 * pow(across / 0.6, 2.0)));

    return is_there * fmax(lines, cap);
}

static void make_picture(struct mean_picture *mean, long seed)
{
    *mean = (struct mean_picture){.n_keys = 40,
                                  .pixel_mm = PIXEL_MM,
                                  .tissue_luma = 90.0,
                                  .picture = raster_make(WIDTH, HEIGHT),
                                  .window = raster_make(WIDTH, HEIGHT)};
    assert_true(mean->picture != NULL && mean->window != NULL);
    speckle_fixture_noise(mean->picture, seed, 8.0, 2.2);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            size_t i = (size_t)y * WIDTH + (size_t)x;

            mean->window->value[i] = 1.0F;
            mean->picture->value[i] +=
                (float)(70.0 + GREY * brightness_at((x + 0.5) * PIXEL_MM, (y + 0.5) * PIXEL_MM));
        }
}

static struct point at(double x_mm, double y_mm)
{
    return (struct point){.x_px = x_mm / PIXEL_MM - 0.5, .y_px = y_mm / PIXEL_MM - 0.5};
}

static void a_stripe_between_marks_runs_straight_from_one_to_the_other(void **state)
{
    const struct canvas canvas = {.step_px = 1,
                                  .width_px = WIDTH,
                                  .height_px = HEIGHT,
                                  .mm_per_px_x = PIXEL_MM,
                                  .mm_per_px_y = PIXEL_MM};
    const struct loop_request request = {
        .has_fundus = true, .has_os = true, .fundus_px = at(FUNDUS_MM, AXIS_MM), .os_px = at(OS_MM, AXIS_MM)};
    const double probe_mm[2] = {42.0, 0.0};

    (void)state;
    for (long seed = 1; seed <= N_SEEDS; seed++) {
        struct mean_picture mean;
        struct stripe stripe = {0};
        struct error *err = NULL;

        make_picture(&mean, seed);
        assert_true(stripe_search_or_mark(&stripe, &mean, probe_mm, &canvas, &request, &err));
        assert_true(stripe.is_found);
        assert_true(stripe.trust > STRIPE_SURE_TRUST);
        assert_true(fabs(stripe.fit.length_mm - (OS_MM - FUNDUS_MM)) < 1.5);
        assert_true(fabs(stripe.fit.thickness_mm - 10.0) < 2.5);
        for (size_t i = 0; i < stripe.fit.n; i++)
            if (fabs(stripe.fit.place_mm[i][1] - AXIS_MM) > 2.0)
                fail_msg("seed %ld: %.1f mm off the axis", seed, stripe.fit.place_mm[i][1] - AXIS_MM);
        stripe_free(&stripe);
        mean_picture_free(&mean);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stripe_between_marks_runs_straight_from_one_to_the_other),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
