/* Contracts of measure/rate_course.h on made traces. */
#include "measure/rate_course.h"

#include "train_fixture.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static struct rate_course course_of(const struct train_recipe *recipe, struct wave_result *result)
{
    struct train_fixture made = train_fixture_make(recipe);
    struct text_list reasons = {0};
    struct wave_list list = {0};
    struct rate_course course = {0};
    struct error *err = NULL;

    if (!contraction_measure(result, &reasons, &made.trace, &err) ||
        !wave_list_make(&list, &made.trace, result, &err) ||
        !rate_course_make(&course, &made.trace, result, &list, &err))
        fail_msg("%s", error_message(err));
    wave_list_free(&list);
    text_list_free(&reasons);
    train_fixture_free(&made);
    return course;
}

static void a_steady_rate_has_intervals_that_overlap_and_hold_it(void **state)
{
    static const double rates[] = {1.6, 2.4, 3.7};

    (void)state;
    for (int i = 0; i < 3; i++) {
        struct train_recipe recipe = {.seed = i + 1, .duration_s = 180.0};
        struct wave_result result;
        struct rate_course course;
        double lowest = INFINITY;
        double highest = 0.0;
        size_t n_told = 0;

        train_fixture_add(&recipe, -60.0, 250.0, rates[i], i == 1 ? TRAIN_TO_CERVIX : TRAIN_TO_FUNDUS);
        course = course_of(&recipe, &result);
        assert_true(course.n >= 7);
        for (size_t k = 0; k < course.n; k++) {
            const struct rate_window *window = &course.window[k];

            if (!window->has_rate)
                continue;
            n_told++;
            assert_true(window->low_per_min <= rates[i] && rates[i] <= window->high_per_min);
            assert_true(window->high_per_min - window->low_per_min < 1.0);
            lowest = fmin(lowest, window->high_per_min);
            highest = fmax(highest, window->low_per_min);
        }
        assert_true(10 * n_told >= 9 * course.n);
        assert_true(highest <= lowest);
        rate_course_free(&course);
    }
}

static void a_loop_that_speeds_up_half_way_is_seen_to(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 3; seed++) {
        struct train_recipe recipe = {.seed = seed, .duration_s = 180.0};
        struct wave_result result;
        struct rate_course course;
        const struct rate_window *first = NULL;
        const struct rate_window *last = NULL;

        train_fixture_add(&recipe, -60.0, 89.0, 2.0, TRAIN_TO_FUNDUS);
        train_fixture_add(&recipe, 105.0, 250.0, 4.0, TRAIN_TO_FUNDUS);
        course = course_of(&recipe, &result);
        assert_true(course.n >= 2);
        for (size_t k = 0; k < course.n; k++) {
            const struct rate_window *window = &course.window[k];

            if (!window->has_rate)
                assert_non_null(window->why);
            else if (window->to_s <= 92.0 && first == NULL)
                first = window;
            else if (window->from_s >= 95.0)
                last = window;
        }
        assert_non_null(first);
        assert_non_null(last);
        assert_true(first->low_per_min <= 2.0 && 2.0 <= first->high_per_min);
        assert_true(last->low_per_min <= 4.0 && 4.0 <= last->high_per_min);
        assert_true(first->high_per_min < last->low_per_min);
        rate_course_free(&course);
    }
}

static void no_window_reaches_over_what_was_not_looked_at(void **state)
{
    struct train_recipe recipe = {.seed = 4, .duration_s = 200.0, .lost_from_s = 70.0, .lost_to_s = 90.0};
    struct wave_result result;
    struct rate_course course;

    (void)state;
    train_fixture_add(&recipe, -60.0, 260.0, 3.0, TRAIN_TO_FUNDUS);
    course = course_of(&recipe, &result);
    assert_true(course.n >= 3);
    for (size_t k = 0; k < course.n; k++) {
        assert_true(course.window[k].from_s >= 89.9 && course.window[k].to_s <= 200.1);
        assert_true(course.window[k].to_s - course.window[k].from_s >= 60.0 - 1e-6);
    }
    rate_course_free(&course);
}

static void a_quiet_uterus_has_a_spectrum_but_no_rate_at_any_time(void **state)
{
    struct wave_result result;
    struct rate_course course = course_of(&(struct train_recipe){.seed = 6}, &result);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_QUIESCENT);
    assert_int_equal(course.n, 7); /* 60 s every 10 s in 120 s */
    for (size_t k = 0; k < course.n; k++) {
        assert_false(course.window[k].has_rate);
        assert_non_null(course.window[k].why);
        assert_true(course.power[k * SPECTROGRAM_FREQUENCIES + 12] > 0.0);
    }
    rate_course_free(&course);
}

static void the_power_of_waves_stands_at_their_rate(void **state)
{
    struct train_recipe recipe = {.seed = 7};
    struct wave_result result;
    struct rate_course course;

    (void)state;
    train_fixture_add(&recipe, -60.0, 190.0, 3.0, TRAIN_TO_FUNDUS);
    course = course_of(&recipe, &result);
    for (size_t k = 0; k < course.n; k++) {
        const double *power = course.power + k * SPECTROGRAM_FREQUENCIES;
        double total = 0.0;
        size_t most = 0;

        for (size_t f = 0; f < SPECTROGRAM_FREQUENCIES; f++) {
            most = power[f] > power[most] ? f : most;
            total += power[f] * SPECTROGRAM_STEP_PER_MIN;
        }
        assert_true(fabs(SPECTROGRAM_LOW_PER_MIN + SPECTROGRAM_STEP_PER_MIN * (double)most - 3.0) <= 0.26);
        /* A sinusoid of 0.4 mm has the variance 0.08 mm^2, nearly all of it within the band. */
        assert_true(fabs(total / 0.08 - 1.0) < 0.25);
    }
    rate_course_free(&course);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_steady_rate_has_intervals_that_overlap_and_hold_it),
        cmocka_unit_test(a_loop_that_speeds_up_half_way_is_seen_to),
        cmocka_unit_test(no_window_reaches_over_what_was_not_looked_at),
        cmocka_unit_test(a_quiet_uterus_has_a_spectrum_but_no_rate_at_any_time),
        cmocka_unit_test(the_power_of_waves_stands_at_their_rate),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
