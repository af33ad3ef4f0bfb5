/* Video loops against ffprobe and ffmpeg. */
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

/* 4 s of ffmpeg's test card at 25/s, 160 x 120, coded in many ways */
#define CARD "-f lavfi -i testsrc2=s=160x120:r=25:d=4"
#define FFMPEG "cd %s && ffmpeg -nostdin -v error -y "

static const char *const made[] = {
    CARD " -c:v libx264 -preset veryfast -bf 3 -pix_fmt yuv420p plain.mp4",
    CARD " -c:v libx264 -preset veryfast -pix_fmt yuv420p -g 250 -movflags +faststart index_first.mp4",
    CARD " -c:v mpeg4 -q:v 3 -bf 2 mpeg4.avi",
    CARD " -c:v mjpeg -q:v 3 mjpeg.avi",
    CARD " -c:v mjpeg -q:v 3 mjpeg.mov",
    CARD " -c:v png png.mov",
    CARD " -c:v rawvideo -pix_fmt bgr24 raw.avi",
    CARD " -c:v huffyuv huffyuv.avi",
    CARD " -c:v ffv1 ffv1.mkv",
    CARD " -c:v wmv2 -q:v 3 wmv2.wmv",
    CARD " -c:v mpeg2video -q:v 3 ps.mpg",
    CARD " -c:v mpeg2video -q:v 3 ts.ts",
    CARD " -c:v libx264 -preset veryfast -pix_fmt yuv420p h264.ts",
    CARD " -c:v libvpx-vp9 -deadline realtime -b:v 1M vp9.webm",
    CARD " -c:v libx265 -preset veryfast -x265-params log-level=none -pix_fmt yuv420p10le ten_bits.mp4",
    CARD " -r 25 anim.gif",
    CARD " -vf \"select='not(mod(n,3)*gt(n,30))'\" -vsync vfr -c:v libx264 -preset veryfast -pix_fmt yuv420p "
         "uneven.mp4",
    "-itsoffset 5 -i plain.mp4 -c copy late.mkv",
    "-ss 1.1 -i plain.mp4 -c copy edited.mp4",
};

static int make_files(void **state)
{
    (void)state;
    outside_folder(folder);
    for (size_t i = 0; i < sizeof made / sizeof made[0]; i++)
        loop_fixture_run(FFMPEG "%s", folder, made[i]);
    return 0;
}

static int remove_files(void **state)
{
    (void)state;
    outside_folder_remove(folder);
    return 0;
}

static void open_made(struct loop_fixture *loop, const char *name)
{
    char path[128];

    (void)snprintf(path, sizeof path, "%s/%s", folder, name);
    if (!loop_fixture_read(loop, path))
        fail_msg("%s", error_message(loop->err));
}

/* Frame count and time stamps as ffprobe has them. ffprobe leaves some without a stamp (AVI with B frames,
 * MPEG): those are not compared. */
static void assert_as_ffprobe(const char *path)
{
    enum { MOST = 1000 };
    struct loop_fixture loop = {0};
    double *stamps = calloc(MOST, sizeof *stamps);
    double first = 0.0;
    size_t n = 0;

    assert_non_null(stamps);
    n = loop_fixture_numbers(
        stamps, MOST,
        "ffprobe -v error -select_streams v:0 -show_entries frame=best_effort_timestamp_time "
        "-of csv=p=0 '%s' | sed 's/[^-0-9.N].*//; s/^N.*/-1/; /^$/d'",
        path);
    if (!loop_fixture_read(&loop, path))
        fail_msg("%s", error_message(loop.err));
    if (loop.n != n)
        fail_msg("%s: %zu frames, ffprobe has %zu", path, loop.n, n);
    assert_true(loop_facts(loop.loop)->has_clock);
    first = stamps[0] - loop.times_s[0];
    for (size_t i = 0; i < n; i++) {
        assert_int_equal(loop.indexes[i], i);
        if (stamps[i] >= 0.0 && fabs(stamps[i] - first - loop.times_s[i]) > 1.1e-3)
            fail_msg("%s: frame %zu at %.6f s, ffprobe has %.6f s", path, i, loop.times_s[i],
                     stamps[i] - first);
    }
    free(stamps);
    loop_fixture_free(&loop);
}

