/* Broken, foreign and lying files, made by ffmpeg, DCMTK and pydicom: a clear sentence each, and what is
 * whole is read. */
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

static char folder[64];

#define CARD "ffmpeg -nostdin -v error -y -f lavfi -i testsrc2=s=160x120:r=25:d=4 "
#define SCRIPT "/usr/bin/python3 tests/outside/reference_dicom.py"

static const char *path_of(const char *name)
{
    static char path[192];

    (void)snprintf(path, sizeof path, "%s/%s", folder, name);
    return path;
}

static int make_files(void **state)
{
    (void)state;
    outside_folder(folder);
    loop_fixture_run(SCRIPT " make %s >%s/list", folder, folder);
    loop_fixture_run(
        "cd %s && " CARD "-c:v libx264 -preset veryfast -bf 3 -g 25 -pix_fmt yuv420p whole.mp4 && "
        "ffmpeg -nostdin -v error -y -i whole.mp4 -c copy -movflags +faststart first.mp4 && " CARD
        "-c:v mjpeg -q:v 3 whole.avi",
        folder);
    return 0;
}

static int remove_files(void **state)
{
    (void)state;
    outside_folder_remove(folder);
    return 0;
}

/* A copy of a DICOM file with attributes changed, by pydicom. */
static void modify(const char *from, const char *to, const char *changes)
{
    loop_fixture_run(SCRIPT " change %s/%s %s/%s %s", folder, from, folder, to, changes);
}

static void a_missing_file_is_refused(void **state)
{
    (void)state;
    loop_fixture_refused(path_of("nowhere.mp4"), "cannot be opened");
    loop_fixture_refused(folder, "folder");
}

static void an_empty_file_is_refused(void **state)
{
    (void)state;
    loop_fixture_run("cd %s && : >empty.mp4 && : >empty.dcm", folder);
    loop_fixture_refused(path_of("empty.mp4"), "empty");
    loop_fixture_refused(path_of("empty.dcm"), "empty");
}

static void text_and_noise_are_refused_whatever_their_name(void **state)
{
    (void)state;
    loop_fixture_run(
        "cd %s && echo some text >text.dcm && cp text.dcm text.mp4 && printf '#EXTM3U\\nwhole.mp4\\n' "
        ">list.mp4 && openssl enc -aes-128-ctr -K 00 -iv 00 -in /dev/zero 2>/dev/null | head -c 9999 "
        ">noise.avi; true",
        folder);
    loop_fixture_refused(path_of("text.dcm"), "neither DICOM nor a video");
    loop_fixture_refused(path_of("text.mp4"), "neither DICOM nor a video");
    loop_fixture_refused(path_of("list.mp4"), "neither DICOM nor a video");
}

static void sound_without_pictures_is_refused(void **state)
{
    (void)state;
    loop_fixture_run(
        "cd %s && ffmpeg -nostdin -v error -y -f lavfi -i sine=d=2 -c:a aac sound.m4a && ffmpeg -nostdin -v "
        "error -y -f lavfi -i sine=d=2 sound.wav",
        folder);
    loop_fixture_refused(path_of("sound.m4a"), "sound but no pictures");
    loop_fixture_refused(path_of("sound.wav"), "neither DICOM nor a video");
}

static void an_mp4_without_its_index_is_an_unfinished_recording(void **state)
{
    (void)state;
    loop_fixture_run("cd %s && head -c 20000 whole.mp4 >nomoov.mp4", folder);
    loop_fixture_refused(path_of("nomoov.mp4"), "was not finished");
}

