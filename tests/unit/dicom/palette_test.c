#include "dicom/palette.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

enum { N = 12 };

static void segments_of_every_kind_are_expanded(void **state)
{
    /* discrete 2 entries; linear 4 entries to 500; indirect: the first two segments again (PS3.3, C.7.9.2) */
    static const uint16_t segments[] = {0, 2, 7, 100, 1, 4, 500, 2, 2, 0, 0};
    static const uint16_t expected[N] = {7, 100, 200, 300, 400, 500, 7, 100, 200, 300, 400, 500};
    uint16_t entries[N] = {0};

    (void)state;
    assert_true(palette_expand(segments, sizeof segments / sizeof segments[0], entries, N));
    assert_memory_equal(entries, expected, sizeof expected);
}

static void broken_segments_are_refused(void **state)
{
    static const uint16_t too_many[] = {0, 13, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13};
    static const uint16_t too_few[] = {0, 2, 7, 100};
    static const uint16_t cut[] = {0, 12, 1, 2};
    static const uint16_t line_from_nowhere[] = {1, 12, 500};
    static const uint16_t unknown[] = {3, 1, 0};
    static const uint16_t round_and_round[] = {2, 65535, 0, 0};
    static const uint16_t beyond[] = {0, 1, 5, 2, 1, 999, 0};
    uint16_t entries[N] = {0};

    (void)state;
    assert_false(palette_expand(too_many, 15, entries, N));
    assert_false(palette_expand(too_few, 4, entries, N));
    assert_false(palette_expand(cut, 4, entries, N));
    assert_false(palette_expand(line_from_nowhere, 3, entries, N));
    assert_false(palette_expand(unknown, 3, entries, N));
    assert_false(palette_expand(round_and_round, 4, entries, N));
    assert_false(palette_expand(beyond, 7, entries, N));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(segments_of_every_kind_are_expanded),
        cmocka_unit_test(broken_segments_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
