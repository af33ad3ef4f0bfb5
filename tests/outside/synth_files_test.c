/* The files of `afterflash synth` read by what we did not make: pydicom, dciodvfy (dicom3tools), FFmpeg
 * and ffprobe, and OpenCV's template matching. */
#include "../support/folder_fixture.h"
#include "base/text.h"
#include "synth/synth.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct recipe small(void)
{
    struct recipe recipe = recipe_default();

    recipe.width_px = 320;
    recipe.height_px = 240;
    recipe.duration_s = 3;
    recipe.frames_per_s = 8;
    recipe.scatterers_per_mm2 = 5;
    recipe.deposit_s = 1;
    return recipe;
}

static void make(const struct recipe *recipe, const char *folder, const char *name)
{
    struct synth_request request = {.recipe = *recipe};
    struct error *err = NULL;
    char *path = text_format("%s/%s", folder, name);

    assert_non_null(path);
    request.path = path;
    if (!synth_make(&request, &err))
        fail_msg("%s", error_message(err));
    free(path);
}

/* Numbers that the script prints. */
static size_t look(double *values, size_t most, const char *work, const char *folder, const char *one,
                   const char *other)
{
    char *command = text_format("/usr/bin/python3 tests/outside/synth_files.py %s '%s/%s' '%s/%s'", work,
                                folder, one, folder, other);
    FILE *pipe = command == NULL ? NULL : popen(command, "r");
    size_t n = 0;

    assert_non_null(pipe);
    while (n < most && fscanf(pipe, "%lf", &values[n]) == 1)
        n++;
    if (pclose(pipe) != 0)
        fail_msg("%s failed", command);
    free(command);
    return n;
}

static void pydicom_reads_the_pixels_that_ffmpeg_reads_from_the_lossless_twin(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    double values[3] = {0};

    (void)state;
    make(&recipe, folder, "loop.dcm");
    make(&recipe, folder, "twin.mkv");
    assert_int_equal(look(values, 3, "same", folder, "loop.dcm", "twin.mkv"), 3);
    assert_true(values[0] == 0.0);
    assert_true(values[1] == 24.0 && values[2] == 24.0);
    folder_fixture_remove(&folder);
}

static void pydicom_reads_even_frame_times(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    double values[2] = {0};

    (void)state;
    make(&recipe, folder, "loop.dcm");
    assert_int_equal(look(values, 2, "clock", folder, "loop.dcm", "loop.truth.json"), 2);
    assert_true(values[0] < 1e-6 && values[1] == 24.0);
    folder_fixture_remove(&folder);
}

static void pydicom_reads_a_frame_time_vector_where_frames_are_missing(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    double values[2] = {0};

    (void)state;
    recipe.rate_jitter = 0.3;
    recipe.dropped_share = 0.3;
    recipe.codec = CODEC_JPEG;
    make(&recipe, folder, "loop.dcm");
    assert_int_equal(look(values, 2, "clock", folder, "loop.dcm", "loop.truth.json"), 2);
    assert_true(values[0] < 1e-6 && values[1] < 24.0);
    folder_fixture_remove(&folder);
}

static void pydicom_reads_one_tissue_region_in_centimetres(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    double values[8] = {0};

    (void)state;
    make(&recipe, folder, "loop.dcm");
    assert_int_equal(look(values, 8, "region", folder, "loop.dcm", "loop.truth.json"), 8);
    assert_true(values[0] == 3.0 && values[1] == 3.0); /* cm: PS3.3, C.8.5.5.1.15 */
    assert_true(fabs(values[2] - 1.0) < 1e-6 && fabs(values[3] - 1.0) < 1e-6);
    for (int i = 4; i < 8; i++)
        assert_true(values[i] == 0.0);
    folder_fixture_remove(&folder);
}

