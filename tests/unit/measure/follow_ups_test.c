/* Contracts of measure/follow_ups.h, on loops filled by hand: the sums are the test's own. */
#include "measure/follow_ups.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

enum { N_LOOPS = 3, N_ROWS = 4 };

/* A deposit 20 s into a loop of 60 s, 12 mm from the fundus; two later loops, 300 and 900 s after the
 * first began, in which the bubbles were last seen at 30 s (the row at 45 s shows none). */
struct recorded {
    struct loop_result loops[N_LOOPS];
    struct series_row rows[N_LOOPS][N_ROWS];
    struct drift drift; /* the transfer's */
};

static char names[N_LOOPS][8] = {"a.dcm", "b.dcm", "c.dcm"};

static void record(struct recorded *made)
{
    static const double starts_s[N_LOOPS] = {1000.0, 1300.0, 1900.0};
    static const double final_mm[N_LOOPS] = {11.0, 9.0, 14.0};

    memset(made, 0, sizeof *made);
    for (size_t i = 0; i < N_LOOPS; i++) {
        struct loop_result *loop = &made->loops[i];

        *loop = (struct loop_result){.file = names[i],
                                     .duration_s = 60.0,
                                     .has_start = true,
                                     .start_s = starts_s[i],
                                     .scale = {.source = SCALE_DICOM_REGION},
                                     .series = made->rows[i],
                                     .n_series = N_ROWS};
        loop->drift.verdict = DRIFT_MEASURED;
        loop->drift.final_to_fundus_mm = quantity_of(final_mm[i]);
        loop->deposit.verdict = DEPOSIT_NOT_ASSESSABLE;
        for (size_t k = 0; k < N_ROWS; k++) {
            made->rows[i][k].time_s = 15.0 * (double)k;
            if (k < N_ROWS - 1)
                made->rows[i][k].bubble_x_px = quantity_of(100.0);
        }
    }
    made->loops[0].deposit.verdict = DEPOSIT_MEASURED;
    made->loops[0].deposit.time_s = quantity_of(20.0);
    made->loops[0].deposit.to_fundus_mm = quantity_of(12.0);
}

static void follow_up(struct recorded *recorded)
{
    struct error *err = NULL;

    assert_true(follow_ups_make(&recorded->drift, recorded->loops, N_LOOPS, 0, &err));
}

static bool says(const struct recorded *recorded, const char *file, const char *words)
{
    for (size_t i = 0; i < recorded->drift.reasons.n; i++)
        if (strstr(recorded->drift.reasons.items[i], file) == recorded->drift.reasons.items[i] &&
            strstr(recorded->drift.reasons.items[i], words) != NULL)
            return true;
    return false;
}

static void minutes_run_from_the_deposit_to_the_bubbles_last_seen(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    follow_up(&recorded);
    assert_int_equal(recorded.drift.n_follow_ups, 2);
    assert_int_equal(recorded.drift.follow_ups[0].loop, 1);
    /* 1300 + 30 - (1000 + 20) s; 1900 + 30 - 1020 s */
    assert_true(fabs(recorded.drift.follow_ups[0].minutes_after_deposit.value - 310.0 / 60.0) < 1e-9);
    assert_true(fabs(recorded.drift.follow_ups[1].minutes_after_deposit.value - 910.0 / 60.0) < 1e-9);
    assert_true(recorded.drift.follow_ups[0].toward_fundus_mm.value == 3.0); /* 12 to 9 mm */
    assert_true(recorded.drift.follow_ups[1].toward_fundus_mm.value == -2.0);
    assert_int_equal(recorded.drift.reasons.n, 0);
    drift_free(&recorded.drift);
}

static void a_later_loop_without_a_clock_keeps_its_distance_but_no_minutes(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    recorded.loops[2].has_start = false;
    follow_up(&recorded);
    assert_true(recorded.drift.follow_ups[0].minutes_after_deposit.is_known);
    assert_false(recorded.drift.follow_ups[1].minutes_after_deposit.is_known);
    assert_true(recorded.drift.follow_ups[1].toward_fundus_mm.value == -2.0);
    assert_true(says(&recorded, "c.dcm", "does not say when it was recorded"));
    drift_free(&recorded.drift);
}

static void without_the_deposits_clock_no_loop_has_minutes(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    recorded.loops[0].has_start = false;
    follow_up(&recorded);
    for (size_t i = 0; i < 2; i++)
        assert_false(recorded.drift.follow_ups[i].minutes_after_deposit.is_known);
    assert_true(says(&recorded, "b.dcm", "the loop of the deposit does not say"));
    assert_true(says(&recorded, "c.dcm", "the loop of the deposit does not say"));
    drift_free(&recorded.drift);
}

