/* Contracts of base/parallel.h. */
#include "base/parallel.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

enum { MOST = 1000 };

struct tally {
    int times[MOST]; /* each item writes its own entry only */
    double value[MOST];
};

static void work(void *context, size_t i)
{
    struct tally *tally = context;

    tally->times[i]++;
    tally->value[i] = 0.0;
    for (size_t k = 1; k <= i % 50 + 1; k++)
        tally->value[i] += 1.0 / (double)(k + i);
}

static void every_item_is_done_once_whatever_the_number_of_threads(void **state)
{
    static const size_t counts[] = {0, 1, 2, 7, 64};
    static struct tally first;

    (void)state;
    parallel_run(MOST, 1, work, &first);
    for (size_t c = 0; c < sizeof counts / sizeof counts[0]; c++) {
        static struct tally tally;

        memset(&tally, 0, sizeof tally);
        parallel_run(MOST, counts[c], work, &tally);
        assert_memory_equal(&tally, &first, sizeof tally);
    }
    for (size_t i = 0; i < MOST; i++)
        assert_int_equal(first.times[i], 1);
}

static void fewer_items_than_threads_and_none_at_all_are_fine(void **state)
{
    static struct tally tally;

    (void)state;
    parallel_run(0, 8, work, &tally);
    parallel_run(3, 8, work, &tally);
    for (size_t i = 0; i < MOST; i++)
        assert_int_equal(tally.times[i], i < 3 ? 1 : 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_item_is_done_once_whatever_the_number_of_threads),
        cmocka_unit_test(fewer_items_than_threads_and_none_at_all_are_fine),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
