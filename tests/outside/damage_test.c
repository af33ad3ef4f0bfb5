/* Bytes of a picture changed in the middle of a file: told, and the damaged pictures left out, wherever the
 * coding or its checksums show it. Files and damage are made by ffmpeg (its bitstream filter "noise"). */
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

/* 2 s of ffmpeg's test card under noise, which leaves no picture empty of detail */
#define CARD "ffmpeg -nostdin -v error -y -f lavfi -i testsrc2=s=160x120:r=25:d=2 -vf noise=alls=20:allf=t+u "
#define PLAIN_CARD "ffmpeg -nostdin -v error -y -f lavfi -i testsrc2=s=160x120:r=25:d=2 "

static const char *path_of(const char *name)
{
    static char path[2][192];
    static int which;

    which = 1 - which;
    (void)snprintf(path[which], sizeof path[which], "%s/%s", folder, name);
    return path[which];
}

static int make_files(void **state)
{
    (void)state;
    outside_folder(folder);
    loop_fixture_run("cd %s && " CARD "-c:v wmv1 -q:v 3 wmv1.wmv && " CARD
                     "-c:v wmv2 -q:v 3 wmv2.wmv && " CARD "-c:v msmpeg4v2 -q:v 3 msmpeg4v2.avi && " CARD
                     "-c:v msmpeg4 -q:v 3 msmpeg4v3.avi && " CARD
                     "-c:v ffv1 -level 3 -slicecrc 1 -g 12 sums.mkv && " PLAIN_CARD "deltas.gif && " CARD
                     "-gifflags -offsetting-transdiff whole.gif",
                     folder);
    return 0;
}

static int remove_files(void **state)
{
    (void)state;
    outside_folder_remove(folder);
    return 0;
}

static void hurt_picture_10(const char *from, const char *to)
{
    loop_fixture_run("cd %s && ffmpeg -nostdin -v error -y -i %s -c copy -bsf:v "
                     "\"noise=amount='if(eq(n,10),251,0)'\" %s",
                     folder, from, to);
}

/* Every frame that is left is the whole file's frame of that time, to the byte. */
static void assert_left_are_whole(const struct loop_fixture *hurt, const struct loop_fixture *whole,
                                  const char *name)
{
    size_t k = 0;

    for (size_t i = 0; i < hurt->n; i++) {
        while (k < whole->n && whole->times_s[k] < hurt->times_s[i] - 1e-3)
            k++;
        if (k == whole->n || fabs(whole->times_s[k] - hurt->times_s[i]) > 1e-3 ||
            memcmp(hurt->luma + i * hurt->frame_bytes, whole->luma + k * whole->frame_bytes,
                   whole->frame_bytes) != 0)
            fail_msg("%s: the frame at %.3f s is another", name, hurt->times_s[i]);
    }
}

static void assert_damage_is_told(const char *name)
{
    struct loop_fixture whole = {0};
    struct loop_fixture hurt = {0};
    char copy[64];

    (void)snprintf(copy, sizeof copy, "hurt_%s", name);
    hurt_picture_10(name, copy);
    assert_true(loop_fixture_read(&whole, path_of(name)));
    assert_true(loop_fixture_read(&hurt, path_of(copy)));
    assert_int_equal(whole.n, 50);
    assert_false(loop_fixture_tells(&whole, "damage"));
    if (!loop_fixture_tells(&hurt, "picture(s) are damaged"))
        fail_msg("%s: the damage is not told", name);
    assert_true(hurt.n < whole.n);
    assert_left_are_whole(&hurt, &whole, name);
    loop_fixture_free(&whole);
    loop_fixture_free(&hurt);
}

static void damage_in_wmv_and_msmpeg4_is_told_and_left_out(void **state)
{
    (void)state;
    assert_damage_is_told("wmv1.wmv");
    assert_damage_is_told("wmv2.wmv");
    assert_damage_is_told("msmpeg4v2.avi");
    assert_damage_is_told("msmpeg4v3.avi");
}

/* RFC 9043, 4.9: each slice has a CRC-32 */
static void damage_in_ffv1_with_checksums_is_told_and_left_out(void **state)
{
    (void)state;
    assert_damage_is_told("sums.mkv");
}

