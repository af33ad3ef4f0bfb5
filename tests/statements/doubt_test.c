/* What the program says where it cannot know: a committed loop (testvideos/README.md) with marks that lie
 * beside the uterus, and what its numbers owe to one another. */
#include "measure/transfer.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static struct transfer *measure(const char *loop, const struct point *fundus, const struct point *os)
{
    struct transfer_request request = {.paths = &loop, .n_paths = 1};
    struct transfer *transfer = NULL;
    struct error *err = NULL;

    if (fundus != NULL) {
        request.has_fundus = request.has_os = true;
        request.fundus_px = *fundus;
        request.os_px = *os;
    }
    if (!transfer_measure(&transfer, &request, &err))
        fail_msg("%s", error_message(err));
    return transfer;
}

/* From a black corner into the middle of the uterus: 75 mm without a wall. */
static void marks_beside_the_uterus_get_no_answer_about_it(void **state)
{
    const struct point fundus = {.x_px = 5, .y_px = 5};
    const struct point os = {.x_px = 150, .y_px = 110};
    struct transfer *transfer = measure("testvideos/native-scale.dcm", &fundus, &os);

    (void)state;
    assert_int_equal(transfer->cavity.verdict, CAVITY_GIVEN);
    assert_true(transfer->cavity.trust < 0.6);
    assert_true(transfer->cavity.reasons.n > 0);
    assert_false(transfer->cavity.thickness_mm.is_known);
    assert_int_equal(transfer->contractions.verdict, CONTRACTIONS_NOT_ASSESSABLE);
    assert_int_equal(transfer->deposit.verdict, DEPOSIT_NOT_ASSESSABLE);
    assert_int_equal(transfer->drift.verdict, DRIFT_NOT_ASSESSABLE);
    assert_true(transfer->deposit.reasons.n > 0 && transfer->drift.reasons.n > 0);
    assert_false(transfer->drift.net_mm.is_known);
    transfer_free(&transfer);
}

static void the_way_is_never_shorter_than_the_displacement(void **state)
{
    struct transfer *transfer = measure("testvideos/toward-cervix.mp4", NULL, NULL);
    const struct drift *drift = &transfer->drift;

    (void)state;
    assert_int_equal(drift->verdict, DRIFT_MEASURED);
    assert_true(drift->net_mm.value > 5.0); /* a displacement worth the name */
    assert_true(drift->path_mm.value >= drift->net_mm.value - 1e-9);
    assert_true(drift->farthest_mm.value >= drift->net_mm.value - 1e-9);
    transfer_free(&transfer);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(marks_beside_the_uterus_get_no_answer_about_it),
        cmocka_unit_test(the_way_is_never_shorter_than_the_displacement),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