/* One machine records one loop at a time. */
static void a_loop_that_begins_within_the_deposits_has_no_minutes(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    recorded.loops[1].start_s = 1058.0;
    recorded.loops[2].start_s = 1059.5; /* clocks in whole seconds may say so */
    follow_up(&recorded);
    assert_false(recorded.drift.follow_ups[0].minutes_after_deposit.is_known);
    assert_true(recorded.drift.follow_ups[0].toward_fundus_mm.is_known);
    assert_true(says(&recorded, "b.dcm", "before the loop of the deposit had ended"));
    assert_true(fabs(recorded.drift.follow_ups[1].minutes_after_deposit.value - 69.5 / 60.0) < 1e-9);
    drift_free(&recorded.drift);
}

/* The order is then the order given, since not every loop has a clock. */
static void a_loop_that_its_clock_puts_before_the_deposit_tells_of_no_change_since(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    recorded.loops[1].start_s = 400.0;
    recorded.loops[2].has_start = false;
    follow_up(&recorded);
    assert_false(recorded.drift.follow_ups[0].minutes_after_deposit.is_known);
    assert_false(recorded.drift.follow_ups[0].toward_fundus_mm.is_known);
    assert_true(recorded.drift.follow_ups[0].to_fundus_mm.is_known);
    assert_true(says(&recorded, "b.dcm", "before the deposit"));
    drift_free(&recorded.drift);
}

static void later_loops_without_bubbles_add_nothing_and_say_so(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    recorded.loops[1].drift.verdict = DRIFT_NONE_SEEN;
    recorded.loops[2].drift.verdict = DRIFT_NOT_ASSESSABLE;
    follow_up(&recorded);
    assert_int_equal(recorded.drift.n_follow_ups, 0);
    assert_true(says(&recorded, "b.dcm", "no bubbles were seen"));
    assert_true(says(&recorded, "c.dcm", "could not be followed"));
    drift_free(&recorded.drift);
}

static void a_second_deposit_is_doubted_and_a_recording_of_another_day_is_no_follow_up(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    recorded.loops[1].deposit.verdict = DEPOSIT_MEASURED;
    recorded.loops[2].start_s += 2.0 * 86400.0;
    follow_up(&recorded);
    assert_int_equal(recorded.drift.n_follow_ups, 1);
    assert_true(says(&recorded, "b.dcm", "bubbles appear in it as well"));
    assert_true(says(&recorded, "c.dcm", "more than a day later"));
    drift_free(&recorded.drift);
}

static void without_a_scale_a_follow_up_has_minutes_but_no_millimetres(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    recorded.loops[1].scale.source = SCALE_NONE;
    recorded.loops[1].drift.final_to_fundus_mm = (struct quantity){0};
    recorded.loops[0].deposit.to_fundus_mm = (struct quantity){0};
    follow_up(&recorded);
    assert_true(recorded.drift.follow_ups[0].minutes_after_deposit.is_known);
    assert_false(recorded.drift.follow_ups[0].toward_fundus_mm.is_known);
    assert_true(says(&recorded, "b.dcm", "no scale"));
    assert_false(recorded.drift.follow_ups[1].toward_fundus_mm.is_known);
    assert_true(says(&recorded, "c.dcm", "the deposit's distance"));
    drift_free(&recorded.drift);
}

static void without_a_deposit_there_is_nothing_to_come_after(void **state)
{
    struct recorded recorded;

    (void)state;
    record(&recorded);
    recorded.loops[0].deposit.verdict = DEPOSIT_NONE_SEEN;
    follow_up(&recorded);
    assert_int_equal(recorded.drift.n_follow_ups, 0);
    assert_null(recorded.drift.follow_ups);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(minutes_run_from_the_deposit_to_the_bubbles_last_seen),
        cmocka_unit_test(a_later_loop_without_a_clock_keeps_its_distance_but_no_minutes),
        cmocka_unit_test(without_the_deposits_clock_no_loop_has_minutes),
        cmocka_unit_test(a_loop_that_begins_within_the_deposits_has_no_minutes),
        cmocka_unit_test(a_loop_that_its_clock_puts_before_the_deposit_tells_of_no_change_since),
        cmocka_unit_test(later_loops_without_bubbles_add_nothing_and_say_so),
        cmocka_unit_test(a_second_deposit_is_doubted_and_a_recording_of_another_day_is_no_follow_up),
        cmocka_unit_test(without_a_scale_a_follow_up_has_minutes_but_no_millimetres),
        cmocka_unit_test(without_a_deposit_there_is_nothing_to_come_after),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
