#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "report/paragraph.h"
#include "report/summary_text.h"
#include "transfer_fixture.h"

#include <stdlib.h>
#include <string.h>

static char *written(struct transfer *transfer)
{
    struct error *err = NULL;
    char *text = NULL;
    size_t n = 0;
    FILE *to = open_memstream(&text, &n);

    assert_non_null(to);
    assert_true(summary_text_write(to, transfer, &err));
    assert_int_equal(fclose(to), 0);
    transfer_fixture_free(&transfer);
    return text;
}

/* The lines are broken at will: a sentence is looked for with every run of blanks taken as one. */
static bool says(const char *text, const char *sentence)
{
    char *flat = malloc(strlen(text) + 1);
    size_t n = 0;
    bool is_said = false;

    assert_non_null(flat);
    for (; *text != '\0'; text++)
        if ((*text != ' ' && *text != '\n') || (n > 0 && flat[n - 1] != ' '))
            flat[n++] = *text == '\n' ? ' ' : *text;
    flat[n] = '\0';
    is_said = strstr(flat, sentence) != NULL;
    free(flat);
    return is_said;
}

static void assert_says(struct transfer *transfer, const char *sentence)
{
    char *text = written(transfer);

    if (!says(text, sentence))
        fail_msg("\"%s\" is not said in:\n%s", sentence, text);
    free(text);
}

static void assert_narrow(struct transfer *transfer)
{
    char *text = written(transfer);
    char *rest = NULL;

    for (char *line = strtok_r(text, "\n", &rest); line != NULL; line = strtok_r(NULL, "\n", &rest))
        if (paragraph_columns(line) > 80)
            fail_msg("wider than 80 columns: %s", line);
    free(text);
}

static void no_line_is_wider_than_a_terminal(void **state)
{
    (void)state;
    assert_narrow(transfer_fixture_measured());
    assert_narrow(transfer_fixture_without_scale());
    assert_narrow(transfer_fixture_nothing());
    assert_narrow(transfer_fixture_quiet());
    assert_narrow(transfer_fixture_two_loops());
}

static void a_direction_is_told_in_words(void **state)
{
    (void)state;
    assert_says(transfer_fixture_measured(),
                "3.1 per minute over 112 s of usable loop, 6 waves counted (2 listed "
                "one by one, 1 of them seen in part). They run from the cervix to the "
                "fundus.");
    assert_says(transfer_fixture_measured(), "2.1 mm away from the fundus, seen for 80 s.");
    assert_says(transfer_fixture_measured(), "Drift, away from the fundus 2.1 mm 1.8 to 2.4");
}

static void a_frequency_that_changes_is_told_where_intervals_lie_apart(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    struct rate_seen *last = &transfer->contractions.over_time[1];
    char *text = NULL;

    (void)state;
    last->why = NULL;
    last->frequency_per_min = quantity_within(3.4, 3.1, 3.7);
    assert_says(transfer, "The frequency changes: 2.1 per minute from 0 to 60 s, 3.4 from 10 to 70 s.");
    transfer = transfer_fixture_measured();
    last = &transfer->contractions.over_time[1];
    last->why = NULL;
    last->frequency_per_min = quantity_within(2.5, 2.2, 2.8); /* it may be the same */
    text = written(transfer);
    assert_false(says(text, "The frequency changes"));
    free(text);
}

static void before_and_after_the_deposit_are_compared_in_words(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    char *text = NULL;

    (void)state;
    assert_says(transfer_fixture_measured(),
                "uneven waves differ from one minute to the next without a cause");
    assert_says(transfer,
                "Before the deposit 2.6 per minute (70 s), after it 3.4 (80 s): 0.8 more (95 % interval "
                "of after minus before: 0.4 to 1.2).");
    transfer = transfer_fixture_two_loops();
    transfer->contractions.before_after.after.loop = 1;
    assert_says(transfer, "0.4 to 1.2). Before: transfer, \"left\".mp4; after: later.dcm.");
    transfer = transfer_fixture_measured();
    transfer->contractions.before_after.frequency_difference_per_min = quantity_within(-0.2, -0.9, 0.5);
    assert_says(transfer,
                "no difference beyond the error of measurement, 0.2 fewer (95 % interval of after minus "
                "before: -0.9 to 0.5).");
    transfer = transfer_fixture_measured();
    transfer->contractions.before_after.frequency_difference_per_min = (struct quantity){0};
    text = written(transfer);
    assert_false(says(text, "Before the deposit"));
    assert_false(says(text, "without a cause"));
    free(text);
}