static void real_videos_have_the_frames_and_times_that_ffprobe_finds(void **state)
{
    static const char *const names[] = {
        "video/convex__Cov_convex_volpecelli_sonographic_v2.mov",
        "video/convex__Cov_recommendations_likebutterfly_mov5.mov",
        "video/convex__Reg_Image_181602_trimmed_crop.mp4",
        "video/convex__Reg_Image_182340_crop.mp4",
        "video/convex__Reg_pat1Image_132943.mpeg",
        "video/convex__Reg_pat2Image_134240.mpeg",
        "video/convex__Reg_pat4Image_140024.mpeg",
        "video/convex__Reg_recommendations_alines_mov1.mov",
        "video/convex__Vir_whitelung_h1n1.mp4",
        "video/linear__Reg_Image_181206_crop.mp4",
        "motion/plus_watertank/watertank_vfr.mkv",
        "motion/plus_watertank/watertank_cfr_mean.avi",
        "motion/plus_wiredrift/wiredrift_10fps.avi",
        "motion/pymust_disk/disk_32f.avi",
    };
    char path[512];

    (void)state;
    if (!outside_sample(path, sizeof path, names[0]))
        skip();
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        assert_true(outside_sample(path, sizeof path, names[i]));
        assert_as_ffprobe(path);
    }
}

static void made_videos_have_the_frames_and_times_that_ffprobe_finds(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof made / sizeof made[0]; i++) {
        char path[128];

        (void)snprintf(path, sizeof path, "%s/%s", folder, strrchr(made[i], ' ') + 1);
        assert_as_ffprobe(path);
    }
}

/* The tracker's own times, to the millisecond that Matroska keeps (samples' truth.csv). */
static void an_uneven_frame_rate_is_kept_as_it_is(void **state)
{
    char path[512];
    struct loop_fixture loop = {0};
    double times[256] = {0};
    size_t n = 0;

    (void)state;
    if (!outside_sample(path, sizeof path, "motion/plus_watertank/truth.csv"))
        skip();
    n = loop_fixture_numbers(times, 256, "sed 1d '%s' | cut -d, -f2", path);
    assert_true(outside_sample(path, sizeof path, "motion/plus_watertank/watertank_vfr.mkv"));
    assert_true(loop_fixture_read(&loop, path));
    assert_int_equal(loop.n, n);
    for (size_t i = 0; i < n; i++)
        assert_true(fabs(loop.times_s[i] - (times[i] - times[0])) <= 1.1e-3);
    loop_fixture_free(&loop);
}

/* Grey written by ffmpeg in limited range comes back in full range; PNG keeps it exactly. */
static void limited_range_is_widened_and_full_range_kept(void **state)
{
    static const struct {
        const char *name;
        const char *words;
        int tolerance;
    } rows[] = {
        {"l.mp4", "-c:v libx264 -crf 1 -pix_fmt yuv420p", 3},
        {"f.mp4", "-c:v libx264 -crf 1 -pix_fmt yuvj420p -color_range pc", 3},
        {"p.mov", "-c:v png -pix_fmt gray", 0},
        {"b.avi", "-c:v rawvideo -pix_fmt bgr24", 0},
        {"m.avi", "-c:v mjpeg -q:v 2 -pix_fmt yuvj420p", 4},
        {"t.mp4", "-c:v libx265 -crf 1 -x265-params log-level=none -pix_fmt yuv420p10le", 3},
        {"g.mkv", "-c:v ffv1 -pix_fmt gray", 0},
        {"s.mkv", "-c:v ffv1 -pix_fmt gray16le", 0},
        {"n.avi", "-c:v rawvideo -pix_fmt nv12", 1},
        {"y.avi", "-c:v rawvideo -pix_fmt yuyv422", 1},
    };

    (void)state;
    /* a ramp of every level from 0 to 255, 4 pixels each */
    loop_fixture_run(
        "cd %s && ffmpeg -nostdin -v error -y -f lavfi -i "
        "color=s=1024x64:r=10:d=1,format=gray,geq=lum='floor(X/4)' -pix_fmt gray -f rawvideo ramp.raw",
        folder);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct loop_fixture loop = {0};

        loop_fixture_run(FFMPEG "-f rawvideo -pix_fmt gray -s 1024x64 -r 10 -i ramp.raw %s %s", folder,
                         rows[i].words, rows[i].name);
        open_made(&loop, rows[i].name);
        for (size_t x = 0; x < 1024; x++) {
            int apart = abs(loop.luma[32 * 1024 + x] - (int)(x / 4));

            if (apart > rows[i].tolerance)
                fail_msg("%s: level %zu is %d", rows[i].name, x / 4, loop.luma[32 * 1024 + x]);
        }
        loop_fixture_free(&loop);
    }
}

