/* Contracts of base/quantity.h. */
#include "base/quantity.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void a_forgotten_quantity_is_not_known(void **state)
{
    struct quantity forgotten = {0};

    (void)state;
    assert_false(forgotten.is_known);
    assert_false(quantity_scaled(forgotten, 2.0).is_known);
}

static void what_is_not_a_number_is_not_known(void **state)
{
    (void)state;
    assert_false(quantity_of(NAN).is_known);
    assert_false(quantity_of(INFINITY).is_known);
    assert_false(quantity_within(1.0, NAN, 2.0).is_known);
    assert_false(quantity_within(1.0, 0.0, INFINITY).is_known);
    assert_false(quantity_within(NAN, 0.0, 1.0).is_known);
}

static void zero_is_a_known_value(void **state)
{
    struct quantity none = quantity_of(0.0);

    (void)state;
    assert_true(none.is_known);
    assert_false(none.has_interval);
    assert_true(none.value == 0.0);
}

static void an_interval_goes_with_its_value_into_another_unit(void **state)
{
    struct quantity px = quantity_scaled(quantity_within(3.0, 2.0, 5.0), 0.5);

    (void)state;
    assert_true(px.is_known && px.has_interval);
    assert_true(px.value == 1.5 && px.low == 1.0 && px.high == 2.5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_forgotten_quantity_is_not_known),
        cmocka_unit_test(what_is_not_a_number_is_not_known),
        cmocka_unit_test(zero_is_a_known_value),
        cmocka_unit_test(an_interval_goes_with_its_value_into_another_unit),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
