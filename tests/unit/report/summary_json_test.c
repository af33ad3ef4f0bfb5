#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "folder_fixture.h"
#include "report/summary_json.h"
#include "transfer_fixture.h"

#include <jansson.h>
#include <stdlib.h>
#include <string.h>

static char *written_with(const struct transfer *transfer, const struct transfer_request *request)
{
    struct error *err = NULL;
    char *text = NULL;
    size_t n = 0;
    FILE *to = open_memstream(&text, &n);

    assert_non_null(to);
    assert_true(summary_json_write(to, transfer, request, &err));
    assert_int_equal(fclose(to), 0);
    return text;
}

static char *written(struct transfer *transfer)
{
    struct transfer_request request = {0};
    char *text = written_with(transfer, &request);

    transfer_fixture_free(&transfer);
    return text;
}

static json_t *read_back(char *text)
{
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, NULL);

    free(text);
    assert_non_null(root);
    return root;
}

static const json_t *at(const json_t *root, const char *section, const char *key)
{
    const json_t *found = json_object_get(json_object_get(root, section), key);

    if (found == NULL)
        fail_msg("%s.%s is missing", section, key);
    return found;
}

static void assert_word(const json_t *root, const char *section, const char *key, const char *word)
{
    assert_string_equal(json_string_value(at(root, section, key)), word);
}

static void assert_number(const json_t *root, const char *section, const char *key, double number)
{
    assert_true(json_is_number(at(root, section, key)));
    assert_float_equal(json_number_value(at(root, section, key)), number, 1e-9);
}

/* The judge is python3-jsonschema (draft 2020-12), which we did not make. */
static int judge(const char *option, char *text)
{
    char *folder = folder_fixture_make();
    char command[512];
    int status = 0;

    folder_fixture_put(folder, "summary.json", text);
    (void)snprintf(command, sizeof command,
                   "/usr/bin/python3 tests/support/validate.py %s %s/summary.json >&2", option, folder);
    status = system(command);
    folder_fixture_remove(&folder);
    free(text);
    return status;
}

static void every_kind_of_result_obeys_the_schema(void **state)
{
    (void)state;
    assert_int_equal(judge("", written(transfer_fixture_measured())), 0);
    assert_int_equal(judge("", written(transfer_fixture_without_scale())), 0);
    assert_int_equal(judge("", written(transfer_fixture_nothing())), 0);
    assert_int_equal(judge("", written(transfer_fixture_quiet())), 0);
    assert_int_equal(judge("", written(transfer_fixture_two_loops())), 0);
}

static char *spoiled(const char *section, const char *key, json_t *value)
{
    json_t *root = read_back(written(transfer_fixture_quiet()));
    json_t *object = section == NULL ? root : json_object_get(root, section);
    char *text = NULL;

    if (value == NULL)
        assert_int_equal(json_object_del(object, key), 0);
    else
        assert_int_equal(json_object_set_new(object, key, value), 0);
    text = json_dumps(root, 0);
    json_decref(root);
    return text;
}

static void the_schema_refuses_what_breaks_the_contract(void **state)
{
    (void)state;
    assert_int_equal(judge("--expect-bad", spoiled("contractions", "frequency_per_min", NULL)), 0);
    assert_int_equal(judge("--expect-bad", spoiled("contractions", "reasons", json_array())), 0);
    assert_int_equal(judge("--expect-bad", spoiled("deposit", "verdict", json_string("maybe"))), 0);
    assert_int_equal(judge("--expect-bad", spoiled("cavity", "trust", json_real(1.5))), 0);
    assert_int_equal(judge("--expect-bad", spoiled("cavity", "fundus_px", json_integer(3))), 0);
    assert_int_equal(judge("--expect-bad", spoiled(NULL, "cautions", json_array())), 0);
    assert_int_equal(judge("--expect-bad", spoiled(NULL, "drift", NULL)), 0);
}

