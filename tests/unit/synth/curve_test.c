#include "synth/curve.h"

#include "synth/dice.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { N_POWERS = 20011 };

/* Powers from far below the range shown to far above it, the steps' own first powers and what lies just below
 * these, and silence. */
static void fill(const struct curve *curve, float *powers)
{
    struct dice dice = dice_make(3, 1);
    size_t n = 0;

    powers[n++] = 0.0f;
    for (int step = 0; step <= CURVE_STEPS; step += 3)
        if (curve->least[step] < INFINITY) {
            powers[n++] = curve->least[step];
            powers[n++] = nextafterf(curve->least[step], 0.0f);
        }
    while (n < N_POWERS)
        powers[n++] = (float)pow(10.0, 24.0 * dice_even(&dice) - 16.0);
}

static void check(double range_db, double gain_db, double step_db)
{
    static struct curve curve;
    static float powers[N_POWERS], shown[N_POWERS];
    struct recipe recipe = recipe_default();

    curve.is_made = false;
    recipe.dynamic_range_db = range_db;
    recipe.gain_db = gain_db;
    curve_make(&curve, &recipe, step_db);
    fill(&curve, powers);
    for (size_t i = 0; i < N_POWERS; i++)
        shown[i] = powers[i];
    curve_show(&curve, shown, N_POWERS);
    for (size_t i = 0; i < N_POWERS; i++)
        if ((double)shown[i] != curve_luma(&recipe, (double)powers[i], step_db))
            fail_msg("range %g dB, gain %g + %g dB, power %.9g: %.9g", range_db, gain_db, step_db,
                     (double)powers[i], (double)shown[i]);
}

static void what_is_shown_without_a_logarithm_is_what_the_logarithm_shows(void **state)
{
    (void)state;
    for (double range_db = 20.0; range_db <= 120.0; range_db += 12.5)
        for (double gain_db = -30.0; gain_db <= 30.0; gain_db += 12.0)
            check(range_db, gain_db, 0.0);
    check(60.0, 0.0, 4.0);
    check(120.0, 30.0, 30.0); /* the quietest that the logarithm tells lies in the range */
}

static void the_range_goes_from_black_to_white(void **state)
{
    struct recipe recipe = recipe_default();

    (void)state;
    assert_true(curve_luma(&recipe, 0.0, 0.0) == 0.0);
    assert_true(curve_luma(&recipe, pow(10.0, 1.61), 0.0) == 255.0); /* 60 dB from -44 dB on end at 16 dB */
    assert_true(curve_luma(&recipe, 1.0, 0.0) > curve_luma(&recipe, 1.0, -6.0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_shown_without_a_logarithm_is_what_the_logarithm_shows),
        cmocka_unit_test(the_range_goes_from_black_to_white),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