static void numbers_stand_with_unit_and_interval(void **state)
{
    (void)state;
    assert_says(transfer_fixture_measured(), "Contractions, frequency 3.12 per min 3.05 to 3.20");
    assert_says(transfer_fixture_measured(), "Deposit, distance to the fundus 11.2 mm 10.8 to 11.6");
    assert_says(transfer_fixture_measured(), "Catheter tip, distance to the fundus not told");
}

static void without_a_scale_lengths_are_in_pixels(void **state)
{
    (void)state;
    assert_says(transfer_fixture_without_scale(), "Cavity, length 523.4 px");
    assert_says(transfer_fixture_without_scale(), "The size of a pixel is not known");
}

static void a_quiet_uterus_is_called_quiet_not_zero(void **state)
{
    char *text = written(transfer_fixture_quiet());

    (void)state;
    assert_true(says(text, "Contractions none were found in 112 s of usable loop (quiescent)."));
    assert_true(says(text, "Deposit no bubbles were seen."));
    assert_false(says(text, "Contractions, frequency"));
    free(text);
}

static void where_no_stripe_is_found_a_mark_is_asked_for(void **state)
{
    (void)state;
    assert_says(transfer_fixture_nothing(), "no endometrial stripe was found");
    assert_says(transfer_fixture_nothing(), "--fundus X,Y --os X,Y");
}

static void a_thickness_that_is_not_known_is_said_in_words(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();

    (void)state;
    transfer->cavity.verdict = CAVITY_GIVEN;
    transfer->cavity.thickness_mm = transfer->cavity.thickness_px = (struct quantity){0};
    assert_says(transfer, "marked by hand, 52.3 mm long between the marks; its thickness could not be told "
                          "(its fundal end trusted 0.86 of 1).");
}

static void a_length_that_is_not_known_is_said_in_words(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();

    (void)state;
    transfer->cavity.length_mm = transfer->cavity.length_px = (struct quantity){0};
    assert_says(transfer,
                "found, its length could not be told, 9.8 mm thick (its fundal end trusted 0.86 of 1).");
}

static void a_stripe_whose_ends_are_alike_has_no_fundus(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    char *text = NULL;

    (void)state;
    assert_true(text_list_add(&transfer->cavity.reasons, "which end of the stripe is the fundus cannot be "
                                                         "told; mark it with --fundus"));
    text = written(transfer);
    assert_true(says(text, "found, 52.3 mm long from end to end and 9.8 mm thick (its likelier fundal end "
                           "trusted 0.86 of 1). Which end is the fundus could not be told."));
    assert_false(says(text, "internal os"));
    free(text);
}

static void a_reason_stands_clear_of_its_heading(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    char *text = NULL;

    (void)state;
    assert_true(text_list_add(&transfer->contractions.reasons, "one reason"));
    assert_true(text_list_add(&transfer->contractions.reasons, "another reason"));
    text = written(transfer);
    assert_non_null(strstr(text, "\n  Contractions  - one reason\n                - another reason\n"));
    free(text);
}

static void a_reason_that_holds_for_the_next_section_too_is_said_once(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    char *text = NULL;

    (void)state;
    assert_true(text_list_add(&transfer->contractions.reasons, "%s", transfer->deposit.reasons.items[0]));
    assert_true(text_list_add(&transfer->drift.reasons, "another reason"));
    text = written(transfer);
    assert_non_null(strstr(
        text,
        "not seen\n  Deposit       - the same as for: Contractions\n  Drift         - another reason\n"));
    free(text);
}

static void a_name_longer_than_a_line_is_cut_in_its_middle(void **state)
{
    struct transfer *transfer = transfer_fixture_two_loops();
    char *text = NULL;

    (void)state;
    free(transfer->loops[1].file);
    transfer->loops[1].file = text_copy("begin-0123456789-0123456789-0123456789-0123456789-\u00e4\u00f6\u00fc"
                                        "-0123456789-0123456789-end.dcm");
    text = written(transfer);
    assert_true(says(text, "  begin-0123456789-0123456789-") || says(text, " begin-0123456789-0123456789-"));
    assert_true(says(text, "...") && says(text, "0123456789-end.dcm:"));
    free(text);
    transfer = transfer_fixture_two_loops();
    free(transfer->loops[1].file);
    transfer->loops[1].file = text_copy("begin-0123456789-0123456789-0123456789-0123456789-\u00e4\u00f6\u00fc"
                                        "-0123456789-0123456789-end.dcm");
    assert_narrow(transfer);
}