static void a_cut_mp4_gives_what_is_whole_and_says_what_is_missing(void **state)
{
    struct loop_fixture whole = {0};
    struct loop_fixture cut = {0};
    double packets = 0.0;

    (void)state;
    loop_fixture_run("cd %s && head -c $(($(stat -c %%s first.mp4) * 6 / 10)) first.mp4 >cut.mp4", folder);
    assert_true(loop_fixture_read(&whole, path_of("first.mp4")));
    assert_true(loop_fixture_read(&cut, path_of("cut.mp4")));
    assert_true(cut.n > 30 && cut.n < 90);
    for (size_t i = 0, k = 0; i < cut.n;
         i++) { /* frames that wait for a lost one may be missing before the last */
        while (whole.times_s[k] < cut.times_s[i] - 1e-9)
            k++;
        assert_memory_equal(cut.luma + i * cut.frame_bytes, whole.luma + k * cut.frame_bytes,
                            cut.frame_bytes);
    }
    /* ffprobe counts the last, cut packet too */
    assert_int_equal(loop_fixture_numbers(&packets, 1,
                                          "ffprobe -v quiet -count_packets -select_streams v:0 -show_entries "
                                          "stream=nb_read_packets -of csv=p=0 %s",
                                          path_of("cut.mp4")),
                     1);
    assert_int_equal(cut.n, (size_t)packets - 1);
    assert_true(loop_fixture_tells(&cut, "its header says 100 frames"));
    loop_fixture_free(&whole);
    loop_fixture_free(&cut);
}

static void a_cut_avi_gives_what_is_whole(void **state)
{
    struct loop_fixture whole = {0};
    struct loop_fixture cut = {0};

    (void)state;
    loop_fixture_run("cd %s && head -c $(($(stat -c %%s whole.avi) / 2)) whole.avi >cut.avi", folder);
    assert_true(loop_fixture_read(&whole, path_of("whole.avi")));
    assert_true(loop_fixture_read(&cut, path_of("cut.avi")));
    assert_true(cut.n > 30 && cut.n < 60);
    assert_memory_equal(cut.luma, whole.luma, cut.n * cut.frame_bytes);
    assert_true(loop_fixture_tells(&cut, "its header says 100 frames"));
    loop_fixture_free(&whole);
    loop_fixture_free(&cut);
}

/* Matroska counts no frames in its header but says how long it is; ffprobe reads both. */
static void a_cut_matroska_file_is_told_by_its_duration(void **state)
{
    struct loop_fixture whole = {0};
    struct loop_fixture cut = {0};
    double declared_s = 0.0;

    (void)state;
    loop_fixture_run(
        "cd %s && ffmpeg -nostdin -v error -y -i whole.mp4 -c copy whole.mkv && head -c $(($(stat "
        "-c %%s whole.mkv) / 2)) whole.mkv >cut.mkv",
        folder);
    assert_int_equal(loop_fixture_numbers(&declared_s, 1,
                                          "ffprobe -v quiet -show_entries format=duration -of csv=p=0 %s",
                                          path_of("cut.mkv")),
                     1);
    assert_true(loop_fixture_read(&whole, path_of("whole.mkv")));
    assert_true(loop_fixture_read(&cut, path_of("cut.mkv")));
    assert_true(cut.n > 10 && cut.n < whole.n && cut.times_s[cut.n - 1] < declared_s - 1.0);
    assert_true(loop_fixture_tells(&cut, "the file ends early: its header says"));
    assert_false(loop_fixture_tells(&whole, "early"));
    loop_fixture_free(&whole);
    loop_fixture_free(&cut);
}

static void a_damaged_picture_leaves_a_gap_and_the_others_their_times(void **state)
{
    struct loop_fixture loop = {0};
    size_t n_gaps = 0;

    (void)state;
    loop_fixture_run("cd %s && /usr/bin/python3 -c \"d = bytearray(open('whole.avi', 'rb').read()); k = -1\n"
                     "for i in range(11): k = d.index(b'00dc', k + 1)\n"
                     "d[k + 900:k + 1400] = bytes((b * 7 + 13) %% 256 for b in d[k + 900:k + 1400])\n"
                     "open('hurt.avi', 'wb').write(d)\"",
                     folder);
    assert_true(loop_fixture_read(&loop, path_of("hurt.avi")));
    assert_int_equal(loop.n, 99);
    for (size_t i = 1; i < loop.n; i++) {
        n_gaps += fabs(loop.times_s[i] - loop.times_s[i - 1] - 0.08) < 1e-9;
        assert_int_equal(loop.indexes[i], i);
    }
    assert_int_equal(n_gaps, 1);
    assert_true(fabs(loop.times_s[98] - 3.96) < 1e-9);
    assert_true(loop_fixture_tells(&loop, "1 picture(s) are damaged"));
    loop_fixture_free(&loop);
}

