#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/leftovers.h"
#include "base/output.h"
#include "base/text.h"
#include "folder_fixture.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static void a_file_that_was_begun_is_taken_away(void **state)
{
    char *path = folder_fixture_path("loop.mp4");
    struct output *out = NULL;
    struct error *err = NULL;

    (void)state;
    assert_true(output_begin(&out, path, OUTPUT_KEEP, &err));
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    leftovers_take_away();
    assert_int_equal(folder_fixture_count(folder_fixture), 0);
    output_abandon(&out);
    free(path);
}

static void a_file_that_has_its_name_stays(void **state)
{
    char *path = folder_fixture_path("loop.mp4");
    struct output *out = NULL;
    struct error *err = NULL;

    (void)state;
    assert_true(output_begin(&out, path, OUTPUT_KEEP, &err));
    assert_true(output_commit(&out, &err));
    leftovers_take_away();
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    free(path);
}

/* The name of a hidden file may be used again by another run as soon as it is free. */
static void what_was_given_up_is_forgotten(void **state)
{
    char *path = folder_fixture_path("loop.mp4");
    char *hidden = NULL;
    struct output *out = NULL;
    struct error *err = NULL;

    (void)state;
    assert_true(output_begin(&out, path, OUTPUT_KEEP, &err));
    hidden = text_copy(output_partial_path(out));
    output_abandon(&out);
    folder_fixture_put(folder_fixture, hidden + strlen(folder_fixture) + 1, "another's");
    leftovers_take_away();
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    free(hidden);
    free(path);
}

static void folders_go_the_deepest_first_and_full_ones_stay(void **state)
{
    char *outer = folder_fixture_path("a");
    char *inner = folder_fixture_path("a/b");
    char *full = folder_fixture_path("full");

    (void)state;
    assert_int_equal(mkdir(outer, 0777), 0);
    assert_true(leftovers_add(outer));
    assert_int_equal(mkdir(inner, 0777), 0);
    assert_true(leftovers_add(inner));
    assert_int_equal(mkdir(full, 0777), 0);
    assert_true(leftovers_add(full));
    folder_fixture_put(full, "letter.txt", "not ours");
    leftovers_take_away();
    assert_int_equal(folder_fixture_count(folder_fixture), 1);
    assert_int_equal(folder_fixture_count(full), 1);
    free(outer);
    free(inner);
    free(full);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_file_that_was_begun_is_taken_away, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_file_that_has_its_name_stays, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(what_was_given_up_is_forgotten, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(folders_go_the_deepest_first_and_full_ones_stay,
                                        folder_fixture_set_up, folder_fixture_tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
