#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static char *dumped(json_t *value)
{
    char *text = json_dumps(value, JSON_ENCODE_ANY | JSON_COMPACT | JSON_REAL_PRECISION(15));

    assert_non_null(text);
    json_decref(value);
    return text;
}

static void assert_dumped(json_t *value, const char *text)
{
    char *found = dumped(value);

    assert_string_equal(found, text);
    free(found);
}

static void a_number_is_rounded_to_its_places(void **state)
{
    (void)state;
    assert_dumped(json_from_number(3.14159, 2), "3.14");
    assert_dumped(json_from_number(0.1 + 0.2, 4), "0.3");
    assert_dumped(json_from_number(-2.71828, 1), "-2.7");
    assert_dumped(json_from_number(2.0, 3), "2.0");
    assert_dumped(json_from_number(6.4, 0), "6");
    assert_dumped(json_from_number(1e300, 3), "1e300");
}

static void a_number_that_is_none_is_null(void **state)
{
    (void)state;
    assert_dumped(json_from_number((double)NAN, 2), "null");
    assert_dumped(json_from_number((double)INFINITY, 2), "null");
    assert_dumped(json_from_number(-(double)INFINITY, 0), "null");
}

static void zero_has_no_sign(void **state)
{
    (void)state;
    assert_dumped(json_from_number(-0.0, 2), "0.0");
    assert_dumped(json_from_number(-0.0001, 2), "0.0");
}

static void what_is_not_known_is_null_not_zero(void **state)
{
    struct quantity none = {0};

    (void)state;
    assert_dumped(json_from_quantity(none, 2), "null");
    assert_dumped(json_from_interval(none, 2), "null");
    assert_dumped(json_from_interval(quantity_of(1), 2), "null");
    assert_dumped(json_from_quantity(quantity_of(0), 2), "0.0");
    assert_dumped(json_from_interval(quantity_within(1, 0.5, 1.5), 2), "[0.5,1.5]");
    assert_dumped(json_from_point(false, (struct point){1, 2}), "null");
    assert_dumped(json_from_point(true, (struct point){1.004, 2.006}), "[1.0,2.01]");
}

/* Well-formed sequences as in RFC 3629, section 4. */
static void a_name_in_another_encoding_becomes_valid_text(void **state)
{
    (void)state;
    assert_dumped(json_from_text("M\xFCller.mp4"), "\"M\xEF\xBF\xBDller.mp4\"");
    assert_dumped(json_from_text("M\xC3\xBCller"), "\"M\xC3\xBCller\"");
    assert_dumped(json_from_text("\xED\xA0\x80"),
                  "\"\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD\"");                   /* a surrogate */
    assert_dumped(json_from_text("\xC0\xAF"), "\"\xEF\xBF\xBD\xEF\xBF\xBD\"");   /* overlong */
    assert_dumped(json_from_text("a\xE2\x82"), "\"a\xEF\xBF\xBD\xEF\xBF\xBD\""); /* cut short */
    assert_dumped(json_from_text(NULL), "null");
}

static void keys_keep_the_order_in_which_they_were_put(void **state)
{
    json_t *object = json_object();
    char *text = NULL;

    (void)state;
    assert_true(json_put(object, "zebra", json_integer(1)));
    assert_true(json_put(object, "apple", json_null()));
    text = json_text(object);
    assert_string_equal(text, "{\n  \"zebra\": 1,\n  \"apple\": null\n}\n");
    free(text);
    json_decref(object);
}

static void a_missing_value_is_told_and_nothing_leaks(void **state)
{
    json_t *object = json_object();

    (void)state;
    assert_false(json_put(object, "key", NULL));
    assert_false(json_put(NULL, "key", json_string("taken over")));
    assert_false(json_add(NULL, json_string("taken over")));
    json_decref(object);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_number_is_rounded_to_its_places),
        cmocka_unit_test(a_number_that_is_none_is_null),
        cmocka_unit_test(zero_has_no_sign),
        cmocka_unit_test(what_is_not_known_is_null_not_zero),
        cmocka_unit_test(a_name_in_another_encoding_becomes_valid_text),
        cmocka_unit_test(keys_keep_the_order_in_which_they_were_put),
        cmocka_unit_test(a_missing_value_is_told_and_nothing_leaks),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