static void an_amplitude_earns_a_caution(void **state)
{
    struct transfer *transfer = NULL;
    char *text = written(transfer_fixture_quiet());

    (void)state;
    assert_false(says(text, "amplitude"));
    free(text);
    assert_says(transfer_fixture_measured(), "The amplitude is worked out for the walls");
    assert_says(transfer_fixture_without_scale(), "The amplitude is worked out for the walls");
    transfer = transfer_fixture_measured();
    transfer->contractions.amplitude_mm.has_interval = false;
    transfer->contractions.amplitude_px.has_interval = false;
    assert_says(transfer, "The amplitude reads low, on made loops by 14 to 40 %:");
}

static void an_interval_that_holds_zero_is_no_drift(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();

    (void)state;
    transfer->drift.toward_fundus_mm = quantity_within(0.2, -0.3, 0.7);
    transfer->drift.farthest_mm = quantity_of(0.6);
    assert_says(transfer, "no movement along the stripe beyond the error of measurement");
}

static void bubbles_that_came_back_are_not_said_to_have_lain_still(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();

    (void)state;
    transfer->drift.toward_fundus_mm = quantity_within(0.2, -0.3, 0.7);
    transfer->drift.farthest_mm = quantity_of(6.1);
    assert_says(transfer, "after lying up to 6.1 mm away");
}

static void a_deposit_without_a_distance_says_so(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();

    (void)state;
    transfer->deposit.to_fundus_mm = (struct quantity){0};
    transfer->deposit.to_fundus_px = (struct quantity){0};
    assert_says(transfer, "appeared 14.2 s into the loop; how far from the fundus could not be told.");
}

static void published_figures_stand_beside_frequency_and_depth(void **state)
{
    (void)state;
    assert_says(transfer_fixture_measured(), "Frequency published: mean 1.8");
    assert_says(transfer_fixture_measured(), "Depth published:");
}

static void nothing_is_compared_where_nothing_was_measured(void **state)
{
    char *text = written(transfer_fixture_quiet());

    (void)state;
    assert_false(says(text, "Published figures"));
    free(text);
}

static void every_result_says_that_it_foretells_nothing(void **state)
{
    (void)state;
    assert_says(transfer_fixture_measured(), "nothing here foretells an outcome");
    assert_says(transfer_fixture_nothing(), "nothing here foretells an outcome");
}

static void marks_that_may_be_exchanged_are_told_wherever_a_way_is_told(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    char *text = NULL;

    (void)state;
    transfer->cavity.marks_doubted = transfer->loops[0].cavity.marks_doubted = true;
    text = written(transfer);
    assert_true(
        says(text, "A catheter seems to come in by the fundus: check that the marks are not exchanged."));
    assert_true(
        says(text, "They run from the cervix to the fundus. The marks may be exchanged: see the cavity."));
    assert_true(says(text, "11.2 mm from the fundus. The marks may be exchanged: see the cavity."));
    assert_true(says(text, "seen for 80 s. The marks may be exchanged: see the cavity."));
    free(text);
    transfer = transfer_fixture_quiet();
    transfer->cavity.marks_doubted = true;
    text = written(transfer);
    assert_false(says(text, "(quiescent). The marks"));
    free(text);
}

static void of_several_loops_the_one_that_speaks_is_named(void **state)
{
    struct transfer *transfer = transfer_fixture_two_loops();
    char *text = NULL;

    (void)state;
    transfer->contractions_loop = 1;
    assert_true(text_list_add(&transfer->contractions.reasons, "one reason"));
    text = written(transfer);
    assert_true(says(text, "Cavity in transfer, \"left\".mp4: found, 52.3 mm long"));
    assert_true(says(text, "Contractions in later.dcm: 3.1 per minute"));
    assert_true(says(text, "Deposit in transfer, \"left\".mp4: the bubbles appeared"));
    assert_true(says(text, "Drift in transfer, \"left\".mp4: 2.1 mm away"));
    assert_non_null(strstr(text, "\n  Contractions  of later.dcm:\n                - one reason\n"));
    free(text);
}

static void a_single_loop_needs_no_name_before_its_findings(void **state)
{
    (void)state;
    assert_says(transfer_fixture_measured(), "Cavity found, 52.3 mm long");
    assert_says(transfer_fixture_measured(), "Contractions 3.1 per minute");
}

static void loops_of_one_name_are_told_apart_by_their_number(void **state)
{
    struct transfer *transfer = transfer_fixture_two_loops();

    (void)state;
    free(transfer->loops[0].file);
    transfer->loops[0].file = text_copy("later.dcm");
    transfer->contractions_loop = 1;
    assert_says(transfer, "Contractions in later.dcm (number 2 below): 3.1 per minute");
}