static void one_still_is_read_and_called_so(void **state)
{
    static const char *const names[] = {"one.png", "one.jpg", "one.bmp", "one.tif", "one.gif", "one.mp4"};

    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct loop_fixture loop = {0};

        loop_fixture_run("cd %s && " CARD "-frames:v 1 %s", folder, names[i]);
        if (!loop_fixture_read(&loop, path_of(names[i])))
            fail_msg("%s", error_message(loop.err));
        assert_int_equal(loop.n, 1);
        assert_false(loop_facts(loop.loop)->has_clock);
        assert_true(loop_fixture_tells(&loop, "one still picture"));
        loop_fixture_free(&loop);
    }
}

static void a_dicom_file_cut_in_its_frames_gives_the_whole_ones(void **state)
{
    static const struct {
        const char *name;
        size_t n_whole;
    } rows[] = {
        /* of 4; the cut takes the last 2000 bytes of a native frame, or all but the first 60 % of the file */
        {"mono", 3}, {"rgb_rle", 0}, {"mono_jpegls", 0}, {"j2k_pieces", 0}, {"j2k_table", 0},
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct loop_fixture whole = {0};
        struct loop_fixture cut = {0};
        char name[64];

        loop_fixture_run(
            "cd %s && s=$(stat -c %%s %s.dcm) && head -c $((%d ? s - 2000 : s * 6 / 10)) %s.dcm >cut.dcm",
            folder, rows[i].name, (int)rows[i].n_whole, rows[i].name);
        (void)snprintf(name, sizeof name, "%s.dcm", rows[i].name);
        assert_true(loop_fixture_read(&whole, path_of(name)));
        if (!loop_fixture_read(&cut, path_of("cut.dcm")))
            fail_msg("%s: %s", rows[i].name, error_message(cut.err));
        if (rows[i].n_whole > 0)
            assert_int_equal(cut.n, rows[i].n_whole);
        assert_true(cut.n >= 1 && cut.n < whole.n);
        assert_memory_equal(cut.luma, whole.luma, cut.n * cut.frame_bytes);
        assert_true(loop_fixture_tells(&cut, "the file ends early: Number of Frames says 4"));
        loop_fixture_free(&whole);
        loop_fixture_free(&cut);
    }
}

static void a_dicom_video_cut_short_gives_what_is_whole(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    loop_fixture_run("cd %s && head -c $(($(stat -c %%s h264.dcm) * 6 / 10)) h264.dcm >cut.dcm", folder);
    if (!loop_fixture_read(&loop, path_of("cut.dcm")))
        fail_msg("%s", error_message(loop.err));
    assert_true(loop.n > 5 && loop.n < 30);
    assert_true(loop_fixture_tells(&loop, "the file ends early"));
    assert_true(loop_fixture_tells(&loop, "Number of Frames says 30"));
    loop_fixture_free(&loop);
}

static void a_dicom_file_cut_in_its_header_is_refused(void **state)
{
    (void)state;
    loop_fixture_run("cd %s && head -c 300 mono.dcm >cut.dcm && head -c 600 mono.dcm >cut2.dcm", folder);
    loop_fixture_refused(path_of("cut.dcm"), "DICOM file");
    loop_fixture_refused(path_of("cut2.dcm"), "DICOM file");
}

static void a_dicom_file_cut_in_its_first_frame_is_refused(void **state)
{
    (void)state;
    loop_fixture_run("cd %s && head -c 2000 mono.dcm >cut.dcm && head -c 1500 j2k.dcm >cut2.dcm", folder);
    loop_fixture_refused(path_of("cut.dcm"), "not one frame of the DICOM file is whole");
    loop_fixture_refused(path_of("cut2.dcm"), "before its first frame is whole");
}

