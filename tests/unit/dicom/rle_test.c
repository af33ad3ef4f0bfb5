#include "dicom/rle.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

/* A header for one or two segments that stand right behind it. */
static size_t with_header(uint8_t *coded, const uint8_t *one, size_t n_one, const uint8_t *two, size_t n_two)
{
    memset(coded, 0, 64);
    coded[0] = two == NULL ? 1 : 2;
    coded[4] = 64;
    memcpy(coded + 64, one, n_one);
    if (two != NULL) {
        coded[8] = (uint8_t)(64 + n_one);
        memcpy(coded + 64 + n_one, two, n_two);
    }
    return 64 + n_one + n_two;
}

/* The worked example of Apple Technical Note TN1023, "Understanding PackBits", from which PS3.5 annex G has
 * its code. */
static const uint8_t packed[] = {0xfe, 0xaa, 0x02, 0x80, 0x00, 0x2a, 0xfd, 0xaa,
                                 0x03, 0x80, 0x00, 0x2a, 0x22, 0xf7, 0xaa};
static const uint8_t plain[] = {0xaa, 0xaa, 0xaa, 0x80, 0x00, 0x2a, 0xaa, 0xaa, 0xaa, 0xaa, 0x80, 0x00,
                                0x2a, 0x22, 0xaa, 0xaa, 0xaa, 0xaa, 0xaa, 0xaa, 0xaa, 0xaa, 0xaa, 0xaa};

static void the_published_example_is_decoded(void **state)
{
    uint8_t coded[128];
    uint8_t plane[sizeof plain];
    size_t n = with_header(coded, packed, sizeof packed, NULL, 0);

    (void)state;
    assert_true(rle_decode(coded, n, plane, 1, sizeof plane));
    assert_memory_equal(plane, plain, sizeof plain);
}

static void segments_become_planes(void **state)
{
    static const uint8_t other[] = {0xe9, 0x07}; /* 24 times 7 */
    uint8_t coded[128];
    uint8_t planes[2 * sizeof plain];
    size_t n = with_header(coded, packed, sizeof packed, other, sizeof other);

    (void)state;
    assert_true(rle_decode(coded, n, planes, 2, sizeof plain));
    assert_memory_equal(planes, plain, sizeof plain);
    assert_int_equal(planes[sizeof plain], 7);
    assert_int_equal(planes[2 * sizeof plain - 1], 7);
}

static void what_does_not_fit_is_refused(void **state)
{
    uint8_t coded[128];
    uint8_t planes[4 * sizeof plain];
    size_t n = with_header(coded, packed, sizeof packed, NULL, 0);

    (void)state;
    assert_false(rle_decode(coded, n, planes, 2, sizeof plain));     /* one segment for two planes */
    assert_false(rle_decode(coded, n, planes, 1, sizeof plain + 1)); /* too short */
    assert_false(rle_decode(coded, 63, planes, 1, sizeof plain));    /* no whole header */
    for (size_t cut = 64; cut < n; cut++)
        assert_false(rle_decode(coded, cut, planes, 1, sizeof plain));
    coded[5] = 200; /* the segment begins behind the end */
    assert_false(rle_decode(coded, n, planes, 1, sizeof plain));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_published_example_is_decoded),
        cmocka_unit_test(segments_become_planes),
        cmocka_unit_test(what_does_not_fit_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
