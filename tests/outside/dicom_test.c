/* DICOM loops against pydicom, DCMTK's tools and files that they and ffmpeg made. */
#include "loop_fixture.h"
#include "outside.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { MOST_FILES = 128 };

#define PYDICOM_FILES "/usr/lib/python3/dist-packages/pydicom/data/test_files"
#define SCRIPT "/usr/bin/python3 tests/outside/reference_dicom.py"

/* What `reference_dicom.py make` made. */
static struct {
    char folder[64];
    size_t n;
    char name[MOST_FILES][32];
    int tolerance[MOST_FILES]; /* grey levels that the coding may cost */
} made;

static int make_files(void **state)
{
    FILE *list = NULL;
    char path[128];

    (void)state;
    outside_folder(made.folder);
    loop_fixture_run(SCRIPT " make %s >%s/list", made.folder, made.folder);
    (void)snprintf(path, sizeof path, "%s/list", made.folder);
    list = fopen(path, "r");
    assert_non_null(list);
    while (made.n < MOST_FILES && fscanf(list, "%31s %d", made.name[made.n], &made.tolerance[made.n]) == 2)
        made.n++;
    (void)fclose(list);
    assert_true(made.n > 50);
    return 0;
}

static int remove_files(void **state)
{
    (void)state;
    outside_folder_remove(made.folder);
    return 0;
}

static uint8_t *read_bytes(const char *path, size_t n)
{
    FILE *file = fopen(path, "rb");
    uint8_t *bytes = malloc(n + 1);

    assert_non_null(file);
    assert_non_null(bytes);
    if (fread(bytes, 1, n + 1, file) != n)
        fail_msg("%s does not have %zu bytes", path, n);
    (void)fclose(file);
    return bytes;
}

static void assert_luma(const struct loop_fixture *loop, const char *raw, int tolerance, const char *name)
{
    size_t n = loop->n * loop->frame_bytes;
    uint8_t *luma = read_bytes(raw, n);
    int worst = 0;

    for (size_t i = 0; i < n; i++)
        worst = abs(luma[i] - loop->luma[i]) > worst ? abs(luma[i] - loop->luma[i]) : worst;
    free(luma);
    if (worst > tolerance)
        fail_msg("%s: %d grey levels apart, %d allowed", name, worst, tolerance);
}

static void open_made(struct loop_fixture *loop, const char *name)
{
    char path[128];

    (void)snprintf(path, sizeof path, "%s/%s.dcm", made.folder, name);
    if (!loop_fixture_read(loop, path))
        fail_msg("%s", error_message(loop->err));
}

static void every_kind_of_pixel_data_gives_its_true_luma(void **state)
{
    (void)state;
    for (size_t i = 0; i < made.n; i++) {
        struct loop_fixture loop = {0};
        char raw[128];

        open_made(&loop, made.name[i]);
        (void)snprintf(raw, sizeof raw, "%s/%s.raw", made.folder, made.name[i]);
        assert_luma(&loop, raw, made.tolerance[i], made.name[i]);
        assert_true(loop_facts(loop.loop)->has_clock);
        assert_true(fabs(loop.times_s[loop.n - 1] - 0.040 * (double)(loop.n - 1)) <
                    1e-9); /* Frame Time 40 ms */
        loop_fixture_free(&loop);
    }
}

static void jpeg_frames_agree_with_another_decoder_within_one_grey_level(void **state)
{
    static const char *const names[] = {"rgb_jpegrgb", "rgb_jpeg", "rgb_jpeg422"};
    const char *folder = made.folder;

    (void)state;
    loop_fixture_run("mkdir %s/other && " SCRIPT
                     " luma %s/other %s/rgb_jpeg.dcm %s/rgb_jpegrgb.dcm %s/rgb_jpeg422.dcm",
                     folder, folder, folder, folder, folder); /* Pillow */
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct loop_fixture loop = {0};
        char raw[128];

        open_made(&loop, names[i]);
        (void)snprintf(raw, sizeof raw, "%s/other/%s.raw", folder, names[i]);
        assert_luma(&loop, raw, 1, names[i]);
        loop_fixture_free(&loop);
    }
}

