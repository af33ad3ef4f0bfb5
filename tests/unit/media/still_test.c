#include "media/still.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

/* A JPEG stream's markers up to the scan (ITU-T T.81, annex B). */
struct markers {
    uint8_t bytes[128];
    size_t n;
};

static void put(struct markers *markers, uint8_t marker, const void *body, size_t n)
{
    const uint8_t head[4] = {0xff, marker, (uint8_t)((n + 2) >> 8), (uint8_t)((n + 2) & 0xff)};

    memcpy(markers->bytes + markers->n, head, sizeof head);
    memcpy(markers->bytes + markers->n + 4, body, n);
    markers->n += 4 + n;
}

static void start(struct markers *markers)
{
    *markers = (struct markers){.bytes = {0xff, 0xd8}, .n = 2};
}

static void put_frame(struct markers *markers, uint8_t marker, const char *names, uint8_t sampling,
                      uint8_t bits)
{
    const uint8_t body[15] = {
        bits, 0, 48, 0, 64, 3, (uint8_t)names[0], sampling, 0, (uint8_t)names[1], 0x11, 1, (uint8_t)names[2],
        0x11, 1};

    put(markers, marker, body, sizeof body);
    put(markers, 0xda, "\x03\x01", 2);
}

static enum still_colour told(struct markers *markers, const char *names, uint8_t sampling)
{
    put_frame(markers, 0xc0, names, sampling, 8);
    return still_jpeg_colour(markers->bytes, markers->n);
}

static void adobe_is_believed_before_all_else(void **state)
{
    struct markers markers;

    (void)state;
    start(&markers);
    put(&markers, 0xe0, "JFIF\0\1\1\0\0\1\0\1\0\0", 14);
    put(&markers, 0xee, "Adobe\0\x64\0\0\0\0\0", 12);
    assert_int_equal(told(&markers, "\1\2\3", 0x22), STILL_COLOUR_RGB);
    start(&markers);
    put(&markers, 0xee, "Adobe\0\x64\0\0\0\0\1", 12);
    assert_int_equal(told(&markers, "RGB", 0x11), STILL_COLOUR_YBR);
}

static void then_jfif_then_names_then_subsampling(void **state)
{
    struct markers markers;

    (void)state;
    start(&markers);
    put(&markers, 0xe0, "JFIF\0\1\1\0\0\1\0\1\0\0", 14);
    assert_int_equal(told(&markers, "RGB", 0x11), STILL_COLOUR_YBR);
    start(&markers);
    assert_int_equal(told(&markers, "RGB", 0x11), STILL_COLOUR_RGB);
    start(&markers);
    assert_int_equal(told(&markers, "\1\2\3", 0x21), STILL_COLOUR_YBR);
    start(&markers);
    assert_int_equal(told(&markers, "\1\2\3", 0x11), STILL_COLOUR_UNTOLD);
}

static void a_lossless_stream_is_not_told_by_jfif(void **state)
{
    struct markers markers;

    (void)state;
    start(&markers);
    put(&markers, 0xe0, "JFIF\0\1\1\0\0\1\0\1\0\0", 14);
    put_frame(&markers, 0xc3, "\1\2\3", 0x11, 8);
    assert_int_equal(still_jpeg_colour(markers.bytes, markers.n), STILL_COLOUR_UNTOLD);
}

static void the_precision_is_that_of_the_frame_header(void **state)
{
    struct markers markers;

    (void)state;
    start(&markers);
    put_frame(&markers, 0xf7, "\1\2\3", 0x11, 12); /* JPEG-LS */
    assert_int_equal(still_precision(markers.bytes, markers.n), 12);
}

static void a_stream_may_end_anywhere(void **state)
{
    struct markers markers;

    (void)state;
    start(&markers);
    put(&markers, 0xee, "Adobe\0\x64\0\0\0\0\0", 12);
    put_frame(&markers, 0xc0, "RGB", 0x11, 8);
    for (size_t n = 0; n < markers.n; n++)
        (void)still_jpeg_colour(markers.bytes, n);
    assert_int_equal(still_jpeg_colour(markers.bytes, 10), STILL_COLOUR_UNTOLD);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(adobe_is_believed_before_all_else),
        cmocka_unit_test(then_jfif_then_names_then_subsampling),
        cmocka_unit_test(a_lossless_stream_is_not_told_by_jfif),
        cmocka_unit_test(the_precision_is_that_of_the_frame_header),
        cmocka_unit_test(a_stream_may_end_anywhere),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
