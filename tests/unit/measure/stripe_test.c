/* Contracts of measure/stripe.h, on drawn pictures of speckle with and without a stripe. An endometrium is 5
 * to 16 mm thick, evenly bright or three bright lines with dark between (common practice, no source). */
#include "../../support/speckle_fixture.h"
#include "measure/stripe.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

enum { WIDTH = 340, HEIGHT = 260 };
static const double PIXEL_MM = 0.25;
static const double PROBE_MM[2] = {42.0, 0.0};

/* A bent stripe: an arc of a circle, tip to tip. */
struct drawn {
    bool is_there;
    enum stripe_look look;
    double half_mm;
    double grey; /* between bright and dark */
    long seed;
    size_t n_keys;      /* pictures laid over one another; 0: 40 */
    double layers_grey; /* of long thick layers of other organs; 0: none */
};

static const double CENTRE_MM[2] = {42.0, -40.0}; /* of the arc */
static const double RADIUS_MM = 74.0;
static const double HALF_LENGTH_MM = 22.0; /* along the arc */

/* Brightness of the stripe at a place, 0..1, edges soft over about half a millimetre. */
static double stripe_at(const struct drawn *drawn, double x_mm, double y_mm)
{
    double dx = x_mm - CENTRE_MM[0];
    double dy = y_mm - CENTRE_MM[1];
    double across = hypot(dx, dy) - RADIUS_MM;
    double along = fabs(RADIUS_MM * atan2(dx, dy));
    double beyond = fmax(along - (HALF_LENGTH_MM - drawn->half_mm), 0.0); /* round ends */
    double away = hypot(across, beyond);
    double wall = 1.0 / (1.0 + exp((away - drawn->half_mm) / 0.25));
    double middle = along < HALF_LENGTH_MM - drawn->half_mm ? exp(-0.5 * pow(across / 0.5, 2.0)) : 0.0;

    if (drawn->look == STRIPE_BRIGHT)
        return wall;
    return fmax(exp(-0.5 * pow((away - drawn->half_mm + 0.5) / 0.6, 2.0)), middle) - 0.35 * wall;
}

/* Brightness of long thick layers far from the stripe, 0..1: bands of fascia near the probe, bowel behind. */
static double layers_at(double x_mm, double y_mm)
{
    static const double DEPTH_MM[8] = {4.0, 9.0, 14.5, 19.0, 47.0, 51.0, 56.0, 61.0};
    static const double SLOPE[8] = {0.10, 0.02, 0.08, 0.03, -0.02, -0.12, -0.06, 0.04};
    double sum = 0.0;

    for (int i = 0; i < 8; i++)
        sum = fmax(sum, exp(-0.5 * pow((y_mm - DEPTH_MM[i] - SLOPE[i] * (x_mm - 42.0)) / 1.2, 2.0)));
    return sum;
}

static void find(struct stripe *stripe, const struct drawn *drawn)
{
    struct mean_picture mean = {.n_keys = drawn->n_keys > 0 ? drawn->n_keys : 40,
                                .pixel_mm = PIXEL_MM,
                                .tissue_luma = 90.0,
                                .picture = raster_make(WIDTH, HEIGHT),
                                .window = raster_make(WIDTH, HEIGHT)};
    struct error *err = NULL;

    assert_true(mean.picture != NULL && mean.window != NULL);
    speckle_fixture_noise(mean.picture, drawn->seed, 10.0, 2.2);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            size_t i = (size_t)y * WIDTH + (size_t)x;

            mean.window->value[i] = 1.0F;
            mean.picture->value[i] +=
                80.0F + (float)(drawn->layers_grey * layers_at((x + 0.5) * PIXEL_MM, (y + 0.5) * PIXEL_MM));
            if (drawn->is_there)
                mean.picture->value[i] +=
                    (float)(drawn->grey * stripe_at(drawn, (x + 0.5) * PIXEL_MM, (y + 0.5) * PIXEL_MM));
        }
    if (!stripe_find(stripe, &mean, PROBE_MM, &err))
        fail_msg("%s", error_message(err));
    mean_picture_free(&mean);
}

/* How far a place lies beyond a drawn tip (side -1: left, 1: right) along the arc, and off the arc. */
static void off_tip(const double place[2], int side, double *beyond_mm, double *across_mm)
{
    double dx = place[0] - CENTRE_MM[0];
    double dy = place[1] - CENTRE_MM[1];

    *beyond_mm = side * RADIUS_MM * atan2(dx, dy) - HALF_LENGTH_MM;
    *across_mm = hypot(dx, dy) - RADIUS_MM;
}

/* Fails unless the stripe is found and both tips lie within most_mm of where they were drawn along the
 * stripe. Across it 2.5 mm are let pass: with the tip led on straight from a body that bends (radius 74 mm),
 * tips lay up to 1.5 mm off the arc even in clear pictures and 0.6 mm to its outside on average, so that the
 * straight distance is NOT within 1.5 mm every time. */
