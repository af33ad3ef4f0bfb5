/* Contracts of measure/stripe_tail.h on drawn pictures: the endometrium thins out toward the internal os,
 * from where the canal leads on (common practice, no source). */
#include "../../support/speckle_fixture.h"
#include "measure/stripe_tail.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { WIDTH = 340, HEIGHT = 200, N_PLACES = 51, N_SEEDS = 6 };
static const double PIXEL_MM = 0.25;
static const double AXIS_MM = 25.0;   /* a straight stripe along this row, */
static const double FUNDUS_MM = 15.0; /* from here */
static const double FITTED_MM = 40.0; /* to here as it was fitted */
static const double GREY = 35.0;

struct drawn {
    double taper_from_mm, os_mm; /* half thickness falls from 4.5 mm to 0.8 mm between them */
    double canal;                /* brightness beyond, of the stripe's */
    bool is_mirrored;
    long seed;
};

static double brightness_at(const struct drawn *drawn, double x_mm, double y_mm)
{
    double part =
        fmin(fmax((x_mm - drawn->taper_from_mm) / fmax(drawn->os_mm - drawn->taper_from_mm, 0.1), 0.0), 1.0);
    double half_mm = 4.5 + part * (0.8 - 4.5);
    double inside = half_mm - fabs(y_mm - AXIS_MM);
    double level = x_mm < FUNDUS_MM ? 0.0 : x_mm < drawn->os_mm ? 1.0 : drawn->canal;

    return level / (1.0 + exp(-inside / 0.25));
}

static double flipped(const struct drawn *drawn, double x_mm)
{
    return drawn->is_mirrored ? WIDTH * PIXEL_MM - x_mm : x_mm;
}

static struct stripe_tail find(const struct drawn *drawn)
{
    double place_mm[N_PLACES][2];
    double half_mm[N_PLACES];
    struct stripe_fit fit = {
        .look = STRIPE_BRIGHT, .n = N_PLACES, .place_mm = place_mm, .half_mm = half_mm, .detail = GREY};
    struct mean_picture mean = {.n_keys = 40,
                                .pixel_mm = PIXEL_MM,
                                .tissue_luma = 90.0,
                                .picture = raster_make(WIDTH, HEIGHT),
                                .window = raster_make(WIDTH, HEIGHT)};
    struct stripe_tail tail;
    struct error *err = NULL;

    assert_true(mean.picture != NULL && mean.window != NULL);
    speckle_fixture_noise(mean.picture, drawn->seed, 6.0, 2.2);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            size_t i = (size_t)y * WIDTH + (size_t)x;

            mean.window->value[i] = 1.0F;
            mean.picture->value[i] +=
                (float)(70.0 + GREY * brightness_at(drawn, flipped(drawn, (x + 0.5) * PIXEL_MM),
                                                    (y + 0.5) * PIXEL_MM));
        }
    for (int i = 0; i < N_PLACES; i++) { /* fundus first, unless mirrored: places run to the right */
        double x_mm = FUNDUS_MM + (FITTED_MM - FUNDUS_MM) * i / (N_PLACES - 1);

        place_mm[drawn->is_mirrored ? N_PLACES - 1 - i : i][0] = flipped(drawn, x_mm);
        place_mm[i][1] = AXIS_MM;
        half_mm[i] = 4.0;
    }
    assert_true(stripe_tail_find(&tail, &fit, !drawn->is_mirrored, &mean, &err));
    mean_picture_free(&mean);
    return tail;
}

static void a_wedge_is_followed_to_the_os(void **state)
{
    (void)state;
    for (long seed = 1; seed <= N_SEEDS; seed++)
        for (int is_mirrored = 0; is_mirrored < 2; is_mirrored++) {
            struct drawn drawn = {.taper_from_mm = 28.0,
                                  .os_mm = 44.0 + (double)seed,
                                  .canal = 0.15,
                                  .is_mirrored = is_mirrored != 0,
                                  .seed = seed};
            struct stripe_tail tail = find(&drawn);

            assert_true(tail.n > 0);
            assert_true(fabs(flipped(&drawn, tail.place_mm[tail.n - 1][0]) - drawn.os_mm) < 1.5);
            assert_true(fabs(tail.place_mm[tail.n - 1][1] - AXIS_MM) < 1.5);
            assert_true(fabs(tail.length_mm - (drawn.os_mm - FITTED_MM)) < 1.5);
        }
}

static void a_blunt_end_has_no_tail(void **state)
{
    (void)state;
    for (long seed = 1; seed <= N_SEEDS; seed++) {
        struct drawn drawn = {.taper_from_mm = FITTED_MM - 0.2, .os_mm = FITTED_MM, .seed = seed};

        assert_true(find(&drawn).length_mm <= 1.5);
    }
}

static void where_a_canal_as_bright_leads_on_the_end_stays_where_it_was_fitted(void **state)
{
    (void)state;
    for (long seed = 1; seed <= N_SEEDS; seed++) {
        struct drawn drawn = {.taper_from_mm = 28.0, .os_mm = 45.0, .canal = 1.0, .seed = seed};

        assert_int_equal(find(&drawn).n, 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_wedge_is_followed_to_the_os),
        cmocka_unit_test(a_blunt_end_has_no_tail),
        cmocka_unit_test(where_a_canal_as_bright_leads_on_the_end_stays_where_it_was_fitted),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
