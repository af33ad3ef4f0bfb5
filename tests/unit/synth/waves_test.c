#include "synth/waves.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static struct waves *waves_of(const struct recipe *recipe)
{
    struct waves *waves = NULL;
    struct error *err = NULL;

    assert_true(waves_make(&waves, recipe, &err));
    return waves;
}

static struct recipe regular(void)
{
    struct recipe recipe = recipe_default();

    recipe.duration_s = 120;
    recipe.rate_per_min = 3.0;
    recipe.amplitude_mm = 0.5;
    recipe.velocity_mm_per_s = 1.5;
    recipe.interval_jitter = recipe.amplitude_jitter = 0.0;
    return recipe;
}

/* Time within [from, to] at which the walls are closest at s. */
static double narrowest_s(const struct waves *waves, double s_mm, double from_s, double to_s)
{
    double least = HUGE_VAL, at = from_s;

    for (double t = from_s; t < to_s; t += 0.02) {
        double change = waves_at(waves, s_mm, t).change_mm;

        if (change < least) {
            least = change;
            at = t;
        }
    }
    return at;
}

static void waves_toward_the_fundus_narrow_the_cervical_end_first(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = waves_of(&recipe);
    double at_os = narrowest_s(waves, 30.0, 20.0, 39.9);
    double near_fundus = narrowest_s(waves, 15.0, at_os, at_os + 15.0);

    (void)state;
    assert_true(fabs(near_fundus - at_os - 15.0 / 1.5) < 0.1); /* 15 mm at 1.5 mm/s */
    waves_free(&waves);
}

static void waves_toward_the_cervix_narrow_the_fundal_end_first(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = NULL;
    double near_fundus, at_os;

    (void)state;
    recipe.direction = FLOW_FUNDUS_TO_CERVIX;
    waves = waves_of(&recipe);
    near_fundus = narrowest_s(waves, 10.0, 20.0, 39.9);
    at_os = narrowest_s(waves, 25.0, near_fundus, near_fundus + 15.0);
    assert_true(fabs(at_os - near_fundus - 15.0 / 1.5) < 0.1);
    waves_free(&waves);
}

static void opposing_waves_meet_in_the_middle(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = NULL;

    (void)state;
    recipe.direction = FLOW_OPPOSING;
    waves = waves_of(&recipe);
    for (double t = 0.0; t < 60.0; t += 3.7)
        assert_true(fabs(waves_at(waves, 6.0, t).change_mm -
                         waves_at(waves, recipe.length_mm - 6.0, t).change_mm) < 1e-9);
    {
        double end = narrowest_s(waves, 4.0, 20.0, 39.9), middle = narrowest_s(waves, 18.0, end, end + 15.0);

        assert_true(middle > end + 7.0); /* 14 mm at 1.5 mm/s, less the rounding where they meet */
    }
    waves_free(&waves);
}

static void amplitude_is_half_of_the_peak_to_peak_change(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = waves_of(&recipe);
    double low = HUGE_VAL, high = -HUGE_VAL;

    (void)state;
    for (double t = 0.0; t < 20.0; t += 0.01) {
        double change = waves_at(waves, 18.0, t).change_mm;

        low = fmin(low, change);
        high = fmax(high, change);
    }
    assert_true(fabs(0.5 * (high - low) - 0.5) < 0.005);
    waves_free(&waves);
}

static void regular_waves_come_as_often_as_asked(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = waves_of(&recipe);

    (void)state;
    assert_true(fabs(waves_phase(waves, 10.0, 120.0) - waves_phase(waves, 10.0, 0.0) - 6.0) < 1e-6);
    waves_free(&waves);
}

static void a_rate_that_changes_holds_from_then_on_in_the_middle(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = NULL;
    struct error *err = NULL;

    (void)state;
    recipe.rate_per_min = 2.0;
    recipe.rate_later_per_min = 4.0;
    assert_true(recipe_settle(&recipe, &err));
    waves = waves_of(&recipe);
    for (size_t i = 0; waves_passes_s(waves, i + 1, 18.0) < 120.0; i++) {
        double one = waves_passes_s(waves, i, 18.0);
        double next = waves_passes_s(waves, i + 1, 18.0);

        assert_true(fabs(next - one - (one < 60.0 ? 30.0 : 15.0)) < 1e-6);
    }
    waves_free(&waves);
}

static void a_quiet_uterus_has_no_waves(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = NULL;
    struct wave wave;

    (void)state;
    recipe.rate_per_min = 0.0;
    waves = waves_of(&recipe);
    assert_false(waves_get(waves, 0, &wave));
    for (double t = 0.0; t < 120.0; t += 7.3)
        assert_true(waves_at(waves, 12.0, t).change_mm == 0.0);
    waves_free(&waves);
}

static void irregular_waves_differ_in_interval_and_strength(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = NULL;
    struct wave first = {0}, second = {0}, third = {0};

    (void)state;
    recipe.interval_jitter = 0.3;
    recipe.amplitude_jitter = 0.3;
    waves = waves_of(&recipe);
    assert_true(waves_get(waves, 5, &first) && waves_get(waves, 6, &second) && waves_get(waves, 7, &third));
    assert_true(fabs((third.starts_s - second.starts_s) - (second.starts_s - first.starts_s)) > 0.1);
    assert_true(fabs(second.amplitude_mm - first.amplitude_mm) > 0.001);
    waves_free(&waves);
}

static void mixed_waves_run_either_way(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = NULL;
    struct wave wave;
    int toward = 0, away = 0;

    (void)state;
    recipe.direction = FLOW_MIXED;
    waves = waves_of(&recipe);
    for (size_t i = 0; waves_get(waves, i, &wave); i++) {
        toward += wave.flow == FLOW_CERVIX_TO_FUNDUS;
        away += wave.flow == FLOW_FUNDUS_TO_CERVIX;
    }
    assert_true(toward > 2 && away > 2);
    waves_free(&waves);
}

static void motion_dies_out_beyond_the_stripe(void **state)
{
    struct recipe recipe = regular();
    struct waves *waves = waves_of(&recipe);
    double inside = 0.0, beyond = 0.0;

    (void)state;
    for (double t = 0.0; t < 40.0; t += 0.1) {
        inside = fmax(inside, fabs(waves_at(waves, 15.0, t).change_mm));
        beyond = fmax(beyond, fabs(waves_at(waves, -25.0, t).change_mm));
    }
    assert_true(beyond < 0.06 * inside);
    waves_free(&waves);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(waves_toward_the_fundus_narrow_the_cervical_end_first),
        cmocka_unit_test(waves_toward_the_cervix_narrow_the_fundal_end_first),
        cmocka_unit_test(opposing_waves_meet_in_the_middle),
        cmocka_unit_test(amplitude_is_half_of_the_peak_to_peak_change),
        cmocka_unit_test(regular_waves_come_as_often_as_asked),
        cmocka_unit_test(a_rate_that_changes_holds_from_then_on_in_the_middle),
        cmocka_unit_test(a_quiet_uterus_has_no_waves),
        cmocka_unit_test(irregular_waves_differ_in_interval_and_strength),
        cmocka_unit_test(mixed_waves_run_either_way),
        cmocka_unit_test(motion_dies_out_beyond_the_stripe),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
