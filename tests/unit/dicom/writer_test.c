#include "dicom/writer.h"

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

enum { WIDTH = 33, HEIGHT = 21, FRAMES = 3 }; /* an odd number of bytes in all: it is padded (PS3.5, 7.1.1) */

static const double even_s[FRAMES] = {0.0, 0.125, 0.25}, torn_s[FRAMES] = {0.0, 0.1, 0.45};

static struct dicom_request request_of(const double *times_s)
{
    struct dicom_request request = {.width_px = WIDTH,
                                    .height_px = HEIGHT,
                                    .jpeg_quality = 95,
                                    .times_s = times_s,
                                    .n_frames = FRAMES,
                                    .region = {2, 1, 30, 20},
                                    .mm_per_px = 0.25,
                                    .reference_px = {16, -4},
                                    .patient_id = "SYNTH-1",
                                    .digest = 77};

    return request;
}

static void draw(uint8_t *luma, int frame)
{
    for (int i = 0; i < WIDTH * HEIGHT; i++)
        luma[i] = (uint8_t)(i % WIDTH * 4 + i / WIDTH * 3 + 20 * frame);
}

static void write_file(const char *path, const struct dicom_request *request)
{
    struct dicom_writer *writer = NULL;
    struct error *err = NULL;
    uint8_t luma[WIDTH * HEIGHT];

    if (!dicom_writer_open(&writer, path, OUTPUT_REPLACE, request, &err))
        fail_msg("%s", error_message(err));
    for (int i = 0; i < FRAMES; i++) {
        draw(luma, i);
        assert_true(dicom_writer_add(writer, luma, &err));
    }
    assert_false(dicom_writer_add(writer, luma, &err)); /* one more than announced */
    error_free(&err);
    assert_true(dicom_writer_commit(&writer, &err));
    assert_null(writer);
}

static void read_back(const char *path, const double *times_s, int most_off)
{
    struct loop *loop = NULL;
    struct error *err = NULL;

    if (!loop_open(&loop, path, &err))
        fail_msg("%s", error_message(err));
    assert_true(loop_facts(loop)->has_clock);
    assert_int_equal(loop_facts(loop)->regions[0].box.right_px, 30);
    assert_true(fabs(loop_facts(loop)->regions[0].delta_x - 0.025) < 1e-12);
    for (int i = 0; i < FRAMES; i++) {
        struct frame *frame = NULL;
        uint8_t luma[WIDTH * HEIGHT];

        assert_int_equal(loop_read(loop, 0.0, false, &frame, &err), LOOP_FRAME);
        assert_true(fabs(frame->time_s - times_s[i]) < 1e-6);
        draw(luma, i);
        for (int k = 0; k < WIDTH * HEIGHT; k++)
            assert_true(abs((int)frame->luma[k] - (int)luma[k]) <= most_off);
        frame_free(&frame);
    }
    loop_close(&loop);
}

static void every_kind_of_file_is_read_back(void **state)
{
    char *folder = folder_fixture_make(), *path = text_format("%s/loop.dcm", folder);

    (void)state;
    for (int i = 0; i < 8; i++) {
        const double *times_s = i & 4 ? torn_s : even_s;
        struct dicom_request request = request_of(times_s);

        request.is_jpeg = (i & 1) != 0;
        request.is_colour = (i & 2) != 0;
        write_file(path, &request);
        read_back(path, times_s, request.is_jpeg ? 5 : request.is_colour ? 1 : 0);
    }
    free(path);
    folder_fixture_remove(&folder);
}

static void a_file_with_frames_missing_is_not_written(void **state)
{
    char *folder = folder_fixture_make(), *path = text_format("%s/loop.dcm", folder);
    struct dicom_request request = request_of(even_s);
    struct dicom_writer *writer = NULL;
    struct error *err = NULL;
    uint8_t luma[WIDTH * HEIGHT] = {0};

    (void)state;
    assert_true(dicom_writer_open(&writer, path, OUTPUT_KEEP, &request, &err));
    assert_true(dicom_writer_add(writer, luma, &err));
    assert_false(dicom_writer_commit(&writer, &err));
    assert_int_equal(error_code(err), ERROR_OUTPUT);
    error_free(&err);
    assert_int_equal(folder_fixture_count(folder), 0);
    free(path);
    folder_fixture_remove(&folder);
}

static void native_pixels_beyond_what_a_length_can_say_are_refused(void **state)
{
    char *folder = folder_fixture_make(), *path = text_format("%s/loop.dcm", folder);
    struct dicom_request request = request_of(even_s);
    struct dicom_writer *writer = NULL;
    struct error *err = NULL;

    (void)state;
    request.width_px = request.height_px = 40000; /* 3 x 1.6e9 bytes; a length has 32 bits: PS3.5, 7.1.2 */
    assert_false(dicom_writer_open(&writer, path, OUTPUT_KEEP, &request, &err));
    assert_int_equal(error_code(err), ERROR_OUTPUT);
    error_free(&err);
    free(path);
    folder_fixture_remove(&folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_of_file_is_read_back),
        cmocka_unit_test(a_file_with_frames_missing_is_not_written),
        cmocka_unit_test(native_pixels_beyond_what_a_length_can_say_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
