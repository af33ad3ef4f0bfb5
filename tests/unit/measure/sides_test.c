/* Contracts of measure/sides.h on made traces: contractions before a moment against those after it. */
#include "measure/sides.h"

#include "synth/dice.h"
#include "train_fixture.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

/* Walls are read as points, and the amplitude of the whole is known to 12 %. */
static struct sides sides_of(const struct train_recipe *recipe, struct parting parting)
{
    struct train_fixture made = train_fixture_make(recipe);
    double half_mm[TRAIN_FIXTURE_PLACES];
    struct text_list reasons = {0};
    struct wave_result whole;
    struct wave_list list = {0};
    struct sides sides = {0};
    struct error *err = NULL;

    for (size_t p = 0; p < TRAIN_FIXTURE_PLACES; p++)
        half_mm[p] = 4.5;
    made.trace.half_mm = half_mm;
    if (!contraction_measure(&whole, &reasons, &made.trace, &err))
        fail_msg("%s", error_message(err));
    whole.is_at_walls = true;
    whole.fade_mm = 9.0;
    whole.amplitude_low = 0.88 * whole.amplitude;
    whole.amplitude_high = 1.12 * whole.amplitude;
    if (!wave_list_make(&list, &made.trace, &whole, &err) ||
        !sides_measure(&sides, &made.trace, parting, &whole, &list, &err))
        fail_msg("%s", error_message(err));
    wave_list_free(&list);
    text_list_free(&reasons);
    train_fixture_free(&made);
    return sides;
}

static bool holds(struct quantity quantity, double truth)
{
    return quantity.is_known && quantity.has_interval && quantity.low <= truth && truth <= quantity.high;
}

static void waves_that_come_more_often_afterwards_are_told_to(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 3; seed++) {
        struct train_recipe recipe = {.seed = seed, .duration_s = 160.0};
        struct sides sides;
        double before = 0.0;
        double after = 0.0;

        train_fixture_add(&recipe, -60.0, 79.0, 2.0, TRAIN_TO_FUNDUS);
        train_fixture_add(&recipe, 90.0, 230.0, 4.0, TRAIN_TO_FUNDUS);
        before = train_fixture_waves(&recipe, 0.0, 80.0) / 80.0 * 60.0;
        after = train_fixture_waves(&recipe, 80.0, 160.0) / 80.0 * 60.0;
        sides = sides_of(&recipe, (struct parting){80.0, 80.0});
        assert_true(sides.before.rate.has_rate && sides.after.rate.has_rate);
        assert_true(sides.before.rate.low_per_min <= before && before <= sides.before.rate.high_per_min);
        assert_true(sides.after.rate.low_per_min <= after && after <= sides.after.rate.high_per_min);
        assert_true(holds(sides.rate_difference, after - before));
        assert_true(sides.rate_difference.low > 0.0);
    }
}

static void where_nothing_changes_the_difference_may_be_none(void **state)
{
    static const double rates[] = {1.7, 2.6, 3.8};

    (void)state;
    for (int i = 0; i < 3; i++) {
        struct train_recipe recipe = {.seed = i + 1, .duration_s = 150.0};
        struct sides sides;

        train_fixture_add(&recipe, -60.0, 220.0, rates[i], TRAIN_TO_CERVIX);
        sides = sides_of(&recipe, (struct parting){72.0, 76.0});
        assert_true(holds(sides.rate_difference, 0.0));
        assert_true(holds(sides.amplitude_difference, 0.0));
        assert_true(sides.rate_difference.high - sides.rate_difference.low < 1.0);
        assert_float_equal(sides.before.rate.to_s, 72.0, 1e-9);
        assert_float_equal(sides.after.rate.from_s, 76.0, 1e-9);
    }
}

