/* Contracts of measure/stripe_rim.h, on drawn triple lines in texture. */
#include "../../support/speckle_fixture.h"
#include "measure/stripe_rim.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

enum { WIDTH = 240, HEIGHT = 200, N = 61 };
static const double PIXEL_MM = 0.25, LINE_SIGMA_MM = 0.45, HALF_MM = 5.0;
static const double TIP_MM[2] = {15.0,
                                 25.0}; /* the crest of the outer line there; the stripe runs to the right */

/* How far a place lies inside the outer line, roughly, for a rounded end so long. */
static double inside_mm(double x, double y, double cap_mm)
{
    double in = x - TIP_MM[0];
    double across = fabs(y - TIP_MM[1]);
    double round = hypot((cap_mm - in) / cap_mm, across / HALF_MM);

    if (in >= cap_mm)
        return HALF_MM - across;
    return round > 0.0
               ? (1.0 - round) * round / hypot((cap_mm - in) / cap_mm / cap_mm, across / HALF_MM / HALF_MM)
               : HALF_MM;
}

/* Dark inside, 12 grey levels; lines 30 brighter than what lies outside, about the tip perhaps without them.
 */
static struct mean_picture drawn(long seed, double cap_mm, bool has_line)
{
    const struct rigid still = {0};
    struct mean_picture mean = {.pixel_mm = PIXEL_MM,
                                .picture = speckle_fixture_picture(WIDTH, HEIGHT, seed, &still)};

    assert_non_null(mean.picture);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            double in = inside_mm((x + 0.5) * PIXEL_MM, (y + 0.5) * PIXEL_MM, cap_mm);
            bool is_there = has_line || (x + 0.5) * PIXEL_MM > TIP_MM[0] + 0.8 * cap_mm;
            double line = is_there ? 30.0 * exp(-0.5 * in * in / (LINE_SIGMA_MM * LINE_SIGMA_MM)) : 0.0;
            float *value = &mean.picture->value[y * WIDTH + x];

            *value = (float)(100.0 + 0.25 * ((double)*value - 100.0) + line - (in > 0.0 ? 12.0 : 0.0));
        }
    return mean;
}

/* A fit whose tip lies so far outward of the line's crest, its first place at the tip. */
static struct stripe_fit fit_of(double outward_mm, double aside_mm)
{
    struct stripe_fit fit = {.look = STRIPE_TRIPLE_LINE, .n = N};

    fit.place_mm = calloc(N, sizeof *fit.place_mm);
    fit.half_mm = calloc(N, sizeof *fit.half_mm);
    for (size_t i = 0; i < N; i++) {
        fit.place_mm[i][0] = TIP_MM[0] - outward_mm + FIT_STEP_MM * (double)i;
        fit.place_mm[i][1] = TIP_MM[1] + aside_mm;
        fit.half_mm[i] = HALF_MM + 0.5;
    }
    return fit;
}

static void the_outer_line_is_traced_about_the_tip_whatever_its_shape(void **state)
{
    static const double caps_mm[] = {3.5, 5.0, 8.0};
    static const double outward_mm[] = {-1.5, 0.5, 2.5};

    (void)state;
    for (int i = 0; i < 9; i++) {
        struct mean_picture mean = drawn(51 + i, caps_mm[i % 3], true);
        struct stripe_fit fit = fit_of(outward_mm[i / 3], i % 2 == 0 ? 0.5 : -0.5);
        struct stripe_rim rim;
        /* where the line's profile has fallen to half, from its crest on */
        double border_mm = LINE_SIGMA_MM * sqrt(2.0 * log(2.0));

        assert_true(stripe_rim_find(&rim, &mean, &fit, false));
        assert_true(rim.is_seen);
        if (!(fabs(rim.place_mm[0] - (TIP_MM[0] - border_mm)) < 0.4 &&
              fabs(rim.place_mm[1] - TIP_MM[1]) < 0.8))
            fail_msg("%d: %.2f mm out, %.2f aside", i, TIP_MM[0] - border_mm - rim.place_mm[0],
                     rim.place_mm[1] - TIP_MM[1]);
        assert_true(rim.error_mm >= 0.25 && rim.error_mm < 0.6);
        raster_free(&mean.picture);
        stripe_fit_free(&fit);
    }
}

static void where_no_line_turns_round_the_tip_none_is_told(void **state)
{
    int n_seen = 0;

    (void)state;
    for (int i = 0; i < 10; i++) {
        struct mean_picture mean = drawn(71 + i, 5.0, false);
        struct stripe_fit fit = fit_of(0.5, 0.0);
        struct stripe_rim rim;

        assert_true(stripe_rim_find(&rim, &mean, &fit, false));
        n_seen += rim.is_seen;
        raster_free(&mean.picture);
        stripe_fit_free(&fit);
    }
    assert_true(n_seen <= 1);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_outer_line_is_traced_about_the_tip_whatever_its_shape),
        cmocka_unit_test(where_no_line_turns_round_the_tip_none_is_told),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