static void what_no_loop_shows_is_told_of_all_of_them(void **state)
{
    struct transfer *transfer = transfer_fixture_two_loops();
    char *text = NULL;

    (void)state;
    for (size_t i = 0; i < 2; i++) {
        transfer->loops[i].contractions.verdict = CONTRACTIONS_NOT_ASSESSABLE;
        transfer->loops[i].deposit.verdict = DEPOSIT_NONE_SEEN;
        transfer->loops[i].drift.verdict = DRIFT_NONE_SEEN;
    }
    transfer->contractions.verdict = CONTRACTIONS_NOT_ASSESSABLE;
    transfer->deposit.verdict = DEPOSIT_NONE_SEEN;
    transfer->drift.verdict = DRIFT_NONE_SEEN;
    text = written(transfer);
    assert_true(says(text, "Contractions in each of the 2 loops: could not be assessed."));
    assert_true(says(text, "Deposit in each of the 2 loops: no bubbles were seen."));
    free(text);
    transfer = transfer_fixture_two_loops();
    transfer->loops[0].deposit.verdict = transfer->deposit.verdict = DEPOSIT_NONE_SEEN;
    transfer->loops[0].drift.verdict = transfer->drift.verdict = DRIFT_NONE_SEEN;
    transfer->loops[1].deposit.verdict = DEPOSIT_NOT_ASSESSABLE;
    transfer->loops[1].drift.verdict = DRIFT_NOT_ASSESSABLE;
    assert_says(transfer, "Deposit in transfer, \"left\".mp4: no bubbles were seen.");
}

static void a_follow_up_is_told_with_its_minutes(void **state)
{
    (void)state;
    assert_says(transfer_fixture_two_loops(),
                "5.0 min after the deposit the bubbles lay 10.2 mm from the fundus (later.dcm).");
}

static void little_trust_earns_a_caution(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();

    (void)state;
    transfer->cavity.trust = 0.3;
    assert_says(transfer, "The cavity was found with little trust (0.30 of 1).");
}

static void a_name_cannot_steer_the_terminal(void **state)
{
    struct transfer *transfer = transfer_fixture_quiet();
    char *text = NULL;

    (void)state;
    memcpy(transfer->loops[0].file, "q\033[2J", 5);
    text = written(transfer);
    assert_null(strchr(text, '\033'));
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_line_is_wider_than_a_terminal),
        cmocka_unit_test(a_direction_is_told_in_words),
        cmocka_unit_test(a_frequency_that_changes_is_told_where_intervals_lie_apart),
        cmocka_unit_test(before_and_after_the_deposit_are_compared_in_words),
        cmocka_unit_test(numbers_stand_with_unit_and_interval),
        cmocka_unit_test(without_a_scale_lengths_are_in_pixels),
        cmocka_unit_test(a_quiet_uterus_is_called_quiet_not_zero),
        cmocka_unit_test(where_no_stripe_is_found_a_mark_is_asked_for),
        cmocka_unit_test(a_thickness_that_is_not_known_is_said_in_words),
        cmocka_unit_test(a_length_that_is_not_known_is_said_in_words),
        cmocka_unit_test(a_stripe_whose_ends_are_alike_has_no_fundus),
        cmocka_unit_test(a_reason_stands_clear_of_its_heading),
        cmocka_unit_test(a_reason_that_holds_for_the_next_section_too_is_said_once),
        cmocka_unit_test(a_name_longer_than_a_line_is_cut_in_its_middle),
        cmocka_unit_test(an_amplitude_earns_a_caution),
        cmocka_unit_test(an_interval_that_holds_zero_is_no_drift),
        cmocka_unit_test(bubbles_that_came_back_are_not_said_to_have_lain_still),
        cmocka_unit_test(a_deposit_without_a_distance_says_so),
        cmocka_unit_test(published_figures_stand_beside_frequency_and_depth),
        cmocka_unit_test(nothing_is_compared_where_nothing_was_measured),
        cmocka_unit_test(every_result_says_that_it_foretells_nothing),
        cmocka_unit_test(marks_that_may_be_exchanged_are_told_wherever_a_way_is_told),
        cmocka_unit_test(of_several_loops_the_one_that_speaks_is_named),
        cmocka_unit_test(a_single_loop_needs_no_name_before_its_findings),
        cmocka_unit_test(loops_of_one_name_are_told_apart_by_their_number),
        cmocka_unit_test(what_no_loop_shows_is_told_of_all_of_them),
        cmocka_unit_test(a_follow_up_is_told_with_its_minutes),
        cmocka_unit_test(little_trust_earns_a_caution),
        cmocka_unit_test(a_name_cannot_steer_the_terminal),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