static void a_full_range_stream_without_a_tag_is_told_by_its_black(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    loop_fixture_run(FFMPEG
                     "-f rawvideo -pix_fmt yuv420p -s 1024x32 -r 10 -i ramp.raw -c:v rawvideo untagged.avi",
                     folder);
    open_made(&loop, "untagged.avi");
    assert_true(loop_fixture_tells(&loop, "0 to 255"));
    for (size_t x = 0; x < 1024; x++)
        assert_int_equal(loop.luma[x], x / 4);
    loop_fixture_free(&loop);
}

/* ffmpeg turns pictures upright by the same tag when it converts. */
static void a_rotation_by_quarters_is_applied_as_ffmpeg_does(void **state)
{
    static const int angles[] = {90, 180, 270};

    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct loop_fixture turned = {0};
        struct loop_fixture upright = {0};
        char name[32];

        (void)snprintf(name, sizeof name, "turned%d.mp4", angles[i]);
        loop_fixture_run(FFMPEG "-i plain.mp4 -c copy -metadata:s:v rotate=%d %s", folder, angles[i], name);
        loop_fixture_run(FFMPEG "-i %s -c:v ffv1 upright.mkv", folder, name);
        open_made(&turned, name);
        open_made(&upright, "upright.mkv");
        assert_int_equal(loop_facts(turned.loop)->width_px, angles[i] == 180 ? 160 : 120);
        assert_int_equal(turned.n, upright.n);
        assert_memory_equal(turned.luma, upright.luma, turned.n * turned.frame_bytes);
        loop_fixture_free(&turned);
        loop_fixture_free(&upright);
    }
}

static void a_rotation_by_other_angles_is_told(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    loop_fixture_run(FFMPEG "-i plain.mp4 -c copy -metadata:s:v rotate=30 odd.mp4", folder);
    open_made(&loop, "odd.mp4");
    assert_true(loop_fixture_tells(&loop, "quarter turns"));
    loop_fixture_free(&loop);
}

static void pixels_that_are_not_square_are_told(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    loop_fixture_run(FFMPEG CARD " -vf setsar=16/15 -c:v libx264 -preset veryfast -pix_fmt yuv420p sar.mp4",
                     folder);
    open_made(&loop, "sar.mp4");
    assert_true(fabs(loop_facts(loop.loop)->pixel_aspect - 16.0 / 15.0) < 1e-9);
    assert_true(loop_fixture_tells(&loop, "not square"));
    loop_fixture_free(&loop);
}

static void an_interlaced_recording_is_told(void **state)
{
    struct loop_fixture loop = {0};

    (void)state;
    loop_fixture_run(FFMPEG CARD " -vf interlace -flags +ilme+ildct -c:v mpeg2video -q:v 3 fields.mpg",
                     folder);
    open_made(&loop, "fields.mpg");
    assert_true(loop_fixture_tells(&loop, "interlaced"));
    loop_fixture_free(&loop);
}

