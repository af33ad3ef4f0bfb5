/* Contracts of measure/drift_opinions.h. */
#include "measure/drift_opinions.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static const struct canvas CANVAS = {.step_px = 1, .mm_per_px_x = 0.2, .mm_per_px_y = 0.2};

static struct drift joined(double centre_mm, double speckle_mm, const char *why)
{
    const struct drift_opinions opinions = {.has_direction = true,
                                            .centre_mm = centre_mm,
                                            .centre_error_mm = 0.3,
                                            .speckle_mm = speckle_mm,
                                            .speckle_error_mm = 0.4,
                                            .shared_error_mm = 0.1,
                                            .why_no_speckle = why};
    struct drift drift = {.verdict = DRIFT_MEASURED};

    drift.net_mm = quantity_of(fabs(centre_mm));
    drift_opinions_join(&drift, &CANVAS, &opinions);
    return drift;
}

static bool is_about(double value, double wanted)
{
    return fabs(value - wanted) < 1e-9;
}

static void opinions_that_agree_leave_the_interval_as_it_is(void **state)
{
    struct drift drift = joined(4.0, 4.9, NULL);
    double half = 1.96 * hypot(0.3, 0.1);

    (void)state;
    assert_int_equal(drift.verdict, DRIFT_MEASURED);
    assert_true(is_about(drift.toward_fundus_mm.low, 4.0 - half));
    assert_true(is_about(drift.toward_fundus_mm.high, 4.0 + half));
    assert_true(is_about(drift.by_speckle_mm.value, 4.9));
    assert_true(is_about(drift.by_speckle_mm.high, 4.9 + 1.96 * hypot(0.4, 0.1)));
    assert_true(drift.by_speckle_px.is_known);
    assert_int_equal(drift.reasons.n, 0);
    drift_free(&drift);
}

static void opinions_that_disagree_are_both_held_by_the_interval(void **state)
{
    (void)state;
    for (int sign = -1; sign <= 1; sign += 2) {
        struct drift drift = joined(1.0, 1.0 + 2.5 * sign, NULL);

        assert_int_equal(drift.verdict, DRIFT_MEASURED);
        assert_true(is_about(drift.toward_fundus_mm.value, 1.0));
        assert_true(drift.toward_fundus_mm.low <= fmin(1.0, 1.0 + 2.5 * sign) + 1e-9);
        assert_true(drift.toward_fundus_mm.high >= fmax(1.0, 1.0 + 2.5 * sign) - 1e-9);
        assert_int_equal(drift.reasons.n, 1);
        assert_non_null(strstr(drift.reasons.items[0], sign < 0 ? "1.5 mm away from" : "3.5 mm toward"));
        drift_free(&drift);
    }
}

static void opinions_that_disagree_grossly_leave_no_drift(void **state)
{
    struct drift drift = joined(-8.0, 0.2, NULL);

    (void)state;
    assert_int_equal(drift.verdict, DRIFT_NOT_ASSESSABLE);
    assert_false(drift.toward_fundus_mm.is_known || drift.net_mm.is_known || drift.by_speckle_mm.is_known);
    assert_int_equal(drift.reasons.n, 1);
    assert_non_null(strstr(drift.reasons.items[0], "8.0 mm away from"));
    drift_free(&drift);
}

static void where_the_fundus_is_not_known_no_way_toward_it_is_spoken_of(void **state)
{
    (void)state;
    for (int gross = 0; gross < 2; gross++) {
        const struct drift_opinions opinions = {.centre_mm = gross == 1 ? -8.0 : -2.0,
                                                .centre_error_mm = 0.3,
                                                .speckle_mm = 0.2,
                                                .speckle_error_mm = 0.4,
                                                .shared_error_mm = 0.1};
        struct drift drift = {.verdict = DRIFT_MEASURED};

        drift_opinions_join(&drift, &CANVAS, &opinions);
        assert_int_equal(drift.verdict, gross == 1 ? DRIFT_NOT_ASSESSABLE : DRIFT_MEASURED);
        assert_int_equal(drift.reasons.n, gross == 1 ? 1 : 0);
        for (size_t i = 0; i < drift.reasons.n; i++)
            assert_null(strstr(drift.reasons.items[i], "fundus"));
        drift_free(&drift);
    }
}

static void a_drift_told_no_better_than_to_two_millimetres_is_not_told(void **state)
{
    const struct drift_opinions opinions = {
        .has_direction = true, .centre_mm = 2.0, .centre_error_mm = 1.1, .why_no_speckle = "lost"};
    struct drift drift = {.verdict = DRIFT_MEASURED};

    (void)state;
    drift.net_mm = quantity_of(2.0);
    drift_opinions_join(&drift, &CANVAS, &opinions);
    assert_int_equal(drift.verdict, DRIFT_NOT_ASSESSABLE);
    assert_false(drift.toward_fundus_mm.is_known || drift.net_mm.is_known);
    assert_non_null(strstr(drift.reasons.items[0], "too vague"));
    drift_free(&drift);
}

static void one_opinion_is_told_as_one(void **state)
{
    struct drift drift = joined(-8.0, 0.0, "the pattern was lost");

    (void)state;
    assert_int_equal(drift.verdict, DRIFT_MEASURED);
    assert_true(is_about(drift.toward_fundus_mm.value, -8.0) && drift.toward_fundus_mm.has_interval);
    assert_false(drift.by_speckle_mm.is_known || drift.by_speckle_px.is_known);
    assert_int_equal(drift.reasons.n, 1);
    assert_non_null(strstr(drift.reasons.items[0], "once, not twice: the pattern was lost"));
    drift_free(&drift);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(opinions_that_agree_leave_the_interval_as_it_is),
        cmocka_unit_test(opinions_that_disagree_are_both_held_by_the_interval),
        cmocka_unit_test(opinions_that_disagree_grossly_leave_no_drift),
        cmocka_unit_test(where_the_fundus_is_not_known_no_way_toward_it_is_spoken_of),
        cmocka_unit_test(a_drift_told_no_better_than_to_two_millimetres_is_not_told),
        cmocka_unit_test(one_opinion_is_told_as_one),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
