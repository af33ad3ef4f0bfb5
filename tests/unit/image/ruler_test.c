/* Contracts of image/ruler.h, on screens drawn in memory: the drawn spacing is the truth. */
#include "../../support/screen_fixture.h"
#include "image/ruler.h"
#include "image/survey_internal.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { FRAMES = 10 };

static void find(struct ruler *ruler, const struct screen *screen, size_t n)
{
    struct survey *survey = screen_survey(screen, n);
    struct picture *picture = NULL;
    struct error *err = NULL;

    assert_true(picture_find(&picture, survey, NULL, &err));
    assert_true(ruler_find(ruler, survey, picture, &err));
    picture_free(&picture);
    survey_free(&survey);
}

static struct screen with_ruler(int n_ticks, double spacing_px, int long_every)
{
    struct screen screen = screen_usual();

    screen.half_angle_deg = 36;
    screen.has_text = true;
    screen.has_bar = true;
    screen.ruler = (struct screen_ruler){
        .n_ticks = n_ticks, .x_px = 745, .first_px = 40, .spacing_px = spacing_px, .long_every = long_every};
    return screen;
}

/** 0.2 %, though the target is 1 %: ticks stand on whole pixels. */
static void check_spacing(const struct ruler *ruler, double spacing_px, double mm)
{
    assert_true(ruler->is_found);
    assert_true(fabs(ruler->spacing_px / spacing_px - 1) < 0.002);
    assert_true(fabs(ruler->mm_per_px / (mm / spacing_px) - 1) < 0.002);
}

static void like_ticks_are_assumed_to_be_centimetres_and_it_says_so(void **state)
{
    struct screen screen = with_ruler(10, 57.3, 0);
    struct ruler ruler = {0};

    (void)state;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 57.3, 10);
    assert_true(ruler.is_vertical);
    assert_true(ruler.is_assumed);
    assert_int_equal(ruler.n_ticks, 10);
    assert_true(ruler.major_spacing_px == 0);
    assert_non_null(strstr(ruler.reasons.items[0], "assumed"));
    assert_true(fabs(ruler.first_px.y_px - 40) < 1);
    assert_true(fabs(ruler.last_px.y_px - (40 + 9 * 57.3)) < 1);
    assert_true(fabs(ruler.first_px.x_px - 745) < 6);
    ruler_free(&ruler);
    assert_int_equal(ruler.reasons.n, 0);
}

static void every_tenth_tick_longer_means_millimetres(void **state)
{
    struct screen screen = with_ruler(80, 6.43, 10);
    struct ruler ruler = {0};

    (void)state;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 6.43, 1);
    assert_false(ruler.is_assumed);
    assert_true(fabs(ruler.major_spacing_px / 64.3 - 1) < 0.002);
    ruler_free(&ruler);
}

static void every_second_tick_longer_means_half_centimetres(void **state)
{
    struct screen screen = with_ruler(17, 30.7, 2);
    struct ruler ruler = {0};

    (void)state;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 30.7, 5);
    assert_false(ruler.is_assumed);
    ruler_free(&ruler);
}

/* Ticks by turns 10 and 5 px long, of which the first and the eleventh were a pixel longer, were taken for a
 * ruler whose every tenth tick stands out: the scale of 8 in 300 made loops was twice the true one. */
static void a_pixel_more_does_not_make_a_longer_tick(void **state)
{
    struct screen screen = with_ruler(17, 30.7, 2);
    struct ruler ruler = {0};

    (void)state;
    screen.ruler.pixel_more_every = 10;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 30.7, 5);
    assert_false(ruler.is_assumed);
    ruler_free(&ruler);
}

/* As above: short ticks that hardly stand out were not counted among those that may be shorter. */
static void short_ticks_may_be_faint(void **state)
{
    struct screen screen = with_ruler(17, 30.7, 2);
    struct ruler ruler = {0};

    (void)state;
    screen.ruler.luma = 130;
    screen.ruler.short_luma = 24;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 30.7, 5);
    assert_false(ruler.is_assumed);
    ruler_free(&ruler);
}

static void every_fifth_tick_longer_is_what_makes_a_possible_depth(void **state)
{
    struct screen screen = with_ruler(11, 50.2, 5); /* 515 px: 103 mm in centimetres, 21 mm in 2 mm */
    struct ruler ruler = {0};

    (void)state;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 50.2, 10);
    assert_false(ruler.is_assumed);
    ruler_free(&ruler);
    screen = with_ruler(40, 12.9, 5); /* 399 mm in centimetres, 80 mm in 2 mm, 40 mm in 1 mm */
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 12.9, 2);
    assert_true(ruler.is_assumed);
    ruler_free(&ruler);
}

static void a_number_at_every_tick_confirms_centimetres(void **state)
{
    struct screen screen = with_ruler(10, 57.3, 0);
    struct ruler ruler = {0};

    (void)state;
    screen.ruler.number_every = 1;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 57.3, 10);
    assert_false(ruler.is_assumed);
    ruler_free(&ruler);
}

static void numbers_at_every_second_tick_confirm_nothing(void **state)
{
    struct screen screen = with_ruler(17, 30.7, 0); /* 2 4 6 cm, or 1 2 3 cm at ticks of 5 mm? */
    struct ruler ruler = {0};

    (void)state;
    screen.ruler.number_every = 2;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 30.7, 10);
    assert_true(ruler.is_assumed);
    ruler_free(&ruler);
}