static void check_found(const struct drawn *drawn, double most_mm)
{
    struct stripe stripe = {0};

    find(&stripe, drawn);
    if (!stripe.is_found)
        fail_msg("seed %ld: not found, trust %.2f", drawn->seed, stripe.trust);
    assert_true(stripe.trust > 0.6);
    assert_int_equal(stripe.fit.look, drawn->look);
    for (int side = -1; side <= 1; side += 2) {
        bool first_is_left = stripe.fit.place_mm[0][0] < stripe.fit.place_mm[stripe.fit.n - 1][0];
        double beyond = 0.0, across = 0.0;

        off_tip(stripe.fit.place_mm[(side < 0) == first_is_left ? 0 : stripe.fit.n - 1], side, &beyond,
                &across);
        if (!(fabs(beyond) < most_mm && fabs(across) < 2.5))
            fail_msg("seed %ld: tip off by %.2f mm along and %.2f across", drawn->seed, beyond, across);
    }
    if (!(fabs(stripe.fit.thickness_mm - 2.0 * drawn->half_mm) < 2.0))
        fail_msg("seed %ld: %.1f mm thick", drawn->seed, stripe.fit.thickness_mm);
    assert_true(fabs(stripe.fit.length_mm - 2.0 * HALF_LENGTH_MM) < 3.0);
    stripe_free(&stripe);
}

static void a_bright_bar_is_found_with_its_tips(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 2; seed++)
        check_found(
            &(struct drawn){
                .is_there = true, .look = STRIPE_BRIGHT, .half_mm = 4.5, .grey = 60.0, .seed = seed},
            1.0);
}

/* Hardly brighter than its surroundings: three deviations of the speckle. Over eight seeds the straight
 * distances were 0.6 to 2.3 mm, median 0.9. */
static void a_faint_bar_is_found_with_its_tips_less_surely(void **state)
{
    (void)state;
    for (long seed = 3; seed <= 4; seed++)
        check_found(
            &(struct drawn){
                .is_there = true, .look = STRIPE_BRIGHT, .half_mm = 4.5, .grey = 30.0, .seed = seed},
            2.0);
}

static void a_triple_line_is_found_with_its_tips(void **state)
{
    (void)state;
    for (long seed = 5; seed <= 6; seed++)
        check_found(
            &(struct drawn){
                .is_there = true, .look = STRIPE_TRIPLE_LINE, .half_mm = 5.5, .grey = 40.0, .seed = seed},
            1.5);
}

static void a_thin_triple_line_is_found_between_thick_layers_of_other_organs(void **state)
{
    (void)state;
    for (long seed = 7; seed <= 8; seed++)
        check_found(&(struct drawn){.is_there = true,
                                    .look = STRIPE_TRIPLE_LINE,
                                    .half_mm = 3.3,
                                    .grey = 30.0,
                                    .seed = seed,
                                    .layers_grey = 80.0},
                    2.0);
}

static void speckle_without_a_stripe_is_not_trusted(void **state)
{
    (void)state;
    for (long seed = 11; seed <= 14; seed++) {
        struct stripe stripe = {0};

        find(&stripe, &(struct drawn){.seed = seed});
        if (!(stripe.trust < 0.5))
            fail_msg("seed %ld: trust %.2f in speckle alone", seed, stripe.trust);
        assert_true(stripe.is_found || stripe.reasons.n > 0); /* not finding one is explained */
        stripe_free(&stripe);
    }
}

static void a_stripe_turned_round_twice_is_the_same(void **state)
{
    struct stripe stripe = {0};
    double first[2], last[2];
    double odds = 0.0, half = 0.0;

    (void)state;
    find(&stripe,
         &(struct drawn){.is_there = true, .look = STRIPE_BRIGHT, .half_mm = 4.5, .grey = 30.0, .seed = 1});
    assert_true(stripe.is_found);
    memcpy(first, stripe.fit.place_mm[0], sizeof first);
    memcpy(last, stripe.fit.place_mm[stripe.fit.n - 1], sizeof last);
    odds = stripe.fundus_first;
    half = stripe.fit.half_mm[5];
    stripe_turn(&stripe);
    assert_memory_equal(stripe.fit.place_mm[0], last, sizeof last);
    assert_true(stripe.fundus_first == -odds);
    assert_true(stripe.fit.half_mm[stripe.fit.n - 6] == half);
    stripe_turn(&stripe);
    assert_memory_equal(stripe.fit.place_mm[0], first, sizeof first);
    stripe_free(&stripe);
    assert_false(stripe.is_found);
}

static void a_clear_stripe_is_told_on_a_still_but_trusted_less(void **state)
{
    struct drawn drawn = {.is_there = true, .look = STRIPE_BRIGHT, .half_mm = 4.5, .grey = 60.0, .seed = 1};
    struct stripe many = {0};
    struct stripe still = {0};

    (void)state;
    find(&many, &drawn);
    drawn.n_keys = 1;
    find(&still, &drawn);
    assert_true(still.is_found);
    assert_true(still.trust < many.trust);
    assert_true(fabs(still.fit.length_mm - 2.0 * HALF_LENGTH_MM) < 3.0);
    stripe_free(&many);
    stripe_free(&still);
}

static void speckle_on_a_still_is_no_stripe(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 4; seed++) {
        struct stripe stripe = {0};

        find(&stripe, &(struct drawn){.seed = seed, .n_keys = 1});
        assert_false(stripe.is_found);
        assert_true(stripe.trust < 0.6);
        assert_true(stripe.reasons.n > 0);
        stripe_free(&stripe);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_bright_bar_is_found_with_its_tips),
        cmocka_unit_test(a_faint_bar_is_found_with_its_tips_less_surely),
        cmocka_unit_test(a_triple_line_is_found_with_its_tips),
        cmocka_unit_test(a_thin_triple_line_is_found_between_thick_layers_of_other_organs),
        cmocka_unit_test(speckle_without_a_stripe_is_not_trusted),
        cmocka_unit_test(a_clear_stripe_is_told_on_a_still_but_trusted_less),
        cmocka_unit_test(speckle_on_a_still_is_no_stripe),
        cmocka_unit_test(a_stripe_turned_round_twice_is_the_same),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