static void damage_in_a_gif_is_told_and_left_out(void **state)
{
    (void)state;
    assert_damage_is_told("deltas.gif");
    assert_damage_is_told("whole.gif");
}

static void assert_end_is_told(const char *name, const char *bytes, const char *sentence)
{
    struct loop_fixture whole = {0};
    struct loop_fixture cut = {0};

    loop_fixture_run("cd %s && head -c %s %s >cut", folder, bytes, name);
    assert_true(loop_fixture_read(&whole, path_of(name)));
    assert_true(loop_fixture_read(&cut, path_of("cut")));
    assert_false(loop_fixture_tells(&whole, sentence));
    assert_true(cut.n > 5 && cut.n < whole.n);
    if (!loop_fixture_tells(&cut, sentence))
        fail_msg("%s: its end is not told", name);
    assert_left_are_whole(&cut, &whole, name);
    loop_fixture_free(&whole);
    loop_fixture_free(&cut);
}

/* Advanced Systems Format Specification 1.20, 3.2: File Size */
static void a_wmv_that_ends_early_is_told_by_the_size_in_its_header(void **state)
{
    (void)state;
    assert_end_is_told("wmv2.wmv", "$(($(stat -c %s wmv2.wmv) * 6 / 10))",
                       "the file ends early: its header says");
    assert_end_is_told("wmv1.wmv", "$((400000 - 400000 % 3200))", "the file ends early: its header says");
}

/* GIF89a, 27: the trailer */
static void a_gif_that_ends_early_is_told_by_its_missing_trailer(void **state)
{
    (void)state;
    assert_end_is_told("deltas.gif", "$(($(stat -c %s deltas.gif) * 6 / 10))", "the file may end early");
}

static void an_interlaced_recording_is_told_whatever_its_coding(void **state)
{
    static const char *const rows[] = {
        "-c:v libx264 -preset veryfast -pix_fmt yuv420p -x264opts tff=1 x264.mp4",
        "-c:v mpeg4 -q:v 3 -flags +ilme+ildct -top 1 mpeg4.avi",
        "-c:v mpeg2video -q:v 3 -flags +ilme+ildct -top 1 mpeg2.ts",
        "-c:v ffv1 -field_order tt ffv1.mkv",
        "-c:v mjpeg -q:v 3 -field_order tt -pix_fmt yuvj420p mjpeg.mov",
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct loop_fixture loop = {0};

        loop_fixture_run("cd %s && " PLAIN_CARD "-vf interlace %s", folder, rows[i]);
        assert_true(loop_fixture_read(&loop, path_of(strrchr(rows[i], ' ') + 1)));
        if (!loop_fixture_tells(&loop, "interlaced"))
            fail_msg("%s is not told to be interlaced", rows[i]);
        loop_fixture_free(&loop);
    }
}

static void a_stream_with_no_faultless_picture_is_read_and_told_to_be_so(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    loop_fixture_run(
        "cd %s && ffmpeg -nostdin -v error -y -i wmv2.wmv -c copy -bsf:v noise=amount=251 all.wmv", folder);
    assert_true(loop_fixture_read(&loop, path_of("all.wmv")));
    assert_true(loop.n > 0);
    assert_true(loop_fixture_tells(&loop, "no picture of the stream is free of faults"));
    loop_fixture_free(&loop);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(damage_in_wmv_and_msmpeg4_is_told_and_left_out),
        cmocka_unit_test(damage_in_ffv1_with_checksums_is_told_and_left_out),
        cmocka_unit_test(damage_in_a_gif_is_told_and_left_out),
        cmocka_unit_test(a_wmv_that_ends_early_is_told_by_the_size_in_its_header),
        cmocka_unit_test(a_gif_that_ends_early_is_told_by_its_missing_trailer),
        cmocka_unit_test(an_interlaced_recording_is_told_whatever_its_coding),
        cmocka_unit_test(a_stream_with_no_faultless_picture_is_read_and_told_to_be_so),
    };

    return cmocka_run_group_tests(tests, make_files, remove_files);
}
