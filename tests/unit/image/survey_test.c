/* Contracts of image/survey.h. The loops are drawn in memory: 10 frames/s unless said. */
#include "../../support/screen_fixture.h"
#include "image/survey_internal.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/** A small screen keeps the tests quick. */
static struct screen small(void)
{
    struct screen screen = screen_usual();

    screen.width_px = 400;
    screen.height_px = 300;
    screen.apex_x_px = 200;
    screen.near_px = 40;
    screen.far_px = 300;
    return screen;
}

struct drawing {
    struct survey_builder *builder;
    size_t n;
};

static void begin(struct drawing *drawing)
{
    struct error *err = NULL;

    *drawing = (struct drawing){0};
    assert_true(survey_begin(&drawing->builder, &err));
}

static void add(struct drawing *drawing, const struct screen *screen, unsigned seed, double time_s)
{
    struct error *err = NULL;
    struct frame *frame = screen_frame(screen, seed, drawing->n++, time_s);

    assert_true(survey_add(drawing->builder, frame, &err));
    frame_free(&frame);
}

static struct survey *finish(struct drawing *drawing)
{
    struct survey *survey = NULL;
    struct error *err = NULL;

    assert_true(survey_finish(&survey, &drawing->builder, true, &err));
    assert_null(drawing->builder);
    return survey;
}

static bool tells(const struct survey *survey, const char *words)
{
    for (size_t i = 0; i < survey->problems.n; i++)
        if (strstr(survey->problems.items[i], words) != NULL)
            return true;
    return false;
}

static size_t count_repeats(const struct survey *survey)
{
    size_t n = 0;

    for (size_t i = 0; i < survey->n_frames; i++)
        n += survey->is_repeat[i];
    return n;
}

static void a_live_loop_has_no_repeats_and_no_problems(void **state)
{
    struct screen screen = small();
    struct survey *survey = screen_survey(&screen, 40);

    (void)state;
    assert_int_equal(count_repeats(survey), 0);
    assert_int_equal(survey->problems.n, 0);
    assert_int_equal(survey->n_stretches, 1);
    assert_int_equal(survey->stretches[0].first, 0);
    assert_int_equal(survey->stretches[0].end, 40);
    assert_true(fabs(survey->frame_rate_hz - 10) < 1e-9);
    assert_true(fabs(survey->duration_s - 4.0) < 1e-9);
    assert_int_equal(survey->dropped_frames, 0);
    assert_true(survey->frozen_s == 0);
    survey_free(&survey);
    assert_null(survey);
}

static void a_still_probe_with_little_noise_is_not_frozen(void **state)
{
    struct screen screen = small();
    struct survey *survey = NULL;

    (void)state;
    screen.speckle = 1.5;
    survey = screen_survey(&screen, 40);
    assert_int_equal(count_repeats(survey), 0);
    survey_free(&survey);
}

/** One pixel in a hundred off by one level: a frozen picture coded again. */
static void add_coded_again(struct drawing *drawing, const struct screen *screen, unsigned seed,
                            double time_s)
{
    struct error *err = NULL;
    struct frame *frame = screen_frame(screen, seed, drawing->n, time_s);

    for (size_t i = drawing->n % 97; i < (size_t)frame->width_px * (size_t)frame->height_px; i += 97)
        frame->luma[i] = (uint8_t)(frame->luma[i] ^ 1);
    drawing->n++;
    assert_true(survey_add(drawing->builder, frame, &err));
    frame_free(&frame);
}

static void a_freeze_is_told_with_its_time_though_the_clock_runs_on(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 60; i++) {
        bool is_frozen = i > 20 && i <= 40;

        screen.clock = 1 + (int)i / 10;
        if (is_frozen)
            add_coded_again(&drawing, &screen, 20, 0.1 * i);
        else
            add(&drawing, &screen, i, 0.1 * i);
    }
    survey = finish(&drawing);
    assert_int_equal(count_repeats(survey), 20);
    for (size_t i = 0; i < 60; i++)
        assert_int_equal(survey->is_repeat[i], i > 20 && i <= 40);
    assert_true(fabs(survey->frozen_s - 2.0) < 1e-9);
    assert_true(tells(survey, "frozen from 2.00 s to 4.00 s"));
    assert_int_equal(survey->n_stretches, 1);
    survey_free(&survey);
}

static void frames_doubled_by_the_recorder_are_a_slower_picture_not_a_freeze(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 60; i++)
        add(&drawing, &screen, i / 2, 0.04 * i);
    survey = finish(&drawing);
    assert_int_equal(count_repeats(survey), 30);
    assert_true(survey->frozen_s == 0);
    assert_true(tells(survey, "new pictures come at 12.5 per second"));
    survey_free(&survey);
}

