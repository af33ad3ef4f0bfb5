#include "media/pixels.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <libavutil/imgutils.h>

#include <cmocka.h>

static AVFrame *picture_make(enum AVPixelFormat format, int width, int height)
{
    AVFrame *picture = av_frame_alloc();

    assert_non_null(picture);
    picture->format = format;
    picture->width = width;
    picture->height = height;
    assert_int_equal(av_frame_get_buffer(picture, 0), 0);
    return picture;
}

/* Rec. ITU-R BT.601-7, 2.5.1, in floating point; the fixed point may differ where it lies on the half. */
static void luma_is_that_of_bt601(void **state)
{
    (void)state;
    for (unsigned r = 0; r < 256; r += 5) {
        for (unsigned g = 0; g < 256; g += 5) {
            for (unsigned b = 0; b < 256; b += 5) {
                double exact = 0.299 * r + 0.587 * g + 0.114 * b;

                assert_true(fabs(pixels_luma(r, g, b) - exact) < 0.51);
            }
        }
    }
    for (unsigned grey = 0; grey < 256; grey++)
        assert_int_equal(pixels_luma(grey, grey, grey), grey);
}

/* ITU-T T.871, 7: Cb = 128 + (B - Y) / 1.772, Cr = 128 + (R - Y) / 1.402 */
static void colour_is_the_distance_from_grey_of_jfif(void **state)
{
    (void)state;
    for (int r = 0; r < 256; r += 15) {
        for (int g = 0; g < 256; g += 15) {
            for (int b = 0; b < 256; b += 15) {
                double y = 0.299 * r + 0.587 * g + 0.114 * b;
                double exact = fmax(fabs((b - y) / 1.772), fabs((r - y) / 1.402));

                assert_true(fabs(pixels_colour(r, g, b) - exact) < 0.51);
            }
        }
    }
    assert_int_equal(pixels_colour(200, 200, 200), 0);
}

/* Rec. ITU-R BT.601-7, 2.5.3: black 16, white 235, chroma within 16..240 */
static void limited_range_is_widened(void **state)
{
    AVFrame *picture = picture_make(AV_PIX_FMT_YUV420P, 4, 2);
    const uint8_t luma[4] = {16, 235, 126, 5};
    struct frame *frame = NULL;
    struct error *err = NULL;

    (void)state;
    memcpy(picture->data[0], luma, 4);
    memcpy(picture->data[0] + picture->linesize[0], luma, 4);
    memset(picture->data[1], 240, 2);
    memset(picture->data[2], 128, 2);
    assert_true(pixels_to_frame(&frame, picture, pixels_as_tagged(), true, &err));
    assert_int_equal(frame->luma[0], 0);
    assert_int_equal(frame->luma[1], 255);
    assert_int_equal(frame->luma[2], 128); /* (126 - 16) 255 / 219 = 128.08 */
    assert_int_equal(frame->luma[3], 0);
    assert_int_equal(frame->colour[0], 128); /* 112 255 / 224 = 127.5 */
    frame_free(&frame);
    picture->color_range = AVCOL_RANGE_JPEG;
    assert_true(pixels_to_frame(&frame, picture, pixels_as_tagged(), false, &err));
    assert_int_equal(frame->luma[0], 16);
    assert_null(frame->colour);
    frame_free(&frame);
    av_frame_free(&picture);
}

/* The same source: every one of the 256 values, against the formula in floating point. */
static void every_limited_value_is_widened_to_the_nearest(void **state)
{
    AVFrame *picture = picture_make(AV_PIX_FMT_YUV420P, 256, 2);
    struct frame *frame = NULL;
    struct error *err = NULL;

    (void)state;
    picture->color_range = AVCOL_RANGE_MPEG;
    for (int y = 0; y < 2; y++)
        for (int x = 0; x < 256; x++)
            picture->data[0][y * picture->linesize[0] + x] = (uint8_t)x;
    memset(picture->data[1], 128, (size_t)picture->linesize[1]);
    memset(picture->data[2], 128, (size_t)picture->linesize[2]);
    assert_true(pixels_to_frame(&frame, picture, pixels_as_tagged(), true, &err));
    for (int x = 0; x < 256; x++) {
        double exact = fmin(fmax((x - 16) * 255.0 / 219.0, 0.0), 255.0);

        assert_int_equal(frame->luma[x], lround(exact));
        assert_int_equal(frame->luma[256 + x], lround(exact));
        assert_int_equal(frame->colour[x], 0);
    }
    frame_free(&frame);
    av_frame_free(&picture);
}

static void a_palette_is_looked_up(void **state)
{
    AVFrame *picture = picture_make(AV_PIX_FMT_PAL8, 2, 1);
    struct frame *frame = NULL;
    struct error *err = NULL;
    const uint32_t red = 0xffff0000U;

    (void)state;
    picture->data[0][0] = 3;
    picture->data[0][1] = 4;
    memset(picture->data[1], 0, 1024);
    memcpy(picture->data[1] + 4 * 3, &red, 4);
    assert_true(pixels_to_frame(&frame, picture, pixels_as_tagged(), true, &err));
    assert_int_equal(frame->luma[0], pixels_luma(255, 0, 0));
    assert_int_equal(frame->colour[0], 128);
    assert_int_equal(frame->luma[1], 0);
    frame_free(&frame);
    av_frame_free(&picture);
}

static void a_quarter_turn_moves_the_corners(void **state)
{
    AVFrame *picture = picture_make(AV_PIX_FMT_GRAY8, 3, 2);
    struct pixels_reading quarter = {.xy = 1, .yx = -1}; /* clockwise: x' = -y, y' = x */
    struct frame *frame = NULL;
    struct error *err = NULL;
    const uint8_t rows[2][3] = {{1, 2, 3}, {4, 5, 6}};
    const uint8_t turned[6] = {4, 1, 5, 2, 6, 3};

    (void)state;
    for (int y = 0; y < 2; y++)
        memcpy(picture->data[0] + y * picture->linesize[0], rows[y], 3);
    assert_true(pixels_to_frame(&frame, picture, quarter, false, &err));
    assert_int_equal(frame->width_px, 2);
    assert_int_equal(frame->height_px, 3);
    assert_memory_equal(frame->luma, turned, 6);
    frame_free(&frame);
    av_frame_free(&picture);
}

static void strange_pixel_formats_are_refused(void **state)
{
    (void)state;
    assert_false(pixels_can_read(AV_PIX_FMT_BAYER_RGGB8));
    assert_false(pixels_can_read(AV_PIX_FMT_GRAYF32LE));
    assert_false(pixels_can_read(AV_PIX_FMT_XYZ12LE));
    assert_false(pixels_can_read(AV_PIX_FMT_NONE));
    assert_true(pixels_can_read(AV_PIX_FMT_NV12));
    assert_true(pixels_can_read(AV_PIX_FMT_RGB48BE));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(luma_is_that_of_bt601),
        cmocka_unit_test(colour_is_the_distance_from_grey_of_jfif),
        cmocka_unit_test(limited_range_is_widened),
        cmocka_unit_test(every_limited_value_is_widened_to_the_nearest),
        cmocka_unit_test(a_palette_is_looked_up),
        cmocka_unit_test(a_quarter_turn_moves_the_corners),
        cmocka_unit_test(strange_pixel_formats_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
