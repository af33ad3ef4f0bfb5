#include "media/writer.h"

#include "../../support/folder_fixture.h"
#include "base/text.h"
#include "media/loop.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { WIDTH = 64, HEIGHT = 48, FRAMES = 9 };

static const struct video_request lossless = {WIDTH, HEIGHT, 10.0, VIDEO_FFV1, 1};

/* A ramp that moves on by a column a frame. */
static void draw(uint8_t *luma, int frame)
{
    for (int i = 0; i < WIDTH * HEIGHT; i++)
        luma[i] = (uint8_t)((i % WIDTH + frame) * 3 + i / WIDTH);
}

static struct video_writer *begin(const char *path, const struct video_request *request)
{
    struct video_writer *writer = NULL;
    struct error *err = NULL;

    if (!video_writer_open(&writer, path, OUTPUT_KEEP, request, &err))
        fail_msg("%s", error_message(err));
    return writer;
}

static void a_lossless_video_gives_back_every_byte_and_stamp(void **state)
{
    static const double times_s[FRAMES] = {0, 0.1, 0.2, 0.35, 0.4, 0.9, 1.0, 1.001, 2.0};
    char *folder = folder_fixture_make(), *path = text_format("%s/loop.mkv", folder);
    struct video_writer *writer = begin(path, &lossless);
    struct loop *loop = NULL;
    struct error *err = NULL;
    uint8_t luma[WIDTH * HEIGHT];

    (void)state;
    for (int i = 0; i < FRAMES; i++) {
        draw(luma, i);
        assert_true(video_writer_add(writer, luma, times_s[i], &err));
    }
    assert_true(video_writer_commit(&writer, &err));
    assert_true(loop_open(&loop, path, &err));
    for (int i = 0; i < FRAMES; i++) {
        struct frame *frame = NULL;

        assert_int_equal(loop_read(loop, 0.0, false, &frame, &err), LOOP_FRAME);
        draw(luma, i);
        assert_memory_equal(frame->luma, luma, sizeof luma);
        assert_true(fabs(frame->time_s - times_s[i]) < 1e-6);
        frame_free(&frame);
    }
    loop_close(&loop);
    free(path);
    folder_fixture_remove(&folder);
}

static void lossy_video_keeps_black_and_white(void **state)
{
    static const enum video_codec codecs[] = {VIDEO_H264, VIDEO_MPEG4, VIDEO_MJPEG, VIDEO_MJPEG};
    static const char *const names[] = {"a.mp4", "b.mp4", "c.avi", "d.mkv"};
    char *folder = folder_fixture_make();

    (void)state;
    for (int i = 0; i < 4; i++) {
        struct video_request request = {WIDTH, HEIGHT, 10.0, codecs[i], 2};
        char *path = text_format("%s/%s", folder, names[i]);
        struct video_writer *writer = begin(path, &request);
        struct frame *frame = NULL;
        struct loop *loop = NULL;
        struct error *err = NULL;
        uint8_t luma[WIDTH * HEIGHT];

        memset(luma, 0, sizeof luma);
        memset(luma + sizeof luma / 2, 255, sizeof luma / 2);
        for (int k = 0; k < 3; k++)
            assert_true(video_writer_add(writer, luma, 0.1 * k, &err));
        assert_true(video_writer_commit(&writer, &err));
        assert_true(loop_open(&loop, path, &err));
        assert_int_equal(loop_read(loop, 0.0, false, &frame, &err), LOOP_FRAME);
        assert_in_range(frame->luma[5 * WIDTH + 20], 0, 4);
        assert_in_range(frame->luma[(HEIGHT - 6) * WIDTH + 20], 251, 255);
        frame_free(&frame);
        loop_close(&loop);
        free(path);
    }
    folder_fixture_remove(&folder);
}

static void two_frames_of_one_time_are_refused(void **state)
{
    char *folder = folder_fixture_make(), *path = text_format("%s/loop.mkv", folder);
    struct video_writer *writer = begin(path, &lossless);
    struct error *err = NULL;
    uint8_t luma[WIDTH * HEIGHT] = {0};

    (void)state;
    assert_true(video_writer_add(writer, luma, 0.5, &err));
    assert_false(video_writer_add(writer, luma, 0.5, &err));
    assert_int_equal(error_code(err), ERROR_OUTPUT);
    error_free(&err);
    video_writer_abandon(&writer);
    assert_null(writer);
    assert_int_equal(folder_fixture_count(folder), 0);
    free(path);
    folder_fixture_remove(&folder);
}

static void a_video_that_is_not_committed_leaves_nothing(void **state)
{
    char *folder = folder_fixture_make(), *path = text_format("%s/loop.mp4", folder);
    struct video_request request = {WIDTH, HEIGHT, 10.0, VIDEO_H264, 20};
    struct video_writer *writer = begin(path, &request);

    (void)state;
    video_writer_abandon(&writer);
    video_writer_abandon(&writer);
    assert_int_equal(folder_fixture_count(folder), 0);
    free(path);
    folder_fixture_remove(&folder);
}

static void the_suffix_says_how_fine_stamps_are(void **state)
{
    (void)state;
    assert_int_equal(video_writer_stamp_hz("a.b/loop.MP4"), 90000);
    assert_int_equal(video_writer_stamp_hz("loop.mkv"), 1000);
    assert_int_equal(video_writer_stamp_hz("loop.avi"), 0);
    assert_int_equal(video_writer_stamp_hz("loop.txt"), -1);
    assert_int_equal(video_writer_stamp_hz("loop"), -1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_lossless_video_gives_back_every_byte_and_stamp),
        cmocka_unit_test(lossy_video_keeps_black_and_white),
        cmocka_unit_test(two_frames_of_one_time_are_refused),
        cmocka_unit_test(a_video_that_is_not_committed_leaves_nothing),
        cmocka_unit_test(the_suffix_says_how_fine_stamps_are),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
