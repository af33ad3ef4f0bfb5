#include "media/problem.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void a_counted_problem_is_told_once_and_rewritten_when_it_grows(void **state)
{
    struct text_list list = {0};
    struct problem damage = {0};
    struct problem gaps = {0};

    (void)state;
    assert_true(problem_tell(&damage, &list, 0, "%d damaged", 0));
    assert_int_equal(list.n, 0);
    assert_true(problem_tell(&damage, &list, 2, "%d damaged", 2));
    assert_true(problem_tell(&gaps, &list, 1, "%d gap", 1));
    assert_true(problem_tell(&damage, &list, 1, "%d damaged", 1));
    assert_string_equal(list.items[0], "2 damaged");
    assert_true(problem_tell(&damage, &list, 5, "%d damaged", 5));
    assert_int_equal(list.n, 2);
    assert_string_equal(list.items[0], "5 damaged");
    assert_string_equal(list.items[1], "1 gap");
    text_list_free(&list);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_counted_problem_is_told_once_and_rewritten_when_it_grows),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