static void frames_missing_from_a_regular_clock_are_counted(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 40;
         i++) /* times rounded to a millisecond, as Matroska has them; 3 then 1 are missing */
        add(&drawing, &screen, i, round((i + (i > 10 ? 3 : 0) + (i > 30 ? 1 : 0)) / 0.03) / 1000);
    survey = finish(&drawing);
    assert_int_equal(survey->dropped_frames, 4);
    assert_true(fabs(survey->largest_gap_s - 0.133) < 0.0021);
    assert_true(tells(survey, "4 frames are missing in 2 gaps"));
    survey_free(&survey);
}

static void a_truly_variable_rate_is_not_dropping(void **state)
{
    static const double steps[] = {0.08, 0.13, 0.1, 0.17, 0.11};
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;
    double time_s = 0;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 40; i++) {
        add(&drawing, &screen, i, time_s);
        time_s += steps[i % 5];
    }
    survey = finish(&drawing);
    assert_int_equal(survey->dropped_frames, 0);
    assert_true(tells(survey, "frame rate varies"));
    survey_free(&survey);
}

/* Steps of 0.08 to 0.12 s, and three times three frames missing: as a screen recorder under load writes. */
static void gaps_stand_out_of_a_clock_that_varies(void **state)
{
    static const double steps[] = {0.08, 0.12, 0.1, 0.09, 0.11};
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;
    double time_s = 0;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 60; i++) {
        add(&drawing, &screen, i, time_s);
        time_s += steps[i % 5] + (i % 20 == 12 ? 0.3 : 0.0);
    }
    survey = finish(&drawing);
    assert_int_equal(survey->dropped_frames, 9);
    assert_true(tells(survey, "about 9 frames are missing in 3 gaps"));
    survey_free(&survey);
}

static void a_gain_step_is_told_and_the_factor_follows(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 60; i++) {
        screen.gain = i >= 40 ? 14 : 0;
        add(&drawing, &screen, i, 0.1 * i);
    }
    survey = finish(&drawing);
    assert_true(tells(survey, "gain changes at 4.00 s (frame 40)"));
    assert_true(tells(survey, "14 grey levels brighter"));
    assert_int_equal(survey->n_stretches, 1);
    assert_true(fabsf(survey->gain[0] - 1) < 1e-6F && fabsf(survey->gain[39] - 1) < 1e-6F);
    assert_true(survey->gain[40] > 1.12F && survey->gain[59] < 1.35F);
    survey_free(&survey);
}

static void a_change_of_zoom_divides_the_loop(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 70; i++) {
        screen.zoom = i >= 45 ? 1.4 : 1;
        screen.content_y_px = i >= 45 ? -20 : 0;
        add(&drawing, &screen, i, 0.1 * i);
    }
    survey = finish(&drawing);
    assert_int_equal(survey->n_stretches, 2);
    assert_int_equal(survey->stretches[0].first, 0);
    assert_int_equal(survey->stretches[0].end, 45);
    assert_int_equal(survey->stretches[1].first, 45);
    assert_int_equal(survey->stretches[1].end, 70);
    assert_true(tells(survey, "picture changes at 4.50 s (frame 45)"));
    survey_free(&survey);
}

static void a_swift_probe_is_no_change_of_geometry(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 60; i++) { /* 60 px within five frames: 10 mm in half a second */
        if (i > 30 && i <= 35)
            screen.content_x_px += 12;
        add(&drawing, &screen, i, 0.1 * i);
    }
    survey = finish(&drawing);
    assert_int_equal(survey->n_stretches, 1);
    assert_int_equal(survey->problems.n, 0);
    survey_free(&survey);
}

static void a_bright_flash_of_bubbles_is_neither_gain_nor_geometry(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;
    struct error *err = NULL;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 60; i++) {
        struct frame *frame = screen_frame(&screen, i, i, 0.1 * i);

        for (int y = 120; i >= 30 && y < 145; y++)
            memset(frame->luma + y * 400 + 180, 230, 40);
        assert_true(survey_add(drawing.builder, frame, &err));
        frame_free(&frame);
    }
    survey = finish(&drawing);
    assert_int_equal(survey->n_stretches, 1);
    assert_int_equal(survey->problems.n, 0);
    survey_free(&survey);
}

static void a_loop_without_a_clock_has_no_rate_and_no_duration(void **state)
{
    struct screen screen = small();
    struct survey_builder *builder = NULL;
    struct survey *survey = NULL;
    struct error *err = NULL;

    (void)state;
    assert_true(survey_begin(&builder, &err));
    for (unsigned i = 0; i < 5; i++) {
        struct frame *frame = screen_frame(&screen, i, i, i);

        assert_true(survey_add(builder, frame, &err));
        frame_free(&frame);
    }
    assert_true(survey_finish(&survey, &builder, false, &err));
    assert_true(survey->frame_rate_hz == 0 && survey->duration_s == 0);
    assert_int_equal(survey->n_frames, 5);
    survey_free(&survey);
}

