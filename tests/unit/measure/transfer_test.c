/* Contracts of measure/transfer.h, on the smallest committed loop (testvideos/native-scale.dcm) and its
 * truth. */
#include "measure/transfer.h"

#include "report/motion_csv.h"
#include "report/series_csv.h"
#include "report/spectrogram_csv.h"

#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const char *const paths[] = {"testvideos/native-scale.dcm", "testvideos/quiet-walking-probe.mp4"};

/* The ends of the cavity as the truth has them in the first frame. */
static struct point true_end(const char *which)
{
    json_t *truth = json_load_file("testvideos/native-scale.truth.json", 0, NULL);
    const json_t *place = json_object_get(json_object_get(truth, "cavity"), which);
    struct point end = {.x_px = json_number_value(json_array_get(place, 0)),
                        .y_px = json_number_value(json_array_get(place, 1))};

    assert_int_equal(json_array_size(place), 2);
    json_decref(truth);
    return end;
}

static struct transfer *measure(size_t n_paths, const struct point *fundus, const struct point *os)
{
    struct transfer_request request = {.paths = paths, .n_paths = n_paths};
    struct transfer *transfer = NULL;
    struct error *err = NULL;

    if (fundus != NULL) {
        request.has_fundus = true;
        request.fundus_px = *fundus;
    }
    if (os != NULL) {
        request.has_os = true;
        request.os_px = *os;
    }
    if (!transfer_measure(&transfer, &request, &err))
        fail_msg("%s", error_message(err));
    return transfer;
}

static double apart(struct point a, struct point b)
{
    return hypot(a.x_px - b.x_px, a.y_px - b.y_px);
}

static char *written(const struct transfer *transfer, void (*write)(FILE *, const struct transfer *))
{
    char *text = NULL;
    size_t n = 0;
    FILE *to = open_memstream(&text, &n);

    assert_non_null(to);
    write(to, transfer);
    assert_int_equal(fclose(to), 0);
    return text;
}

struct marked {
    struct point fundus, os;
    struct transfer *transfer; /* of one loop */
    struct transfer *both;     /* and another loop, without marks, after it */
};

static int make_marked(void **state)
{
    struct marked *made = calloc(1, sizeof *made);

    if (made == NULL)
        return -1;
    made->fundus = true_end("fundus_px");
    made->os = true_end("os_px");
    made->fundus.x_px += 0.123456789; /* no number that rounding leaves alone */
    made->os.y_px -= 0.3333333333333;
    made->transfer = measure(1, &made->fundus, &made->os);
    made->both = measure(2, &made->fundus, &made->os);
    *state = made;
    return 0;
}

static int drop_marked(void **state)
{
    struct marked *made = *state;

    transfer_free(&made->transfer);
    transfer_free(&made->both);
    free(made);
    return 0;
}

static void marks_are_honoured_bit_for_bit(void **state)
{
    const struct marked *marked = *state;
    const struct cavity *cavity = &marked->transfer->cavity;

    assert_int_equal(cavity->verdict, CAVITY_GIVEN);
    assert_true(cavity->fundus_given && cavity->os_given && cavity->has_points);
    assert_memory_equal(&cavity->fundus_px, &marked->fundus, sizeof marked->fundus);
    assert_memory_equal(&cavity->os_px, &marked->os, sizeof marked->os);
}

/* Not only shown but used: the line runs from mark to mark and distances are told from the fundus's mark. */
static void what_is_measured_rests_on_the_marks(void **state)
{
    const struct marked *marked = *state;
    const struct transfer *transfer = marked->transfer;
    const struct cavity *cavity = &transfer->cavity;
    const struct loop_result *loop = &transfer->loops[0];
    double mm = transfer->scale.mm_per_px_x;
    const struct series_row *row = NULL;

    assert_true(apart(cavity->centre_line[0], marked->fundus) < 1e-6);
    assert_true(apart(cavity->centre_line[cavity->n_centre_line - 1], marked->os) < 1e-6);
    assert_true(apart(marked->fundus, marked->os) * mm <= cavity->length_mm.value + 1e-6);
    assert_true(loop->n_series > 0 && loop->series[0].fundus_x_px.is_known);
    /* The tissue is followed from the mark: within a pixel of it in the first frame. */
    assert_true(apart((struct point){loop->series[0].fundus_x_px.value, loop->series[0].fundus_y_px.value},
                      marked->fundus) < 1.0);
    assert_int_equal(transfer->deposit.verdict, DEPOSIT_MEASURED);
    for (size_t i = 0; i < loop->n_series; i++)
        if (loop->series[i].frame == transfer->deposit.frame)
            row = &loop->series[i];
    assert_non_null(row);
    assert_true(fabs(apart(transfer->deposit.point_px,
                           (struct point){row->fundus_x_px.value, row->fundus_y_px.value}) *
                         mm -
                     transfer->deposit.to_fundus_mm.value) < 0.05);
}

static void marks_the_other_way_round_turn_every_direction_round(void **state)
{
    const struct marked *marked = *state;
    struct transfer *turned = measure(1, &marked->os, &marked->fundus);

    assert_memory_equal(&turned->cavity.fundus_px, &marked->os, sizeof marked->os);
    assert_int_equal(marked->transfer->contractions.direction, DIRECTION_CERVIX_TO_FUNDUS);
    assert_int_equal(turned->contractions.direction, DIRECTION_FUNDUS_TO_CERVIX);
    assert_true(marked->transfer->drift.toward_fundus_mm.value < -1.0);
    assert_true(turned->drift.toward_fundus_mm.value > 1.0);
    transfer_free(&turned);
    assert_null(turned);
}

