#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "commands/results.h"
#include "folder_fixture.h"
#include "transfer_fixture.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static void write_measured(const char *into, bool force)
{
    struct transfer *transfer = transfer_fixture_measured();
    struct transfer_request request = {0};
    struct results results = {0};
    struct error *err = NULL;

    assert_true(results_prepare(&results, into, "x.mp4", force, &err));
    assert_true(results_write(&results, transfer, &request, &err));
    results_end(&results);
    transfer_fixture_free(&transfer);
}

static void all_files_appear_together(void **state)
{
    char *into = folder_fixture_path("a/b/c");
    char *text = NULL;

    (void)state;
    write_measured(into, false);
    assert_int_equal(folder_fixture_count(into), 6);
    text = folder_fixture_get(into, "summary.json");
    assert_non_null(text);
    free(text);
    text = folder_fixture_get(into, "summary.txt");
    assert_non_null(strstr(text, "Transfer summary"));
    free(text);
    free(into);
}

static void a_result_that_is_there_is_refused_before_measuring(void **state)
{
    static const char *const names[] = {"summary.json",    "summary.txt", "waves.csv",
                                        "spectrogram.csv", "series.csv",  "motion.csv"};

    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char *into = folder_fixture_path(names[i]);
        struct results results = {0};
        struct error *err = NULL;

        assert_int_equal(mkdir(into, 0777), 0);
        folder_fixture_put(into, names[i], "earlier");
        assert_false(results_prepare(&results, into, "x.mp4", false, &err));
        results_end(&results);
        assert_int_equal(error_code(err), ERROR_OUTPUT);
        assert_non_null(strstr(error_message(err), names[i]));
        assert_int_equal(folder_fixture_count(into), 1);
        error_free(&err);
        free(into);
    }
}

static void force_replaces_the_results(void **state)
{
    char *text = NULL;

    (void)state;
    folder_fixture_put(folder_fixture, "summary.json", "earlier");
    write_measured(folder_fixture, true);
    text = folder_fixture_get(folder_fixture, "summary.json");
    assert_int_equal(text[0], '{');
    free(text);
}

static void folders_made_for_nothing_go_again(void **state)
{
    char *into = folder_fixture_path("a/b/");
    struct results results = {0};
    struct error *err = NULL;

    (void)state;
    assert_true(results_prepare(&results, into, "x.mp4", false, &err));
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    results_end(&results);
    assert_int_equal(folder_fixture_count(folder_fixture), 0);
    free(into);
}

static void a_folder_that_was_there_stays(void **state)
{
    char *into = folder_fixture_path("a");
    struct results results = {0};
    struct error *err = NULL;

    (void)state;
    assert_int_equal(mkdir(into, 0777), 0);
    assert_true(results_prepare(&results, into, "x.mp4", false, &err));
    results_end(&results);
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    free(into);
}

static void a_file_in_the_place_of_the_folder_is_refused(void **state)
{
    char *into = folder_fixture_path("file/below");
    struct results results = {0};
    struct error *err = NULL;

    (void)state;
    folder_fixture_put(folder_fixture, "file", "x");
    assert_false(results_prepare(&results, into, "x.mp4", false, &err));
    results_end(&results);
    assert_int_equal(error_code(err), ERROR_OUTPUT);
    error_free(&err);
    free(into);
}

static void the_folder_is_named_after_the_first_recording(void **state)
{
    static const char *const names[][2] = {
        {"/some/where/transfer 7.mp4", "transfer 7-afterflash"},
        {"IM0001", "IM0001-afterflash"},
        {".hidden", ".hidden-afterflash"},
        {"tests/unit/", "unit-afterflash"},
        {"tests/unit/..", "tests-afterflash"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct results results = {0};
        struct error *err = NULL;

        assert_true(results_prepare(&results, NULL, names[i][0], false, &err));
        assert_string_equal(results.folder, names[i][1]);
        results_end(&results);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(all_files_appear_together, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_result_that_is_there_is_refused_before_measuring,
                                        folder_fixture_set_up, folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(force_replaces_the_results, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(folders_made_for_nothing_go_again, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_folder_that_was_there_stays, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_file_in_the_place_of_the_folder_is_refused, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(the_folder_is_named_after_the_first_recording, folder_fixture_set_up,
                                        folder_fixture_tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
