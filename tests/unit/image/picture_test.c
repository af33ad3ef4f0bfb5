/* Contracts of image/picture.h, on screens drawn in memory: what was drawn is the truth. */
#include "../../support/screen_fixture.h"
#include "image/picture.h"
#include "image/ruler.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

enum { FRAMES = 12 };

static struct picture *find(const struct screen *screen, size_t n)
{
    struct survey *survey = screen_survey(screen, n);
    struct picture *picture = NULL;
    struct error *err = NULL;

    assert_true(picture_find(&picture, survey, NULL, &err));
    survey_free(&survey);
    return picture;
}

static bool is_masked(const struct picture *picture, int x, int y)
{
    return picture->mask[(size_t)y * (size_t)picture->width_px + (size_t)x] != 0;
}

/** Share of the mask in a box, both corners included. */
static double mask_share(const struct picture *picture, int left, int top, int right, int bottom)
{
    int n = 0;

    for (int y = top; y <= bottom; y++)
        for (int x = left; x <= right; x++)
            n += is_masked(picture, x, y);
    return (double)n / ((right - left + 1) * (bottom - top + 1));
}

static void check_sector(const struct screen *screen, const struct picture *picture)
{
    double apex_y_px = screen->is_flipped ? screen->height_px - 1 - screen->apex_y_px : screen->apex_y_px;

    assert_true(picture->is_found);
    assert_true(screen_agreement(screen, picture) > 0.97);
    assert_true(picture->has_apex);
    assert_true(hypot(picture->apex_px.x_px - screen->apex_x_px, picture->apex_px.y_px - apex_y_px) < 4);
}

static void a_sector_is_found_with_its_apex(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = find(&screen, FRAMES);

    (void)state;
    check_sector(&screen, picture);
    assert_in_range(picture->box.bottom_px, 534, 544); /* apex -20, radius 560 */
    assert_false(picture->has_colour_box);
    picture_free(&picture);
    assert_null(picture);
}

static void sectors_narrow_and_wide_are_found(void **state)
{
    static const double angles_deg[] = {20, 35, 60, 70};

    (void)state;
    for (size_t i = 0; i < sizeof angles_deg / sizeof angles_deg[0]; i++) {
        struct screen screen = screen_usual();
        struct picture *picture = NULL;

        screen.half_angle_deg = angles_deg[i];
        screen.far_px = angles_deg[i] > 50 ? 400 : 560;
        screen.apex_y_px = 10;
        picture = find(&screen, FRAMES);
        check_sector(&screen, picture);
        picture_free(&picture);
    }
}

static void a_sector_shown_upside_down_is_found(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;

    (void)state;
    screen.is_flipped = true;
    picture = find(&screen, FRAMES);
    check_sector(&screen, picture);
    picture_free(&picture);
}

static void a_linear_probes_box_has_no_apex(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;

    (void)state;
    screen.shape = SCREEN_BOX;
    picture = find(&screen, FRAMES);
    assert_true(picture->is_found);
    assert_false(picture->has_apex);
    assert_true(screen_agreement(&screen, picture) > 0.97);
    assert_in_range(picture->box.left_px, 147, 153);
    assert_in_range(picture->box.right_px, 617, 623);
    picture_free(&picture);
}

static void a_clip_cropped_to_the_tissue_is_all_picture(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;

    (void)state;
    screen.shape = SCREEN_WHOLE;
    picture = find(&screen, FRAMES);
    assert_true(picture->is_found);
    assert_true(screen_agreement(&screen, picture) > 0.999);
    picture_free(&picture);
}

static void text_and_bar_around_do_not_enter_the_picture(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;

    (void)state;
    screen.has_text = true;
    screen.has_bar = true;
    screen.half_angle_deg = 36;
    screen.ruler = (struct screen_ruler){.n_ticks = 9, .x_px = 745, .first_px = 40, .spacing_px = 60};
    picture = find(&screen, FRAMES);
    check_sector(&screen, picture);
    assert_true(mask_share(picture, 765, 140, 790, 410) == 0);
    picture_free(&picture);
}

static void a_bar_over_the_edge_of_the_picture_is_cut_out(void **state)
{
    struct screen screen = screen_usual(); /* its right corner reaches under the bar */
    struct picture *picture = NULL;

    (void)state;
    screen.has_bar = true;
    picture = find(&screen, FRAMES);
    check_sector(&screen, picture);
    assert_true(mask_share(picture, 770, 150, 783, 369) == 0); /* brighter than 35 */
    picture_free(&picture);
}

static void a_label_within_the_picture_is_cut_out_of_the_mask_only(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;
    struct frame *with = NULL;
    int n_strokes = 0;

    (void)state;
    screen.has_text = true; /* draws a word at 380,480, inside the sector */
    picture = find(&screen, FRAMES);
    with = screen_frame(&screen, 1, 0, 0);
    for (int y = 480; y < 490; y++)
        for (int x = 380; x < 434; x++) {
            if (with->luma[y * 800 + x] != 210)
                continue;
            n_strokes++;
            assert_false(is_masked(picture, x, y));
        }
    assert_true(n_strokes > 100);
    assert_true(screen_agreement(&screen, picture) > 0.97);
    assert_true(mask_share(picture, 300, 150, 500, 450) > 0.995); /* tissue is kept */
    frame_free(&with);
    picture_free(&picture);
}