static void a_number_of_frames_that_lies_is_told(void **state)
{
    static const struct {
        const char *name;
        size_t n;
        const char *words;
    } rows[] = {
        {"lying_more", 4, "Number of Frames says 9, 4 whole frames are there"},
        {"lying_fewer", 4, "Number of Frames says 2, 4 whole frames are there"},
        {"j2k_nocount", 4, "Number of Frames says 0, 4 whole frames are there"},
        {"h264_lying", 30, "Number of Frames says 77, the video inside has 30"},
        {"mpeg2_lying", 30, "Number of Frames says 77, the video inside has 30"},
        {"hevcmp4_lying", 30, "Number of Frames says 77, the video inside has 30"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct loop_fixture loop = {0};

        open_made(&loop, rows[i].name);
        assert_int_equal(loop.n, rows[i].n);
        assert_true(loop_fixture_tells(&loop, rows[i].words));
        loop_fixture_free(&loop);
    }
}

static void a_planar_configuration_that_lies_is_told(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    open_made(&loop, "rgblie");
    assert_true(loop_fixture_tells(&loop, "Planar Configuration"));
    loop_fixture_free(&loop);
    open_made(&loop, "rgbplanes");
    assert_false(loop_fixture_tells(&loop, "Planar Configuration"));
    loop_fixture_free(&loop);
}

static void frames_are_had_at_chosen_times_without_the_others(void **state)
{
    static const char *const names[] = {"mono", "rgb_rle", "rgb_jpegls", "h264mp4", "mpeg2"};

    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct loop_fixture loop = {0};
        struct frame *frame = NULL;

        open_made(&loop, names[i]);
        assert_int_equal(loop_read(loop.loop, 0.075, false, &frame, &loop.err), LOOP_FRAME);
        assert_int_equal(frame->index, 2); /* 80 ms */
        assert_memory_equal(frame->luma, loop.luma + 2 * loop.frame_bytes, loop.frame_bytes);
        frame_free(&frame);
        assert_int_equal(loop_read(loop.loop, 0.120, false, &frame, &loop.err), LOOP_FRAME);
        assert_int_equal(frame->index, 3);
        frame_free(&frame);
        assert_int_equal(loop_read(loop.loop, 1e6, false, &frame, &loop.err), LOOP_END);
        loop_fixture_free(&loop);
    }
}

/* Names of problems never carry who the patient is: the files say Invented^Person. */
static void no_sentence_names_the_patient_or_a_folder(void **state)
{
    (void)state;
    for (size_t i = 0; i < made.n; i++) {
        struct loop_fixture loop = {0};

        open_made(&loop, made.name[i]);
        assert_false(loop_fixture_tells(&loop, "Invented"));
        assert_false(loop_fixture_tells(&loop, made.folder));
        assert_null(strchr(loop_facts(loop.loop)->file, '/'));
        loop_fixture_free(&loop);
    }
}

/* ../shared/samples/dicom, and the grey levels that decoders of lossy JPEG may be apart */
static const struct {
    const char *name;
    int tolerance;
} samples[] = {
    {"WG04__US1_RLE", 0},
    {"WG04__US1_UNC", 0},
    {"dicomParser__IM00001_implicit_le", 0},
    {"pydicom-data__JPGLosslessP14SV1_1s_1f_8b", 0},
    {"pydicom-data__OBXXXX1A", 0},
    {"pydicom-data__OBXXXX1A_2frame", 0},
    {"pydicom-data__OBXXXX1A_expb_2frame", 0},
    {"pydicom-data__OBXXXX1A_rle", 0},
    {"pydicom-data__OBXXXX1A_rle_2frame", 0},
    {"pydicom-data__US1_J2KI", 1},
    {"pydicom-data__US1_UNCI", 0},
    {"pydicom-data__US1_UNCR", 0},
    {"pydicom-data__color-pl", 0},
    {"pydicom-data__color-px", 0},
    {"pydicom-data__gdcm-US-ALOKA-16", 0},
    {"pydicom-data__gdcm-US-ALOKA-16_big", 0},
    {"pydicom__examples_jpeg2k", 0},
    {"pydicom__examples_palette", 0},
    {"pydicom__examples_rgb_color", 0},
    {"pydicom__examples_ybr_color", 1},
    {"dicomParser__IM00001_fragmented_no_bot_jpeg50", 2},
};