static void a_dicom_file_without_pictures_is_refused(void **state)
{
    (void)state;
    modify("mono.dcm", "nopixels.dcm", "PixelData=");
    loop_fixture_refused(path_of("nopixels.dcm"), "holds no pictures");
    loop_fixture_refused("/usr/lib/python3/dist-packages/pydicom/data/test_files/test-SR.dcm",
                         "holds no pictures");
    loop_fixture_refused("/usr/lib/python3/dist-packages/pydicom/data/test_files/rtplan_truncated.dcm",
                         "inside its header");
}

static void a_transfer_syntax_that_is_not_read_is_named(void **state)
{
    (void)state;
    loop_fixture_run("cd %s && sed 's/1\\.2\\.840\\.10008\\.1\\.2\\.4\\.102/1.2.840.10008.1.2.4.201/' "
                     "h264.dcm >foreign.dcm",
                     folder);
    loop_fixture_refused(path_of("foreign.dcm"), "1.2.840.10008.1.2.4.201");
}

static void a_huge_picture_is_refused_before_room_is_made(void **state)
{
    (void)state;
    modify("mono.dcm", "huge.dcm", "Rows=20000 Columns=20000");
    loop_fixture_refused(path_of("huge.dcm"), "20000 x 20000 pixels");
    modify("j2k.dcm", "huge2.dcm", "Rows=20000 Columns=20000");
    loop_fixture_refused(path_of("huge2.dcm"), "20000 x 20000 pixels");
    modify("mono.dcm", "none.dcm", "Rows=0");
    loop_fixture_refused(path_of("none.dcm"), "no pixels");
}

static void a_header_of_another_size_than_the_pictures_is_refused(void **state)
{
    (void)state;
    modify("j2k.dcm", "other.dcm", "Rows=100");
    loop_fixture_refused(path_of("other.dcm"), "contradicts itself");
    modify("mono_lossless.dcm", "other.dcm", "Columns=32");
    loop_fixture_refused(path_of("other.dcm"), "contradicts itself");
}

static void a_frame_time_that_cannot_be_gives_no_clock(void **state)
{
    static const char *const times[] = {"0", "-40", "0.04", "99999"};

    (void)state;
    for (size_t i = 0; i < 4; i++) {
        struct loop_fixture loop = {0};
        char change[64];

        (void)snprintf(change, sizeof change, "FrameTime=%s", times[i]);
        modify("mono.dcm", "time.dcm", change);
        assert_true(loop_fixture_read(&loop, path_of("time.dcm")));
        assert_false(loop_facts(loop.loop)->has_clock);
        assert_true(loop_fixture_tells(&loop, "which cannot be"));
        assert_true(loop_fixture_tells(&loop, "times are not known"));
        assert_true(loop.times_s[3] == 3.0); /* the frame's index */
        loop_fixture_free(&loop);
    }
}

static void a_cine_rate_stands_in_with_a_warning(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    modify("mono.dcm", "rate.dcm", "FrameTime= FrameIncrementPointer= CineRate=20");
    assert_true(loop_fixture_read(&loop, path_of("rate.dcm")));
    assert_true(loop_facts(loop.loop)->has_clock);
    assert_true(fabs(loop.times_s[3] - 0.15) < 1e-9);
    assert_true(loop_fixture_tells(&loop, "Cine Rate (20/s), which is meant for display"));
    loop_fixture_free(&loop);
}

static void a_stray_delimiter_and_a_missing_preamble_are_passed_over(void **state)
{
    struct loop_fixture loop = {0};
    struct loop_fixture plain = {0};

    (void)state;
    assert_true(loop_fixture_read(&plain, path_of("mono.dcm")));
    /* an item delimitation between two elements of the data set */
    loop_fixture_run(
        "cd %s && /usr/bin/python3 -c \"d = open('mono.dcm', 'rb').read(); i = d.index(bytes([0x28, 0, 2, "
        "0]))\n"
        "open('stray.dcm', 'wb').write(d[:i] + bytes([0xfe, 0xff, 0x0d, 0xe0, 0, 0, 0, 0]) + d[i:])\"",
        folder);
    if (!loop_fixture_read(&loop, path_of("stray.dcm")))
        fail_msg("%s", error_message(loop.err));
    assert_memory_equal(loop.luma, plain.luma, plain.n * plain.frame_bytes);
    loop_fixture_free(&loop);
    loop_fixture_run("cd %s && tail -c +129 mono.dcm >nopreamble.dcm && tail -c +133 mono.dcm >nomagic.dcm",
                     folder);
    if (!loop_fixture_read(&loop, path_of("nomagic.dcm")))
        fail_msg("%s", error_message(loop.err));
    assert_memory_equal(loop.luma, plain.luma, plain.n * plain.frame_bytes);
    loop_fixture_free(&loop);
    loop_fixture_free(&plain);
}