static bool says(const struct text_list *reasons, const char *words)
{
    for (size_t i = 0; i < reasons->n; i++)
        if (strstr(reasons->items[i], words) != NULL)
            return true;
    return false;
}

/* The loop shows a catheter, which comes in by the os (truth file: the tip's way). */
static void a_catheter_at_the_marked_fundus_is_told_wherever_a_way_is_told(void **state)
{
    const struct marked *marked = *state;
    struct transfer *turned = measure(1, &marked->os, &marked->fundus);

    assert_false(marked->transfer->cavity.marks_doubted);
    assert_false(says(&marked->transfer->deposit.reasons, "exchanged"));
    assert_true(turned->cavity.marks_doubted);
    assert_true(says(&turned->cavity.reasons, "the two marks are not exchanged"));
    assert_true(says(&turned->contractions.reasons, "the waves then run the other way"));
    assert_true(says(&turned->deposit.reasons, "distances to the fundus are then distances to the os"));
    assert_true(says(&turned->drift.reasons, "toward the fundus is then away from it"));
    transfer_free(&turned);
}

static void one_mark_is_doubted_as_well(void **state)
{
    const struct marked *marked = *state;
    struct transfer *turned = measure(1, &marked->os, NULL);

    assert_int_equal(turned->cavity.verdict, CAVITY_FOUND);
    assert_true(turned->cavity.marks_doubted);
    assert_true(says(&turned->cavity.reasons, "the mark is not that of the os"));
    transfer_free(&turned);
}

/* The loop was measured twice: alone, and as the first of two. Its rows come first then. */
static void a_second_run_gives_the_same_bytes(void **state)
{
    static void (*const writers[])(FILE *, const struct transfer *) = {series_csv_write, motion_csv_write,
                                                                       spectrogram_csv_write};
    const struct marked *marked = *state;

    for (size_t i = 0; i < sizeof writers / sizeof writers[0]; i++) {
        char *one = written(marked->transfer, writers[i]);
        char *both = written(marked->both, writers[i]);

        assert_true(strlen(one) > 1000 && strlen(both) > strlen(one));
        assert_memory_equal(both, one, strlen(one));
        free(one);
        free(both);
    }
    assert_true(marked->transfer->loops[0].contractions.frequency_per_min.value ==
                marked->both->loops[0].contractions.frequency_per_min.value);
    assert_true(marked->transfer->deposit.to_fundus_mm.low == marked->both->deposit.to_fundus_mm.low);
}

static void a_later_loop_adds_a_follow_up(void **state)
{
    const struct marked *marked = *state;
    const struct drift *drift = &marked->both->drift;

    assert_int_equal(marked->both->n_loops, 2);
    assert_int_equal(marked->transfer->drift.n_follow_ups, 0);
    assert_int_equal(marked->both->deposit_loop, 0);
    assert_int_equal(drift->n_follow_ups, 1);
    assert_int_equal(drift->follow_ups[0].loop, 1);
    /* Its distance is that loop's own; what came nearer is the deposit's less it. */
    assert_true(drift->follow_ups[0].to_fundus_mm.is_known);
    assert_true(drift->follow_ups[0].to_fundus_mm.value ==
                marked->both->loops[1].drift.final_to_fundus_mm.value);
    assert_true(fabs(drift->follow_ups[0].toward_fundus_mm.value -
                     (marked->both->deposit.to_fundus_mm.value - drift->follow_ups[0].to_fundus_mm.value)) <
                1e-9);
    /* The MP4 tells no time of day, so nobody knows how many minutes later it was; a note and a reason say
     * so. */
    assert_false(drift->follow_ups[0].minutes_after_deposit.is_known);
    assert_true(marked->both->notes.n > 0);
    assert_non_null(strstr(drift->reasons.items[drift->reasons.n - 1], "does not say when"));
}

static void marks_belong_to_the_first_loop_alone(void **state)
{
    const struct marked *marked = *state;

    assert_true(marked->both->loops[0].cavity.fundus_given);
    assert_false(marked->both->loops[1].cavity.fundus_given);
}

static void a_mark_outside_the_picture_is_refused(void **state)
{
    struct transfer_request request = {
        .paths = paths, .n_paths = 1, .has_fundus = true, .fundus_px = {4000.0, 10.0}};
    struct transfer *transfer = NULL;
    struct error *err = NULL;

    (void)state;
    assert_false(transfer_measure(&transfer, &request, &err));
    assert_int_equal(error_code(err), ERROR_USAGE);
    assert_non_null(strstr(error_message(err), "outside"));
    assert_null(transfer);
    error_free(&err);
}

static void without_a_recording_there_is_nothing_to_measure(void **state)
{
    struct transfer_request request = {0};
    struct transfer *transfer = NULL;
    struct error *err = NULL;

    (void)state;
    assert_false(transfer_measure(&transfer, &request, &err));
    assert_int_equal(error_code(err), ERROR_USAGE);
    error_free(&err);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(marks_are_honoured_bit_for_bit),
        cmocka_unit_test(what_is_measured_rests_on_the_marks),
        cmocka_unit_test(marks_the_other_way_round_turn_every_direction_round),
        cmocka_unit_test(a_catheter_at_the_marked_fundus_is_told_wherever_a_way_is_told),
        cmocka_unit_test(one_mark_is_doubted_as_well),
        cmocka_unit_test(a_second_run_gives_the_same_bytes),
        cmocka_unit_test(a_later_loop_adds_a_follow_up),
        cmocka_unit_test(marks_belong_to_the_first_loop_alone),
        cmocka_unit_test(a_mark_outside_the_picture_is_refused),
        cmocka_unit_test(without_a_recording_there_is_nothing_to_measure),
    };

    return cmocka_run_group_tests(tests, make_marked, drop_marked);
}