static void frames_at_chosen_times_are_those_of_a_full_reading(void **state)
{
    static const char *const names[] = {"plain.mp4", "mjpeg.avi", "mjpeg.mov", "png.mov",    "mpeg4.avi",
                                        "ps.mpg",    "wmv2.wmv",  "raw.avi",   "uneven.mp4", "anim.gif"};

    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct loop_fixture loop = {0};
        double from_s = 0.0;

        open_made(&loop, names[i]);
        for (size_t k = 0; k < loop.n; k++) {
            struct frame *frame = NULL;

            if (loop.times_s[k] < from_s - 1e-9)
                continue;
            assert_int_equal(loop_read(loop.loop, from_s, false, &frame, &loop.err), LOOP_FRAME);
            if (frame->index != k)
                fail_msg("%s: from %.3f s comes frame %zu, not %zu", names[i], from_s, frame->index, k);
            assert_true(frame->time_s == loop.times_s[k]);
            assert_memory_equal(frame->luma, loop.luma + k * loop.frame_bytes, loop.frame_bytes);
            from_s = frame->time_s + 0.3;
            frame_free(&frame);
        }
        loop_fixture_free(&loop);
    }
}

static void numbered_pictures_are_one_recording_without_a_clock(void **state)
{
    struct loop_fixture pictures = {0};
    struct loop_fixture video = {0};

    (void)state;
    loop_fixture_run(FFMPEG "-i png.mov -start_number 7 still%%03d.png", folder);
    open_made(&pictures, "still%03d.png");
    open_made(&video, "png.mov");
    assert_false(loop_facts(pictures.loop)->has_clock);
    assert_true(loop_fixture_tells(&pictures, "times are not known"));
    assert_int_equal(pictures.n, 100);
    assert_memory_equal(pictures.luma, video.luma, video.n * video.frame_bytes);
    loop_fixture_free(&pictures);
    loop_fixture_free(&video);
    loop_fixture_run("rm %s/still050.png", folder);
    open_made(&pictures, "still%03d.png");
    assert_int_equal(pictures.n, 43); /* 7 to 49 */
    assert_true(loop_fixture_tells(&pictures, "gap after 49"));
    loop_fixture_free(&pictures);
}

static void the_digest_is_that_of_sha256sum(void **state)
{
    struct loop_fixture loop = {0};
    char line[128] = "";
    FILE *pipe = NULL;

    (void)state;
    open_made(&loop, "plain.mp4");
    (void)snprintf(line, sizeof line, "sha256sum %s/plain.mp4", folder);
    pipe = popen(line, "r");
    assert_non_null(pipe);
    assert_non_null(fgets(line, sizeof line, pipe));
    (void)pclose(pipe);
    line[64] = '\0';
    assert_string_equal(loop_facts(loop.loop)->sha256, line);
    loop_fixture_free(&loop);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(real_videos_have_the_frames_and_times_that_ffprobe_finds),
        cmocka_unit_test(made_videos_have_the_frames_and_times_that_ffprobe_finds),
        cmocka_unit_test(an_uneven_frame_rate_is_kept_as_it_is),
        cmocka_unit_test(limited_range_is_widened_and_full_range_kept),
        cmocka_unit_test(a_full_range_stream_without_a_tag_is_told_by_its_black),
        cmocka_unit_test(a_rotation_by_quarters_is_applied_as_ffmpeg_does),
        cmocka_unit_test(a_rotation_by_other_angles_is_told),
        cmocka_unit_test(pixels_that_are_not_square_are_told),
        cmocka_unit_test(an_interlaced_recording_is_told),
        cmocka_unit_test(frames_at_chosen_times_are_those_of_a_full_reading),
        cmocka_unit_test(numbered_pictures_are_one_recording_without_a_clock),
        cmocka_unit_test(the_digest_is_that_of_sha256sum),
    };

    return cmocka_run_group_tests(tests, make_files, remove_files);
}