static void one_still_is_surveyed_without_a_rate(void **state)
{
    struct screen screen = small();
    struct survey *survey = screen_survey(&screen, 1);

    (void)state;
    assert_int_equal(survey->n_frames, 1);
    assert_true(survey->frame_rate_hz == 0 && survey->duration_s == 0);
    assert_int_equal(survey->problems.n, 0);
    assert_int_equal(survey->n_stretches, 1);
    assert_int_equal(survey->stretches[0].end, 1);
    assert_true(survey->gain[0] == 1.0F);
    survey_free(&survey);
}

static void a_loop_that_never_moves_says_so(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct survey *survey = NULL;

    (void)state;
    begin(&drawing);
    for (unsigned i = 0; i < 20; i++)
        add(&drawing, &screen, 1, 0.1 * i);
    survey = finish(&drawing);
    assert_int_equal(count_repeats(survey), 19);
    assert_true(tells(survey, "one still picture"));
    survey_free(&survey);
}

static void no_frame_is_an_error_with_a_sentence(void **state)
{
    struct survey_builder *builder = NULL;
    struct survey *survey = NULL;
    struct error *err = NULL;

    (void)state;
    assert_true(survey_begin(&builder, &err));
    assert_false(survey_finish(&survey, &builder, true, &err));
    assert_null(survey);
    assert_null(builder);
    assert_int_equal(error_code(err), ERROR_INPUT);
    error_free(&err);
}

static void a_frame_of_another_size_is_refused(void **state)
{
    struct screen screen = small();
    struct drawing drawing;
    struct frame *frame = NULL;
    struct error *err = NULL;

    (void)state;
    begin(&drawing);
    add(&drawing, &screen, 0, 0);
    screen.width_px = 402;
    frame = screen_frame(&screen, 1, 1, 0.1);
    assert_false(survey_add(drawing.builder, frame, &err));
    assert_int_equal(error_code(err), ERROR_INPUT);
    assert_non_null(strstr(error_message(err), "402 x 300"));
    error_free(&err);
    frame_free(&frame);
    survey_abandon(&drawing.builder);
}

/** Plain twin: the planes against sums over all frames (fewer than thinning starts at). */
static void the_planes_are_the_statistics_of_every_pixel(void **state)
{
    enum { N = 20 };
    struct screen screen = small();
    struct survey *survey = screen_survey(&screen, N);
    struct frame *frames[N];

    (void)state;
    for (unsigned i = 0; i < N; i++)
        frames[i] = screen_frame(&screen, i, i, 0.1 * i);
    for (size_t at = 0; at < 400 * 300; at += 37) {
        double sum = 0;
        double square = 0;
        int highest = 0;
        int lowest = 255;

        for (int i = 0; i < N; i++) {
            int luma = frames[i]->luma[at];

            sum += luma;
            square += luma * luma;
            highest = luma > highest ? luma : highest;
            lowest = luma < lowest ? luma : lowest;
        }
        assert_true(fabs((double)survey->mean[at] - sum / N) < 1e-3);
        assert_true(fabs((double)survey->deviation[at] - sqrt(fmax(0, square / N - sum * sum / N / N))) <
                    1e-2);
        assert_int_equal(survey->highest[at], highest);
        assert_int_equal(survey->lowest[at], lowest);
    }
    assert_null(survey->colour);
    for (int i = 0; i < N; i++)
        frame_free(&frames[i]);
    survey_free(&survey);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_live_loop_has_no_repeats_and_no_problems),
        cmocka_unit_test(a_still_probe_with_little_noise_is_not_frozen),
        cmocka_unit_test(a_freeze_is_told_with_its_time_though_the_clock_runs_on),
        cmocka_unit_test(frames_doubled_by_the_recorder_are_a_slower_picture_not_a_freeze),
        cmocka_unit_test(frames_missing_from_a_regular_clock_are_counted),
        cmocka_unit_test(a_truly_variable_rate_is_not_dropping),
        cmocka_unit_test(gaps_stand_out_of_a_clock_that_varies),
        cmocka_unit_test(a_gain_step_is_told_and_the_factor_follows),
        cmocka_unit_test(a_change_of_zoom_divides_the_loop),
        cmocka_unit_test(a_swift_probe_is_no_change_of_geometry),
        cmocka_unit_test(a_bright_flash_of_bubbles_is_neither_gain_nor_geometry),
        cmocka_unit_test(a_loop_without_a_clock_has_no_rate_and_no_duration),
        cmocka_unit_test(one_still_is_surveyed_without_a_rate),
        cmocka_unit_test(a_loop_that_never_moves_says_so),
        cmocka_unit_test(no_frame_is_an_error_with_a_sentence),
        cmocka_unit_test(a_frame_of_another_size_is_refused),
        cmocka_unit_test(the_planes_are_the_statistics_of_every_pixel),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