/* The keys of the contract, as the users' issue lists them. */
static void every_promised_key_is_there(void **state)
{
    static const char *const promised[] = {
        "cavity verdict frame fundus_px os_px length_mm thickness_mm trust reasons",
        "contractions verdict frequency_per_min frequency_ci95_per_min count amplitude_mm velocity_mm_per_s "
        "direction assessed_s reasons",
        "deposit verdict time_s frame point_px to_fundus_mm relative_depth to_fundus_ci95_mm "
        "tip_to_fundus_mm "
        "reasons",
        "drift verdict net_mm toward_fundus_mm path_mm farthest_mm final_to_fundus_mm followed_s spread_mm "
        "pieces "
        "toward_fundus_ci95_mm reasons follow_ups",
        "scale mm_per_px_x mm_per_px_y source",
        "tool version libraries parameters",
    };
    json_t *root = read_back(written(transfer_fixture_nothing()));

    (void)state;
    for (size_t i = 0; i < sizeof promised / sizeof promised[0]; i++) {
        char words[256];
        char *rest = NULL;
        const char *section = NULL;

        (void)snprintf(words, sizeof words, "%s", promised[i]);
        section = strtok_r(words, " ", &rest);
        for (const char *key = strtok_r(NULL, " ", &rest); key != NULL; key = strtok_r(NULL, " ", &rest))
            assert_non_null(at(root, section, key));
    }
    json_decref(root);
}

static void what_was_measured_is_told_with_its_interval(void **state)
{
    json_t *root = read_back(written(transfer_fixture_measured()));

    (void)state;
    assert_word(root, "contractions", "verdict", "measured");
    assert_word(root, "contractions", "direction", "cervix-to-fundus");
    assert_number(root, "contractions", "frequency_per_min", 3.1235);
    assert_float_equal(
        json_number_value(json_array_get(at(root, "contractions", "frequency_ci95_per_min"), 1)), 3.2, 1e-9);
    assert_number(root, "deposit", "to_fundus_mm", 11.21);
    assert_number(root, "drift", "toward_fundus_mm", -2.1);
    assert_number(root, "drift", "by_speckle_mm", -2.3);
    assert_true(json_is_null(at(root, "deposit", "tip_to_fundus_mm")));
    assert_word(root, "scale", "source", "dicom-region");
    json_decref(root);
}

static void a_wave_that_is_cut_off_says_what_is_not_known_of_it(void **state)
{
    json_t *root = read_back(written(transfer_fixture_measured()));
    const json_t *waves = at(root, "contractions", "waves");
    const json_t *cut = json_array_get(waves, 0);
    const json_t *whole = json_array_get(waves, 1);

    (void)state;
    assert_int_equal(json_array_size(waves), 2);
    assert_true(json_is_null(json_object_get(cut, "start_s")));
    assert_true(json_is_false(json_object_get(cut, "is_complete")));
    assert_int_equal(json_array_size(json_object_get(cut, "reasons")), 2); /* start and speed */
    assert_float_equal(json_number_value(json_object_get(whole, "start_s")), 11.25, 1e-9);
    assert_float_equal(json_number_value(json_object_get(whole, "speed_mm_per_s")), 1.3, 1e-9);
    assert_true(json_is_true(json_object_get(whole, "is_complete")));
    assert_int_equal(json_array_size(json_object_get(whole, "reasons")), 0);
    json_decref(root);
}

static void a_window_without_a_frequency_says_why(void **state)
{
    json_t *root = read_back(written(transfer_fixture_measured()));
    const json_t *windows = at(root, "contractions", "over_time");
    const json_t *told = json_array_get(windows, 0);
    const json_t *untold = json_array_get(windows, 1);

    (void)state;
    assert_int_equal(json_array_size(windows), 2);
    assert_float_equal(json_number_value(json_object_get(told, "frequency_per_min")), 2.1, 1e-9);
    assert_int_equal(json_array_size(json_object_get(told, "frequency_ci95_per_min")), 2);
    assert_true(json_is_null(json_object_get(told, "reason")));
    assert_true(json_is_null(json_object_get(untold, "frequency_per_min")));
    assert_string_equal(json_string_value(json_object_get(untold, "reason")),
                        "no rhythm stands out in this window alone");
    json_decref(root);
}

static void before_and_after_stand_with_the_interval_of_their_difference(void **state)
{
    json_t *root = read_back(written(transfer_fixture_measured()));
    const json_t *seen = at(root, "contractions", "before_after");
    const json_t *interval = json_object_get(seen, "frequency_difference_ci95_per_min");
    const json_t *before = json_object_get(seen, "before");

    (void)state;
    assert_float_equal(json_number_value(json_object_get(seen, "frequency_difference_per_min")), 0.8, 1e-9);
    assert_float_equal(json_number_value(json_array_get(interval, 0)), 0.44, 1e-9);
    assert_float_equal(json_number_value(json_object_get(before, "assessed_s")), 70.0, 1e-9);
    assert_int_equal(json_integer_value(json_object_get(before, "loop")), 0);
    json_decref(root);
    root = read_back(written(transfer_fixture_quiet()));
    seen = at(root, "contractions", "before_after");
    assert_true(json_is_null(json_object_get(seen, "frequency_difference_per_min")));
    assert_true(json_array_size(json_object_get(seen, "reasons")) > 0);
    json_decref(root);
}