static void dciodvfy_finds_no_error_in_any_kind_of_dicom_file(void **state)
{
    char *folder = folder_fixture_make();

    (void)state;
    if (system("command -v dciodvfy >/dev/null 2>&1") != 0) {
        folder_fixture_remove(&folder);
        skip();
    }
    for (int i = 0; i < 4; i++) {
        struct recipe recipe = small();
        char *name = text_format("kind%d.dcm", i), *command = NULL;

        assert_non_null(name);
        recipe.duration_s = 1;
        recipe.deposit_s = 0.5;
        recipe.colour = i / 2;
        recipe.codec = i % 2 ? CODEC_JPEG : CODEC_NATIVE;
        recipe.rate_jitter = i == 0 ? 0.2 : 0.0;
        make(&recipe, folder, name);
        /* it says which kind of object it took the file for, and a line "Error - ..." for each fault */
        command = text_format("dciodvfy '%s/%s' 2>&1 | grep -q '^USMultiFrameImage$' && "
                              "! dciodvfy '%s/%s' 2>&1 | grep '^Error'",
                              folder, name, folder, name);
        assert_non_null(command);
        assert_int_equal(system(command), 0);
        free(command);
        free(name);
    }
    folder_fixture_remove(&folder);
}

static void ffprobe_reads_the_stamps_of_the_truth(void **state)
{
    static const char *const names[] = {"even.mp4", "even.avi", "torn.mp4", "torn.mkv"};
    static const double NEAR[] = {2e-5, 1e-5, 2e-5, 1e-6}; /* 90 kHz clock; printed digits; Matroska's ms */
    char *folder = folder_fixture_make();

    (void)state;
    for (int i = 0; i < 4; i++) {
        struct recipe recipe = small();
        char *true_name = text_format("%.4s.truth.json", names[i]);
        double values[2] = {0};

        assert_non_null(true_name);
        recipe.rate_jitter = i >= 2 ? 0.3 : 0.0;
        recipe.dropped_share = i >= 2 ? 0.2 : 0.0;
        make(&recipe, folder, names[i]);
        assert_int_equal(look(values, 2, "stamps", folder, names[i], true_name), 2);
        assert_true(values[0] < NEAR[i]);
        free(true_name);
        folder_fixture_remove(&folder);
        folder = folder_fixture_make();
    }
    folder_fixture_remove(&folder);
}

/* Only the probe moves: OpenCV then sees the whole picture shift as the truth says. */
static void opencv_sees_the_picture_move_as_the_truth_says(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    double values[3] = {0};

    (void)state;
    recipe.width_px = 480;
    recipe.height_px = 360;
    recipe.scatterers_per_mm2 = 8;
    recipe.frames_per_s = 6;
    recipe.duration_s = 5;
    recipe.rate_per_min = recipe.breathing_mm = recipe.breathing_turn_deg = recipe.breathing_strain = 0;
    recipe.pulse_mm = recipe.probe_walk_deg = recipe.bowel_mm = recipe.elevation_walk =
        recipe.decorrelation_s = 0;
    recipe.probe_walk_mm = 0.8;
    recipe.bubbles = recipe.catheter = 0;
    recipe.noise_db = -60;
    recipe.persistence = 0;
    make(&recipe, folder, "loop.mkv");
    assert_int_equal(look(values, 3, "shift", folder, "loop.mkv", "loop.truth.json"), 3);
    assert_true(values[2] > 0.5); /* it does move, by more than half a pixel a frame at times */
    assert_true(values[0] < 0.2 && values[1] < 0.1);
    folder_fixture_remove(&folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pydicom_reads_the_pixels_that_ffmpeg_reads_from_the_lossless_twin),
        cmocka_unit_test(pydicom_reads_even_frame_times),
        cmocka_unit_test(pydicom_reads_a_frame_time_vector_where_frames_are_missing),
        cmocka_unit_test(pydicom_reads_one_tissue_region_in_centimetres),
        cmocka_unit_test(dciodvfy_finds_no_error_in_any_kind_of_dicom_file),
        cmocka_unit_test(ffprobe_reads_the_stamps_of_the_truth),
        cmocka_unit_test(opencv_sees_the_picture_move_as_the_truth_says),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
