/* Contracts of measure/before_after.h: what the loops of one transfer say together of the time before the
 * deposit and after it. */
#include "measure/before_after.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

enum { BEFORE, DEPOSIT, AFTER, N_LOOPS };

/* Three loops on one clock, 10 s apart; the deposit 30 s into the second, of which only what comes after has
 * a frequency. */
static void fill(struct loop_result loops[N_LOOPS], struct rate_seen windows[N_LOOPS])
{
    static char names[N_LOOPS][16] = {"one.dcm", "two.dcm", "three.dcm"};

    memset(loops, 0, N_LOOPS * sizeof *loops);
    for (size_t i = 0; i < N_LOOPS; i++) {
        windows[i] = (struct rate_seen){.from_s = 0.0, .to_s = 60.0};
        loops[i].file = names[i];
        loops[i].has_start = true;
        loops[i].start_s = 1000.0 + 130.0 * (double)i;
        loops[i].duration_s = 120.0;
        loops[i].contractions = (struct contractions){
            .verdict = CONTRACTIONS_MEASURED,
            .assessed_s = 119.0,
            .frequency_per_min = quantity_within(2.0 + (double)i, 1.8 + (double)i, 2.2 + (double)i),
            .amplitude_mm = quantity_within(0.5, 0.4, 0.6),
            .over_time = &windows[i],
            .n_over_time = 1,
        };
    }
    loops[DEPOSIT].deposit.verdict = DEPOSIT_MEASURED;
    loops[DEPOSIT].deposit.time_s = quantity_of(30.0);
    loops[DEPOSIT].contractions.before_after.before =
        (struct contraction_side){.is_there = true, .from_s = 0.0, .to_s = 30.0};
    loops[DEPOSIT].contractions.before_after.after =
        (struct contraction_side){.is_there = true,
                                  .from_s = 30.0,
                                  .to_s = 119.0,
                                  .frequency_per_min = quantity_within(3.5, 3.2, 3.8),
                                  .amplitude_mm = quantity_within(0.7, 0.6, 0.8)};
}

static struct before_after joined(const struct loop_result *loops)
{
    struct contractions contractions = {0};
    struct error *err = NULL;

    assert_true(before_after_join(&contractions, loops, N_LOOPS, DEPOSIT, &err));
    return contractions.before_after;
}

static void a_side_that_the_loop_of_the_deposit_cannot_tell_is_the_nearest_loops(void **state)
{
    struct loop_result loops[N_LOOPS];
    struct rate_seen windows[N_LOOPS];
    struct before_after made;

    (void)state;
    fill(loops, windows);
    made = joined(loops);
    assert_int_equal(made.before.loop, BEFORE);
    assert_int_equal(made.after.loop, DEPOSIT);
    assert_true(fabs(made.before.frequency_per_min.value - (2.0)) < 1e-12);
    assert_true(fabs(made.frequency_difference_per_min.value - (1.5)) < 1e-12);
    assert_true(fabs(made.frequency_difference_per_min.low - (1.5 - hypot(0.3, 0.2))) < 1e-12);
    assert_true(fabs(made.amplitude_difference_mm.value - (0.2)) < 1e-12);
    assert_int_equal(made.reasons.n, 1);
    assert_non_null(strstr(made.reasons.items[0], "two loops (one.dcm and two.dcm)"));
    text_list_free(&made.reasons);
    loops[DEPOSIT].contractions.before_after.after.frequency_per_min = (struct quantity){0};
    made = joined(loops); /* neither side: a loop before it and one after it */
    assert_int_equal(made.before.loop, BEFORE);
    assert_int_equal(made.after.loop, AFTER);
    assert_true(fabs(made.frequency_difference_per_min.value - (2.0)) < 1e-12);
    text_list_free(&made.reasons);
}

static void loops_without_a_clock_or_of_another_day_are_not_compared(void **state)
{
    struct loop_result loops[N_LOOPS];
    struct rate_seen windows[N_LOOPS];
    struct before_after made;

    (void)state;
    fill(loops, windows);
    loops[BEFORE].has_start = false;
    made = joined(loops);
    assert_false(made.frequency_difference_per_min.is_known);
    assert_false(made.before.frequency_per_min.is_known);
    text_list_free(&made.reasons);
    fill(loops, windows);
    loops[BEFORE].start_s -= 2.0 * 86400.0;
    made = joined(loops);
    assert_false(made.frequency_difference_per_min.is_known);
    text_list_free(&made.reasons);
    fill(loops, windows);
    loops[BEFORE].start_s += 60.0; /* its clock says that it ran on into the loop of the deposit */
    made = joined(loops);
    assert_false(made.frequency_difference_per_min.is_known);
    text_list_free(&made.reasons);
}

static void without_a_deposit_no_loop_is_before_or_after_it(void **state)
{
    struct loop_result loops[N_LOOPS];
    struct rate_seen windows[N_LOOPS];
    struct before_after made;

    (void)state;
    fill(loops, windows);
    loops[DEPOSIT].deposit.verdict = DEPOSIT_NONE_SEEN;
    memset(&loops[DEPOSIT].contractions.before_after, 0, sizeof loops[DEPOSIT].contractions.before_after);
    made = joined(loops);
    assert_false(made.before.is_there || made.after.is_there || made.frequency_difference_per_min.is_known);
    text_list_free(&made.reasons);
}

static void the_loop_of_the_deposit_speaks_where_it_tells_both_sides(void **state)
{
    struct loop_result loops[N_LOOPS];
    struct rate_seen windows[N_LOOPS];
    struct before_after made;

    (void)state;
    fill(loops, windows);
    loops[DEPOSIT].contractions.before_after.before.frequency_per_min = quantity_within(3.1, 2.9, 3.3);
    loops[DEPOSIT].contractions.before_after.frequency_difference_per_min = quantity_within(0.4, 0.1, 0.7);
    made = joined(loops);
    assert_int_equal(made.before.loop, DEPOSIT);
    assert_true(fabs(made.frequency_difference_per_min.value - (0.4)) < 1e-12);
    text_list_free(&made.reasons);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_side_that_the_loop_of_the_deposit_cannot_tell_is_the_nearest_loops),
        cmocka_unit_test(loops_without_a_clock_or_of_another_day_are_not_compared),
        cmocka_unit_test(without_a_deposit_no_loop_is_before_or_after_it),
        cmocka_unit_test(the_loop_of_the_deposit_speaks_where_it_tells_both_sides),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