static void a_damaged_frame_in_mid_loop_leaves_a_gap(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    loop_fixture_run(
        "cd %s && /usr/bin/python3 -c \"d = bytearray(open('rgb_lossless.dcm', 'rb').read()); k = -1\n"
        "for i in range(2): k = d.index(bytes([255, 216, 255]), k + 1)\n"
        "d[k:k + 400] = bytes(400)\n"
        "open('hurt.dcm', 'wb').write(d)\"",
        folder);
    assert_true(loop_fixture_read(&loop, path_of("hurt.dcm")));
    assert_int_equal(loop.n, 3);
    assert_true(fabs(loop.times_s[1] - 0.080) < 1e-9);
    assert_int_equal(loop.indexes[1], 1);
    assert_true(loop_fixture_tells(&loop, "1 frame(s) are damaged"));
    loop_fixture_free(&loop);
}

static void a_dicom_file_never_reaches_the_container_reader(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    /* named as a video; libavformat would take it for raw MJPEG at 25/s */
    loop_fixture_run("cd %s && cp rgb_jpeg.dcm clip.avi", folder);
    assert_true(loop_fixture_read(&loop, path_of("clip.avi")));
    assert_string_equal(loop_facts(loop.loop)->format, "dicom");
    assert_int_equal(loop.n, 4);
    loop_fixture_free(&loop);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_missing_file_is_refused),
        cmocka_unit_test(an_empty_file_is_refused),
        cmocka_unit_test(text_and_noise_are_refused_whatever_their_name),
        cmocka_unit_test(sound_without_pictures_is_refused),
        cmocka_unit_test(an_mp4_without_its_index_is_an_unfinished_recording),
        cmocka_unit_test(a_cut_mp4_gives_what_is_whole_and_says_what_is_missing),
        cmocka_unit_test(a_cut_avi_gives_what_is_whole),
        cmocka_unit_test(a_cut_matroska_file_is_told_by_its_duration),
        cmocka_unit_test(a_damaged_picture_leaves_a_gap_and_the_others_their_times),
        cmocka_unit_test(one_still_is_read_and_called_so),
        cmocka_unit_test(a_dicom_file_cut_in_its_frames_gives_the_whole_ones),
        cmocka_unit_test(a_dicom_video_cut_short_gives_what_is_whole),
        cmocka_unit_test(a_dicom_file_cut_in_its_header_is_refused),
        cmocka_unit_test(a_dicom_file_cut_in_its_first_frame_is_refused),
        cmocka_unit_test(a_dicom_file_without_pictures_is_refused),
        cmocka_unit_test(a_transfer_syntax_that_is_not_read_is_named),
        cmocka_unit_test(a_huge_picture_is_refused_before_room_is_made),
        cmocka_unit_test(a_header_of_another_size_than_the_pictures_is_refused),
        cmocka_unit_test(a_frame_time_that_cannot_be_gives_no_clock),
        cmocka_unit_test(a_cine_rate_stands_in_with_a_warning),
        cmocka_unit_test(a_stray_delimiter_and_a_missing_preamble_are_passed_over),
        cmocka_unit_test(a_damaged_frame_in_mid_loop_leaves_a_gap),
        cmocka_unit_test(a_dicom_file_never_reaches_the_container_reader),
    };

    return cmocka_run_group_tests(tests, make_files, remove_files);
}