static void a_null_has_a_reason_even_when_the_result_gave_none(void **state)
{
    static const char *const sections[] = {"scale", "cavity", "contractions", "deposit", "drift"};
    json_t *root = read_back(written(transfer_fixture_nothing()));

    (void)state;
    for (size_t i = 0; i < sizeof sections / sizeof sections[0]; i++)
        assert_true(json_array_size(at(root, sections[i], "reasons")) > 0);
    json_decref(root);
}

static void without_a_scale_lengths_are_null_and_pixels_are_given(void **state)
{
    json_t *root = read_back(written(transfer_fixture_without_scale()));

    (void)state;
    assert_true(json_is_null(at(root, "cavity", "length_mm")));
    assert_number(root, "cavity", "length_px", 523.4);
    assert_true(json_is_null(at(root, "scale", "mm_per_px_x")));
    assert_non_null(
        strstr(json_string_value(json_array_get(at(root, "cavity", "reasons"), 0)), "pixels only"));
    json_decref(root);
}

static void a_still_has_no_duration_and_says_so(void **state)
{
    json_t *root = read_back(written(transfer_fixture_nothing()));
    const json_t *loop = json_array_get(json_object_get(root, "loops"), 0);

    (void)state;
    assert_true(json_is_null(json_object_get(loop, "duration_s")));
    assert_non_null(
        strstr(json_string_value(json_array_get(json_object_get(loop, "problems"), 0)), "one frame only"));
    json_decref(root);
}

static void no_folder_and_no_date_is_told(void **state)
{
    char *text = written(transfer_fixture_two_loops());

    (void)state;
    assert_null(strstr(text, "/home"));
    assert_null(strstr(text, "someone"));
    assert_null(strstr(text, "1700000000"));
    free(text);
}

static void the_options_that_were_given_are_told(void **state)
{
    struct transfer *transfer = transfer_fixture_quiet();
    struct transfer_request request = {.scale_mm_per_px = 0.12, .has_os = true, .os_px = {1, 2}};
    json_t *root = read_back(written_with(transfer, &request));
    const json_t *parameters = at(root, "tool", "parameters");

    (void)state;
    assert_float_equal(json_number_value(json_object_get(parameters, "scale_mm_per_px")), 0.12, 1e-12);
    assert_true(json_is_null(json_object_get(parameters, "fundus_px")));
    assert_float_equal(json_number_value(json_array_get(json_object_get(parameters, "os_px"), 1)), 2, 1e-12);
    json_decref(root);
    transfer_fixture_free(&transfer);
}

static void the_same_result_gives_the_same_bytes(void **state)
{
    char *first = written(transfer_fixture_two_loops());
    char *second = written(transfer_fixture_two_loops());

    (void)state;
    assert_string_equal(first, second);
    free(first);
    free(second);
}

/* The measurement says it in its own words, and no null may be left without it. */
static void that_there_is_no_scale_is_told_once_in_a_section(void **state)
{
    struct transfer *transfer = transfer_fixture_without_scale();
    json_t *root = NULL;

    (void)state;
    assert_true(text_list_add(&transfer->cavity.reasons, "no scale is known, so lengths are in pixels only"));
    root = read_back(written(transfer));
    assert_int_equal(json_array_size(at(root, "cavity", "reasons")), 1);
    assert_int_equal(json_array_size(at(root, "contractions", "reasons")), 1);
    json_decref(root);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_of_result_obeys_the_schema),
        cmocka_unit_test(the_schema_refuses_what_breaks_the_contract),
        cmocka_unit_test(every_promised_key_is_there),
        cmocka_unit_test(what_was_measured_is_told_with_its_interval),
        cmocka_unit_test(a_wave_that_is_cut_off_says_what_is_not_known_of_it),
        cmocka_unit_test(a_window_without_a_frequency_says_why),
        cmocka_unit_test(before_and_after_stand_with_the_interval_of_their_difference),
        cmocka_unit_test(a_null_has_a_reason_even_when_the_result_gave_none),
        cmocka_unit_test(without_a_scale_lengths_are_null_and_pixels_are_given),
        cmocka_unit_test(that_there_is_no_scale_is_told_once_in_a_section),
        cmocka_unit_test(a_still_has_no_duration_and_says_so),
        cmocka_unit_test(no_folder_and_no_date_is_told),
        cmocka_unit_test(the_options_that_were_given_are_told),
        cmocka_unit_test(the_same_result_gives_the_same_bytes),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
