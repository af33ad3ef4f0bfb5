/* Contracts of measure/passes.h: how many waves a list makes of a stretch of time. */
#include "measure/passes.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { N_WAVES = 9 };

/* Waves every 12 s from 6 s on, looked at from 0 to 108 s; passes that are left out are those of `lacks`. */
static struct passes every_twelve_seconds(size_t lacks_from, size_t lacks_to)
{
    struct wave_one wave[N_WAVES] = {{0}};
    struct wave_list list = {.wave = wave, .from_s = 0.0, .to_s = 108.0};

    for (size_t i = 0; i < N_WAVES; i++)
        if (i < lacks_from || i >= lacks_to) {
            wave[list.n].has_middle = true;
            wave[list.n++].middle_s = 6.0 + 12.0 * (double)(N_WAVES - 1 - i); /* the last first */
        }
    return passes_of(&list);
}

static void waves_without_a_gap_are_counted_with_their_parts_at_the_edges(void **state)
{
    struct passes passes = every_twelve_seconds(0, 0);

    (void)state;
    assert_int_equal(passes.n, N_WAVES);
    assert_int_equal(passes.n_gaps, 0);
    assert_false(passes.lacks_first || passes.lacks_last);
    assert_true(fabs(passes_waves(&passes, 0.0, 108.0) - 9.0) < 1e-9);
    assert_true(fabs(passes_waves(&passes, 12.0, 36.0) - 2.0) < 1e-9);
    assert_true(passes_error(&passes) < 0.05);
}

static void a_wave_that_was_left_out_is_not_counted(void **state)
{
    struct passes passes = every_twelve_seconds(4, 5);

    (void)state;
    assert_int_equal(passes.n_gaps, 1);
    assert_true(fabs(passes.usual_s - 12.0) < 1e-9); /* the gap is no usual interval */
    assert_true(fabs(passes_waves(&passes, 0.0, 108.0) - 8.0) < 1e-9);
}

static void where_a_wave_was_due_beside_an_edge_half_of_one_is_counted(void **state)
{
    struct passes late = every_twelve_seconds(N_WAVES - 1, N_WAVES); /* the first in time */
    struct passes early = every_twelve_seconds(0, 1);

    (void)state;
    assert_true(late.lacks_first && !late.lacks_last);
    assert_true(early.lacks_last && !early.lacks_first);
    assert_true(fabs(passes_waves(&late, 0.0, 108.0) - 8.0) < 1e-9);
    assert_true(fabs(passes_waves(&early, 0.0, 108.0) - 8.0) < 1e-9);
}

static void a_pass_beyond_an_edge_tells_the_part_of_its_interval_within(void **state)
{
    struct wave_one wave[3] = {{0}};
    double beside_s[] = {-4.0, 70.0};
    struct wave_list list = {.wave = wave,
                             .n = 3,
                             .from_s = 0.0,
                             .to_s = 60.0,
                             .beside_s = beside_s,
                             .n_beside = 2,
                             .is_edge_told = {true, true}};
    struct passes passes;

    (void)state;
    for (size_t i = 0; i < 3; i++) {
        wave[i].has_middle = true;
        wave[i].middle_s =
            12.0 + 16.0 * (double)i; /* 44 s is the last, 26 s before the pass beyond the end */
    }
    passes = passes_of(&list);
    assert_int_equal(passes.n, 5);
    assert_false(passes.lacks_first || passes.lacks_last);
    assert_int_equal(passes.n_gaps, 1);
    assert_true(fabs(passes_waves(&passes, 0.0, 12.0) - 0.75) < 1e-9);
    assert_true(fabs(passes_waves(&passes, 44.0, 60.0) - 0.5) < 1e-9); /* half a wave, then none */
    assert_true(fabs(passes_waves(&passes, 44.0, 70.0) - 1.0) < 1e-9);
}

static void where_none_was_seen_beside_an_edge_half_a_wave_is_led_on(void **state)
{
    struct wave_one wave[3] = {{0}};
    struct wave_list list = {.wave = wave, .n = 3, .from_s = 0.0, .to_s = 64.0, .is_edge_told = {true, true}};
    struct passes passes;

    (void)state;
    for (size_t i = 0; i < 3; i++) {
        wave[i].has_middle = true;
        wave[i].middle_s = 16.0 + 16.0 * (double)i;
    }
    passes = passes_of(&list);
    assert_true(passes.lacks_first && passes.lacks_last);
    assert_true(fabs(passes_waves(&passes, 0.0, 64.0) - 3.0) < 1e-9);
}

static void uneven_waves_leave_more_to_err_about_at_the_edges(void **state)
{
    struct wave_one wave[5] = {{0}};
    struct wave_list list = {.wave = wave, .n = 5, .from_s = 0.0, .to_s = 100.0};
    static const double at_s[] = {10.0, 25.0, 50.0, 65.0, 90.0};
    struct passes passes;

    (void)state;
    for (size_t i = 0; i < 5; i++) {
        wave[i].has_middle = true;
        wave[i].middle_s = at_s[i];
    }
    passes = passes_of(&list);
    assert_int_equal(passes.n_gaps, 0);
    assert_true(passes.uneven > 0.2);
    assert_true(passes_error(&passes) > 0.15);
}

static void fewer_than_two_passes_are_taken_without_a_rate(void **state)
{
    struct passes passes = every_twelve_seconds(1, N_WAVES);

    (void)state;
    assert_int_equal(passes.n, 1);
    passes = every_twelve_seconds(0, N_WAVES);
    assert_int_equal(passes.n, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(waves_without_a_gap_are_counted_with_their_parts_at_the_edges),
        cmocka_unit_test(a_wave_that_was_left_out_is_not_counted),
        cmocka_unit_test(where_a_wave_was_due_beside_an_edge_half_of_one_is_counted),
        cmocka_unit_test(a_pass_beyond_an_edge_tells_the_part_of_its_interval_within),
        cmocka_unit_test(where_none_was_seen_beside_an_edge_half_a_wave_is_led_on),
        cmocka_unit_test(uneven_waves_leave_more_to_err_about_at_the_edges),
        cmocka_unit_test(fewer_than_two_passes_are_taken_without_a_rate),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