enum { N_SAMPLES = sizeof samples / sizeof samples[0] };

static bool sample_path(char *path, size_t n_room, size_t i)
{
    char name[128];

    (void)snprintf(name, sizeof name, "dicom/%s.dcm", samples[i].name);
    return outside_sample(path, n_room, name);
}

/* What pydicom reads in all samples, into a folder of its own; those that it cannot decode with the
 * libraries of Debian 12 are decoded by dcmdjpeg first. False when there are no samples. */
static bool read_samples(char *folder, size_t n_room)
{
    char path[512];

    (void)snprintf(folder, n_room, "%s/samples", made.folder);
    if (!sample_path(path, sizeof path, 0))
        return false;
    path[strlen(path) - strlen(samples[0].name) - strlen(".dcm")] = '\0';
    loop_fixture_run("test -d %s || { mkdir %s && cp %s*.dcm %s && cd %s && for f in dicomParser*jpeg50.dcm "
                     "*JPGLossless*8b.dcm; "
                     "do dcmdjpeg -q +cn $f plain && mv plain $f || exit 1; done; }",
                     folder, folder, path, folder, folder);
    return true;
}

static void frames_of_real_files_are_what_pydicom_decodes(void **state)
{
    char path[512];
    char folder[128];

    (void)state;
    if (!read_samples(folder, sizeof folder))
        skip();
    loop_fixture_run(SCRIPT " luma %s %s/*.dcm", folder, folder);
    for (size_t i = 0; i < N_SAMPLES; i++) {
        struct loop_fixture loop = {0};
        char raw[256];

        assert_true(sample_path(path, sizeof path, i));
        if (!loop_fixture_read(&loop, path))
            fail_msg("%s", error_message(loop.err));
        (void)snprintf(raw, sizeof raw, "%s/%s.raw", folder, samples[i].name);
        assert_luma(&loop, raw, samples[i].tolerance, samples[i].name);
        loop_fixture_free(&loop);
    }
}

static void assert_region(const struct loop_region *region, const double *said)
{
    assert_int_equal(region->box.left_px, (int)said[0]);
    assert_int_equal(region->box.top_px, (int)said[1]);
    assert_int_equal(region->box.right_px, (int)said[2]);
    assert_int_equal(region->box.bottom_px, (int)said[3]);
    assert_int_equal(region->spatial_format, (int)said[4]);
    assert_int_equal(region->data_type, (int)said[5]);
    assert_int_equal(region->units_x, (int)said[6]);
    assert_int_equal(region->units_y, (int)said[7]);
    assert_true(region->delta_x == said[8]);
    assert_true(region->delta_y == said[9]);
}

static void attributes_of_real_files_are_what_pydicom_reads(void **state)
{
    char path[512];
    char folder[128];

    (void)state;
    if (!read_samples(folder, sizeof folder))
        skip();
    loop_fixture_run(SCRIPT " facts %s %s/*.dcm", folder, folder);
    for (size_t i = 0; i < N_SAMPLES; i++) {
        struct loop_fixture loop = {0};
        double said[64] = {0};
        size_t n = 0;

        assert_true(sample_path(path, sizeof path, i));
        n = loop_fixture_numbers(said, 64, "cat %s/%s.facts", folder, samples[i].name);
        if (!loop_fixture_read(&loop, path))
            fail_msg("%s", error_message(loop.err));
        assert_int_equal(loop.n, (size_t)said[0]);
        assert_int_equal(loop_facts(loop.loop)->height_px, (int)said[1]);
        assert_int_equal(loop_facts(loop.loop)->width_px, (int)said[2]);
        assert_int_equal(loop_facts(loop.loop)->has_clock, said[3] > 0.0);
        if (said[3] > 0.0)
            assert_true(fabs(loop.times_s[loop.n - 1] - said[3]) < 1e-9);
        assert_int_equal(loop_facts(loop.loop)->n_regions, (n - 4) / 10);
        for (size_t k = 0; k < loop_facts(loop.loop)->n_regions; k++)
            assert_region(&loop_facts(loop.loop)->regions[k], said + 4 + 10 * k);
        loop_fixture_free(&loop);
    }
}