static void a_black_bladder_belongs_to_the_picture(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;

    (void)state;
    screen.has_dark_bladder = true;
    picture = find(&screen, FRAMES);
    check_sector(&screen, picture);
    assert_true(is_masked(picture, 400, 250));
    picture_free(&picture);
}

static void a_flow_map_is_cut_out(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;

    (void)state;
    screen.has_colour_box = true;
    picture = find(&screen, FRAMES);
    check_sector(&screen, picture);
    assert_true(picture->has_colour_box);
    assert_true(mask_share(picture, 355, 205, 445, 295) == 0);
    assert_true(mask_share(picture, 300, 320, 500, 480) > 0.995);
    picture_free(&picture);
}

static void one_still_frame_has_a_picture_too(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;

    (void)state;
    screen.has_text = true;
    screen.has_bar = true;
    screen.half_angle_deg = 36;
    picture = find(&screen, 1);
    assert_true(picture->is_found);
    assert_true(screen_agreement(&screen, picture) > 0.95);
    assert_true(mask_share(picture, 765, 140, 790, 410) == 0);
    picture_free(&picture);
}

static void an_empty_screen_has_no_picture_and_the_mask_is_the_frame(void **state)
{
    struct screen screen = screen_usual();
    struct picture *picture = NULL;

    (void)state;
    screen.shape = SCREEN_EMPTY;
    screen.has_text = true;
    picture = find(&screen, FRAMES);
    assert_false(picture->is_found);
    assert_false(picture->has_apex);
    assert_true(mask_share(picture, 0, 0, 799, 599) == 1);
    picture_free(&picture);
}

static void frames_of_any_size_end_in_an_answer(void **state)
{
    static const int sizes[][2] = {{1, 1}, {8, 8}, {47, 200}, {60, 60}, {1, 900}, {1200, 50}, {53, 61}};

    (void)state;
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        struct screen screen = screen_usual();
        struct survey *survey = NULL;
        struct picture *picture = NULL;
        struct ruler ruler = {0};
        struct error *err = NULL;

        screen.width_px = sizes[i][0];
        screen.height_px = sizes[i][1];
        screen.shape = SCREEN_WHOLE;
        survey = screen_survey(&screen, 4);
        assert_true(picture_find(&picture, survey, NULL, &err));
        assert_int_equal(picture->width_px, sizes[i][0]);
        assert_true(picture->box.right_px < sizes[i][0] && picture->box.bottom_px < sizes[i][1]);
        assert_true(ruler_find(&ruler, survey, picture, &err));
        assert_false(ruler.is_found);
        ruler_free(&ruler);
        picture_free(&picture);
        survey_free(&survey);
    }
}

static void of_two_pictures_the_one_in_the_fuller_declared_region_is_taken(void **state)
{
    struct screen screen = screen_usual();
    struct loop_region regions[2] = {
        {.box = {0, 0, 399, 599}, .spatial_format = 1, .data_type = 1, .units_x = 3, .units_y = 3},
        {.box = {400, 0, 799, 599}, .spatial_format = 1, .data_type = 1, .units_x = 3, .units_y = 3}};
    struct loop_facts facts = {.regions = regions, .n_regions = 2};
    struct survey *survey = NULL;
    struct picture *picture = NULL;
    struct error *err = NULL;

    (void)state;
    screen.shape = SCREEN_BOX; /* 150 to 620: the left region holds more of it */
    survey = screen_survey(&screen, FRAMES);
    assert_true(picture_find(&picture, survey, &facts, &err));
    assert_in_range(picture->box.left_px, 147, 153);
    assert_in_range(picture->box.right_px, 395, 401);
    picture_free(&picture);
    survey_free(&survey);
}

static void a_stale_region_does_not_clip_the_picture(void **state)
{
    struct screen screen = screen_usual();
    struct loop_region region = {
        .box = {300, 60, 1500, 1100}, .spatial_format = 1, .data_type = 1, .units_x = 3, .units_y = 3};
    struct loop_facts facts = {.regions = &region, .n_regions = 1};
    struct survey *survey = screen_survey(&screen, FRAMES);
    struct picture *picture = NULL;
    struct error *err = NULL;

    (void)state;
    assert_true(picture_find(&picture, survey, &facts, &err));
    check_sector(&screen, picture);
    picture_free(&picture);
    survey_free(&survey);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_sector_is_found_with_its_apex),
        cmocka_unit_test(sectors_narrow_and_wide_are_found),
        cmocka_unit_test(a_sector_shown_upside_down_is_found),
        cmocka_unit_test(a_linear_probes_box_has_no_apex),
        cmocka_unit_test(a_clip_cropped_to_the_tissue_is_all_picture),
        cmocka_unit_test(text_and_bar_around_do_not_enter_the_picture),
        cmocka_unit_test(a_bar_over_the_edge_of_the_picture_is_cut_out),
        cmocka_unit_test(a_label_within_the_picture_is_cut_out_of_the_mask_only),
        cmocka_unit_test(a_black_bladder_belongs_to_the_picture),
        cmocka_unit_test(a_flow_map_is_cut_out),
        cmocka_unit_test(one_still_frame_has_a_picture_too),
        cmocka_unit_test(an_empty_screen_has_no_picture_and_the_mask_is_the_frame),
        cmocka_unit_test(frames_of_any_size_end_in_an_answer),
        cmocka_unit_test(of_two_pictures_the_one_in_the_fuller_declared_region_is_taken),
        cmocka_unit_test(a_stale_region_does_not_clip_the_picture),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
