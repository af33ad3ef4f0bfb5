#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/output.h"
#include "base/text.h"
#include "folder_fixture.h"

#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>

static void assert_content(const char *name, const char *content)
{
    char *found = folder_fixture_get(folder_fixture, name);

    assert_non_null(found);
    assert_string_equal(found, content);
    free(found);
}

static void assert_refused(struct error **err, enum error_code code, const char *part)
{
    assert_non_null(*err);
    assert_int_equal(error_code(*err), code);
    assert_non_null(strstr(error_message(*err), part));
    error_free(err);
}

static void a_file_has_its_name_only_when_it_is_whole(void **state)
{
    struct output *out = NULL;
    struct error *err = NULL;
    char *path = folder_fixture_path("a.txt");

    (void)state;
    assert_true(output_begin(&out, path, OUTPUT_KEEP, &err));
    assert_true(fputs("whole", output_stream(out)) >= 0);
    assert_null(folder_fixture_get(folder_fixture, "a.txt"));
    assert_true(output_finish(out, &err));
    assert_null(folder_fixture_get(folder_fixture, "a.txt"));
    assert_true(output_commit(&out, &err));
    assert_null(out);
    assert_content("a.txt", "whole");
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    free(path);
}

static void an_abandoned_file_leaves_no_trace(void **state)
{
    struct output *out = NULL;
    struct error *err = NULL;
    char *path = folder_fixture_path("a.txt");

    (void)state;
    assert_true(output_begin(&out, path, OUTPUT_KEEP, &err));
    assert_true(fputs("half", output_stream(out)) >= 0);
    output_abandon(&out);
    assert_null(out);
    assert_int_equal(folder_fixture_count(folder_fixture), 0);
    free(path);
}

static void what_is_there_is_kept(void **state)
{
    struct output *out = NULL;
    struct error *err = NULL;
    char *path = folder_fixture_path("a.txt");

    (void)state;
    folder_fixture_put(folder_fixture, "a.txt", "earlier");
    assert_false(output_begin(&out, path, OUTPUT_KEEP, &err));
    assert_refused(&err, ERROR_OUTPUT, "--force");
    assert_content("a.txt", "earlier");
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    free(path);
}

static void what_appears_meanwhile_is_kept_too(void **state)
{
    struct output *out = NULL;
    struct error *err = NULL;
    char *path = folder_fixture_path("a.txt");

    (void)state;
    assert_true(output_begin(&out, path, OUTPUT_KEEP, &err));
    folder_fixture_put(folder_fixture, "a.txt", "of another");
    assert_false(output_commit(&out, &err));
    assert_null(out);
    assert_refused(&err, ERROR_OUTPUT, "is there already");
    assert_content("a.txt", "of another");
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    free(path);
}

static void what_is_there_is_replaced_when_asked(void **state)
{
    struct output *out = NULL;
    struct error *err = NULL;
    char *path = folder_fixture_path("a.txt");

    (void)state;
    folder_fixture_put(folder_fixture, "a.txt", "earlier");
    assert_true(output_begin(&out, path, OUTPUT_REPLACE, &err));
    assert_true(fputs("later", output_stream(out)) >= 0);
    assert_content("a.txt", "earlier");
    assert_true(output_commit(&out, &err));
    assert_content("a.txt", "later");
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    free(path);
}

/* RLIMIT_FSIZE makes write() fail with EFBIG as a full disk makes it fail with ENOSPC. */
static void a_disk_that_is_full_leaves_what_was_there(void **state)
{
    struct rlimit usual;
    struct rlimit small;
    struct output *out = NULL;
    struct error *err = NULL;
    char *path = folder_fixture_path("a.txt");
    bool is_committed = true;

    (void)state;
    folder_fixture_put(folder_fixture, "a.txt", "earlier");
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &usual), 0);
    small = usual;
    small.rlim_cur = 4096;
    (void)signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    assert_true(output_begin(&out, path, OUTPUT_REPLACE, &err));
    for (int i = 0; i < 10000; i++)
        (void)fputs("0123456789", output_stream(out));
    is_committed = output_commit(&out, &err);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &usual), 0);
    assert_false(is_committed);
    assert_refused(&err, ERROR_OUTPUT, "a.txt");
    assert_content("a.txt", "earlier");
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    free(path);
}

static void a_folder_that_is_not_there_is_an_output_error(void **state)
{
    struct output *out = NULL;
    struct error *err = NULL;
    char *path = folder_fixture_path("none/a.txt");

    (void)state;
    assert_false(output_begin(&out, path, OUTPUT_KEEP, &err));
    assert_refused(&err, ERROR_OUTPUT, "No such file or directory");
    assert_null(out);
    free(path);
}

static void a_folder_in_the_place_of_a_file_is_refused(void **state)
{
    struct output *out = NULL;
    struct error *err = NULL;

    (void)state;
    assert_false(output_begin(&out, folder_fixture, OUTPUT_REPLACE, &err));
    assert_refused(&err, ERROR_OUTPUT, "a folder stands");
}

static void the_hidden_name_ends_like_the_target(void **state)
{
    struct output *out = NULL;
    struct error *err = NULL;
    char *path = folder_fixture_path("a.mp4");
    const char *partial = NULL;

    (void)state;
    assert_true(output_begin(&out, path, OUTPUT_KEEP, &err));
    partial = output_partial_path(out);
    assert_string_equal(partial + strlen(partial) - 4, ".mp4");
    assert_int_equal(strrchr(partial, '/')[1], '.');
    output_abandon(&out);
    free(path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_file_has_its_name_only_when_it_is_whole, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(an_abandoned_file_leaves_no_trace, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(what_is_there_is_kept, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(what_appears_meanwhile_is_kept_too, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(what_is_there_is_replaced_when_asked, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_disk_that_is_full_leaves_what_was_there, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_folder_that_is_not_there_is_an_output_error, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_folder_in_the_place_of_a_file_is_refused, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(the_hidden_name_ends_like_the_target, folder_fixture_set_up,
                                        folder_fixture_tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