/* python3-pydicom's own JPEG files, whose tags and streams disagree in every way: the luma that Pillow or
 * pydicom's comment gives (README of the files; pydicom issue 1162 and PR 2280). */
static void jpeg_colours_are_told_by_the_stream_where_the_tag_is_silent_or_wrong(void **state)
{
    static const char *const names[] = {
        "SC_jpeg_no_color_transform",
        "SC_jpeg_no_color_transform_2",
        "SC_rgb_dcmtk_+eb+cr",
        "SC_rgb_dcmtk_+eb+cy+n1",
        "SC_rgb_dcmtk_+eb+cy+n2",
        "SC_rgb_dcmtk_+eb+cy+np",
        "SC_rgb_dcmtk_+eb+cy+s2",
        "SC_rgb_dcmtk_+eb+cy+s4",
        "SC_rgb_gdcm_KY",
        "SC_rgb_jpeg",
        "SC_rgb_jpeg_app14_dcmd",
        "SC_rgb_jpeg_dcmd",
        "SC_rgb_jpeg_dcmtk",
        "SC_rgb_small_odd_jpeg",
        "SC_ybr_full_422_uncompressed",
        "SC_rgb_rle_2frame",
        "SC_rgb_small_odd",
        "image_dfl",
    };
    const size_t n = sizeof names / sizeof names[0];
    char files[4096] = "";

    (void)state;
    for (size_t i = 0; i < n; i++)
        (void)snprintf(files + strlen(files), sizeof files - strlen(files), " '%s/%s.dcm'", PYDICOM_FILES,
                       names[i]);
    loop_fixture_run("mkdir %s/jpeg && " SCRIPT " luma %s/jpeg%s", made.folder, made.folder, files);
    for (size_t i = 0; i < n; i++) {
        struct loop_fixture loop = {0};
        char path[256];

        (void)snprintf(path, sizeof path, "%s/%s.dcm", PYDICOM_FILES, names[i]);
        if (!loop_fixture_read(&loop, path))
            fail_msg("%s", error_message(loop.err));
        (void)snprintf(path, sizeof path, "%s/jpeg/%s.raw", made.folder, names[i]);
        assert_luma(&loop, path, 1, names[i]);
        loop_fixture_free(&loop);
    }
}

/* The start is DCMTK's reading of Acquisition DateTime, by date(1). */
static void the_start_of_a_real_loop_is_its_acquisition_time(void **state)
{
    char path[512];
    double seconds = 0.0;
    struct loop_fixture loop = {0};

    (void)state;
    if (!outside_sample(path, sizeof path, "dicom/pydicom-data__OBXXXX1A.dcm"))
        skip();
    assert_true(loop_fixture_read(&loop, path));
    assert_int_equal(loop_fixture_numbers(&seconds, 1, "date -u -d '2011-05-25 14:56:28' +%%s"), 1);
    assert_true(loop_facts(loop.loop)->has_start);
    assert_true(fabs(loop_facts(loop.loop)->start_s - (seconds + 0.35)) < 1e-5);
    loop_fixture_free(&loop);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_of_pixel_data_gives_its_true_luma),
        cmocka_unit_test(jpeg_frames_agree_with_another_decoder_within_one_grey_level),
        cmocka_unit_test(a_number_of_frames_that_lies_is_told),
        cmocka_unit_test(a_planar_configuration_that_lies_is_told),
        cmocka_unit_test(frames_are_had_at_chosen_times_without_the_others),
        cmocka_unit_test(no_sentence_names_the_patient_or_a_folder),
        cmocka_unit_test(frames_of_real_files_are_what_pydicom_decodes),
        cmocka_unit_test(attributes_of_real_files_are_what_pydicom_reads),
        cmocka_unit_test(jpeg_colours_are_told_by_the_stream_where_the_tag_is_silent_or_wrong),
        cmocka_unit_test(the_start_of_a_real_loop_is_its_acquisition_time),
    };

    return cmocka_run_group_tests(tests, make_files, remove_files);
}
