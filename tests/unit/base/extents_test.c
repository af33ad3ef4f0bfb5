#include "base/extents.h"

#include "folder_fixture.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct extents *open_digits(char **folder)
{
    struct extents *extents = NULL;
    struct error *err = NULL;
    char path[256];

    *folder = folder_fixture_make();
    folder_fixture_put(*folder, "digits", "0123456789");
    (void)snprintf(path, sizeof path, "%s/digits", *folder);
    assert_true(extents_open(&extents, path, &err));
    return extents;
}

static void stretches_read_as_one_row(void **state)
{
    char *folder = NULL;
    struct extents *extents = open_digits(&folder);
    struct error *err = NULL;
    char bytes[16] = "";

    (void)state;
    assert_true(extents_add(extents, 7, 2, &err)); /* 78 */
    assert_true(extents_add(extents, 0, 3, &err)); /* 012 */
    assert_true(extents_add(extents, 8, 9, &err)); /* 89, the rest is not there */
    assert_true(extents_add(extents, 50, 9, &err));
    assert_int_equal(extents_bytes(extents), 7);
    assert_int_equal(extents_file_bytes(extents), 10);
    assert_int_equal(extents_read(extents, 0, bytes, sizeof bytes), 7);
    assert_memory_equal(bytes, "7801289", 7);
    assert_int_equal(extents_read(extents, 4, bytes, 2), 2);
    assert_memory_equal(bytes, "28", 2);
    assert_int_equal(extents_read(extents, 1, bytes, 2), 2);
    assert_memory_equal(bytes, "80", 2);
    assert_int_equal(extents_read(extents, 7, bytes, 2), 0);
    assert_false(extents_failed(extents, &err));
    extents_close(&extents);
    assert_null(extents);
    folder_fixture_remove(&folder);
}

static void an_unnamed_file_grows(void **state)
{
    struct extents *extents = NULL;
    struct error *err = NULL;
    char bytes[8] = "";

    (void)state;
    assert_true(extents_open_unnamed(&extents, &err));
    assert_true(extents_append(extents, "abc", 3, &err));
    assert_true(extents_append(extents, "de", 2, &err));
    assert_int_equal(extents_read(extents, 1, bytes, sizeof bytes), 4);
    assert_memory_equal(bytes, "bcde", 4);
    extents_close(&extents);
}

static void what_is_no_plain_file_with_content_is_refused(void **state)
{
    struct extents *extents = NULL;
    char *folder = folder_fixture_make();
    char path[256];
    static const char *const names[] = {"", "/empty", "/nowhere"};
    static const char *const words[] = {"folder", "empty", "cannot be opened"};

    (void)state;
    folder_fixture_put(folder, "empty", "");
    for (size_t i = 0; i < 3; i++) {
        struct error *err = NULL;

        (void)snprintf(path, sizeof path, "%s%s", folder, names[i]);
        assert_false(extents_open(&extents, path, &err));
        assert_null(extents);
        assert_non_null(strstr(error_message(err), words[i]));
        error_free(&err);
    }
    folder_fixture_remove(&folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stretches_read_as_one_row),
        cmocka_unit_test(an_unnamed_file_grows),
        cmocka_unit_test(what_is_no_plain_file_with_content_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