static void waves_that_grow_are_told_to(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 3; seed++) {
        struct train_recipe recipe = {.seed = seed, .duration_s = 160.0};
        struct sides sides;

        train_fixture_add(&recipe, -60.0, 230.0, 3.0, TRAIN_TO_FUNDUS);
        for (size_t i = 0; i < recipe.n; i++)
            recipe.wave[i].height_mm = recipe.wave[i].middle_s < 80.0 ? 0.6 : 1.1;
        sides = sides_of(&recipe, (struct parting){80.0, 80.0});
        assert_true(holds(sides.amplitude_difference, 0.25));
        assert_true(sides.amplitude_difference.low > 0.0);
        assert_true(holds(sides.rate_difference, 0.0));
    }
}

static void a_side_shorter_than_a_minute_tells_nothing(void **state)
{
    struct train_recipe recipe = {.seed = 4};
    struct sides sides;

    (void)state;
    train_fixture_add(&recipe, -60.0, 190.0, 3.0, TRAIN_TO_FUNDUS);
    sides = sides_of(&recipe, (struct parting){30.0, 30.0});
    assert_true(sides.before.is_there && !sides.before.rate.has_rate);
    assert_non_null(sides.before.rate.why);
    assert_false(sides.before.amplitude.is_known);
    assert_true(sides.after.rate.has_rate);
    assert_false(sides.rate_difference.is_known || sides.amplitude_difference.is_known);
    sides = sides_of(&recipe, (struct parting){-10.0, -10.0}); /* before the loop */
    assert_false(sides.before.is_there);
    assert_false(sides.rate_difference.is_known);
}

/* Zou and Donner: squares of the distances to the limits that face each other are added. */
static void a_difference_rests_on_the_limits_that_face_each_other(void **state)
{
    struct quantity made = sides_difference(quantity_within(2.0, 1.8, 2.2), quantity_within(3.4, 3.1, 3.8));

    (void)state;
    assert_true(fabs(made.value - (1.4)) < 1e-12);
    assert_true(fabs(made.low - (1.4 - sqrt(0.3 * 0.3 + 0.2 * 0.2))) < 1e-12);
    assert_true(fabs(made.high - (1.4 + sqrt(0.4 * 0.4 + 0.2 * 0.2))) < 1e-12);
    assert_false(sides_difference((struct quantity){0}, quantity_within(3.4, 3.1, 3.8)).is_known);
    assert_false(sides_difference(quantity_of(2.0), quantity_within(3.4, 3.1, 3.8)).is_known);
}

static void a_catheter_that_jerks_the_walls_is_seen_to_disturb_them(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 6; seed++) {
        struct train_recipe recipe = {.seed = seed};
        struct train_fixture made;
        struct dice dice = dice_make(seed, 7);

        train_fixture_add(&recipe, -60.0, 190.0, 3.0, TRAIN_TO_FUNDUS);
        made = train_fixture_make(&recipe);
        assert_false(sides_are_disturbed(&made.trace, 40.0, 52.0));
        for (size_t t = 0; t < made.trace.n_times; t++)
            for (size_t p = 0; p < TRAIN_FIXTURE_PLACES; p++)
                if (made.time_s[t] >= 40.0 && made.time_s[t] <= 52.0)
                    made.change_mm[t * TRAIN_FIXTURE_PLACES + p] += 0.12 * dice_normal(&dice);
        assert_true(sides_are_disturbed(&made.trace, 40.0, 52.0));
        train_fixture_free(&made);
        made = train_fixture_make(&recipe);
        for (size_t t = 400; t < 520; t++) /* or hides them */
            for (size_t p = 0; p < TRAIN_FIXTURE_PLACES; p += 4)
                made.trust[t * TRAIN_FIXTURE_PLACES + p] = 0.1F;
        assert_true(sides_are_disturbed(&made.trace, 40.0, 52.0));
        train_fixture_free(&made);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(waves_that_come_more_often_afterwards_are_told_to),
        cmocka_unit_test(where_nothing_changes_the_difference_may_be_none),
        cmocka_unit_test(waves_that_grow_are_told_to),
        cmocka_unit_test(a_side_shorter_than_a_minute_tells_nothing),
        cmocka_unit_test(a_difference_rests_on_the_limits_that_face_each_other),
        cmocka_unit_test(a_catheter_that_jerks_the_walls_is_seen_to_disturb_them),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