/* Numbers that a coarse code smears onto their ticks made these longer ones. */
static void a_number_that_touches_its_tick_makes_it_no_longer(void **state)
{
    struct screen screen = with_ruler(17, 30.7, 0);
    struct ruler ruler = {0};

    (void)state;
    screen.ruler.number_every = 2;
    screen.ruler.number_at_px = 5;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 30.7, 10);
    assert_true(ruler.is_assumed);
    ruler_free(&ruler);
}

static void of_two_rulers_the_one_beside_the_picture_is_taken(void **state)
{
    struct screen screen = with_ruler(60, 8.1, 10); /* more ticks, at the far left */
    struct survey_builder *builder = NULL;
    struct survey *survey = NULL;
    struct picture *picture = NULL;
    struct ruler ruler = {0};
    struct screen beside = with_ruler(10, 50.7, 0);
    struct error *err = NULL;

    (void)state;
    screen.apex_x_px = beside.apex_x_px = 500;
    screen.half_angle_deg = beside.half_angle_deg = 20;
    screen.has_text = false;
    screen.ruler.x_px = 20;
    assert_true(survey_begin(&builder, &err));
    for (unsigned i = 0; i < FRAMES; i++) {
        struct frame *frame = screen_frame(&screen, i, i, 0.1 * i);
        struct frame *other = screen_frame(&beside, i, i, 0.1 * i);

        for (int y = 0; y < frame->height_px; y++)
            for (int x = 730; x < 760; x++)
                frame->luma[y * frame->width_px + x] = other->luma[y * frame->width_px + x];
        assert_true(survey_add(builder, frame, &err));
        frame_free(&frame);
        frame_free(&other);
    }
    assert_true(survey_finish(&survey, &builder, true, &err));
    assert_true(picture_find(&picture, survey, NULL, &err));
    assert_true(ruler_find(&ruler, survey, picture, &err));
    check_spacing(&ruler, 50.7, 10);
    ruler_free(&ruler);
    picture_free(&picture);
    survey_free(&survey);
}

static void ticks_on_a_line_are_found(void **state)
{
    struct screen screen = with_ruler(17, 30.7, 2);
    struct ruler ruler = {0};

    (void)state;
    screen.ruler.has_line = true;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 30.7, 5);
    ruler_free(&ruler);
}

static void ticks_over_the_living_picture_are_found(void **state)
{
    struct screen screen = with_ruler(9, 58.6, 0);
    struct ruler ruler = {0};

    (void)state;
    screen.ruler.x_px = 400;
    screen.ruler.first_px = 50;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 58.6, 10);
    ruler_free(&ruler);
}

static void a_ruler_in_one_still_frame_is_found(void **state)
{
    struct screen screen = with_ruler(10, 57.3, 0);
    struct ruler ruler = {0};

    (void)state;
    find(&ruler, &screen, 1);
    check_spacing(&ruler, 57.3, 10);
    ruler_free(&ruler);
}

static void a_lying_ruler_under_the_picture_serves(void **state)
{
    struct screen screen = with_ruler(12, 41.3, 0);
    struct ruler ruler = {0};

    (void)state;
    screen.ruler.is_lying = true;
    screen.ruler.x_px = 550;
    screen.ruler.first_px = 170;
    find(&ruler, &screen, FRAMES);
    check_spacing(&ruler, 41.3, 10);
    assert_false(ruler.is_vertical);
    ruler_free(&ruler);
}

static void a_list_of_settings_and_a_bar_are_no_ruler(void **state)
{
    struct screen screen = with_ruler(0, 0, 0); /* text lines stand evenly too, every 18 px */
    struct ruler ruler = {0};

    (void)state;
    find(&ruler, &screen, FRAMES);
    assert_false(ruler.is_found);
    assert_true(ruler.mm_per_px == 0);
    assert_int_equal(ruler.reasons.n, 1);
    ruler_free(&ruler);
    find(&ruler, &screen, 1);
    assert_false(ruler.is_found);
    ruler_free(&ruler);
}

static void three_marks_are_no_ruler(void **state)
{
    struct screen screen = with_ruler(3, 150, 0);
    struct ruler ruler = {0};

    (void)state;
    find(&ruler, &screen, FRAMES);
    assert_false(ruler.is_found);
    ruler_free(&ruler);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(like_ticks_are_assumed_to_be_centimetres_and_it_says_so),
        cmocka_unit_test(every_tenth_tick_longer_means_millimetres),
        cmocka_unit_test(every_second_tick_longer_means_half_centimetres),
        cmocka_unit_test(a_pixel_more_does_not_make_a_longer_tick),
        cmocka_unit_test(short_ticks_may_be_faint),
        cmocka_unit_test(every_fifth_tick_longer_is_what_makes_a_possible_depth),
        cmocka_unit_test(a_number_at_every_tick_confirms_centimetres),
        cmocka_unit_test(numbers_at_every_second_tick_confirm_nothing),
        cmocka_unit_test(a_number_that_touches_its_tick_makes_it_no_longer),
        cmocka_unit_test(of_two_rulers_the_one_beside_the_picture_is_taken),
        cmocka_unit_test(ticks_on_a_line_are_found),
        cmocka_unit_test(ticks_over_the_living_picture_are_found),
        cmocka_unit_test(a_ruler_in_one_still_frame_is_found),
        cmocka_unit_test(a_lying_ruler_under_the_picture_serves),
        cmocka_unit_test(a_list_of_settings_and_a_bar_are_no_ruler),
        cmocka_unit_test(three_marks_are_no_ruler),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
