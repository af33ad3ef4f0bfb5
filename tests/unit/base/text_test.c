#include "base/text.h"

#include <locale.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static void a_list_owns_its_sentences_and_can_refuse_repeats(void **state)
{
    struct text_list list = {0};

    (void)state;
    assert_true(text_list_add(&list, "frame %d", 3));
    assert_true(text_list_add_once(&list, "frame 3"));
    assert_true(text_list_add_once(&list, "frame 4"));
    assert_true(text_list_add(&list, "frame 4"));
    assert_int_equal(list.n, 3);
    assert_string_equal(list.items[0], "frame 3");
    assert_string_equal(list.items[2], "frame 4");
    text_list_free(&list);
    assert_int_equal(list.n, 0);
    assert_null(list.items);
    text_list_free(NULL);
}

static void numbers_are_plain_decimals_with_a_point_whatever_the_locale(void **state)
{
    static const char *const bad[] = {"",    " 1", "1 ",  "1,5", "0x10",  "inf",
                                      "nan", "1e", "--1", ".",   "1.2.3", "1e999"};
    double value = 7.0;

    (void)state;
    (void)setlocale(LC_ALL, "de_DE.UTF-8");
    assert_true(text_to_double("-12.5e-1", &value));
    assert_true(value == -1.25);
    assert_true(text_to_double("+.5", &value));
    assert_true(value == 0.5);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        assert_false(text_to_double(bad[i], &value));
    assert_true(value == 0.5);
}

static void whole_numbers_keep_within_their_limits(void **state)
{
    long value = 7;

    (void)state;
    assert_true(text_to_long("-3", -3, 5, &value));
    assert_int_equal(value, -3);
    assert_false(text_to_long("6", -3, 5, &value));
    assert_false(text_to_long("4.0", -3, 5, &value));
    assert_false(text_to_long(" 4", -3, 5, &value));
    assert_false(text_to_long("99999999999999999999", 0, 5, &value));
    assert_int_equal(value, -3);
}

static void copies_and_formats_are_new_strings(void **state)
{
    char *copy = text_copy("loop");
    char *made = text_format("%s %d", copy, 2);

    (void)state;
    assert_string_equal(made, "loop 2");
    assert_null(text_copy(NULL));
    free(copy);
    free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_list_owns_its_sentences_and_can_refuse_repeats),
        cmocka_unit_test(numbers_are_plain_decimals_with_a_point_whatever_the_locale),
        cmocka_unit_test(whole_numbers_keep_within_their_limits),
        cmocka_unit_test(copies_and_formats_are_new_strings),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
