/* Contracts of image/scale.h. Codes of regions: DICOM PS3.3 C.8.5.5 (units 3 = cm, data type 1 = tissue). */
#include "image/scale.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { WIDTH = 400, HEIGHT = 300 };

/** A frame of 400 x 300 whose picture is the box (50,40)-(349,279), 240 px deep; what a file may say of it.
 */
struct situation {
    uint8_t outline[WIDTH * HEIGHT];
    struct picture picture;
    struct loop_region regions[3];
    struct loop_facts facts;
    struct ruler ruler;
    struct scale scale;
};

static struct situation *situation_make(size_t n_regions)
{
    struct situation *made = calloc(1, sizeof *made);

    assert_non_null(made);
    for (int y = 40; y <= 279; y++)
        memset(made->outline + y * WIDTH + 50, 255, 300);
    made->picture = (struct picture){.width_px = WIDTH,
                                     .height_px = HEIGHT,
                                     .mask = made->outline,
                                     .outline = made->outline,
                                     .box = {50, 40, 349, 279},
                                     .is_found = true};
    for (size_t i = 0; i < n_regions; i++)
        made->regions[i] = (struct loop_region){.box = {40, 30, 360, 290},
                                                .spatial_format = 1,
                                                .data_type = 1,
                                                .units_x = 3,
                                                .units_y = 3,
                                                .delta_x = 0.04,
                                                .delta_y = 0.04};
    made->facts = (struct loop_facts){.pixel_aspect = 1, .regions = made->regions, .n_regions = n_regions};
    return made;
}

static void situation_free(struct situation *situation)
{
    scale_free(&situation->scale);
    ruler_free(&situation->ruler);
    free(situation);
}

static void choose(struct situation *at, double given_mm_per_px)
{
    scale_free(&at->scale);
    scale_choose(&at->scale, &at->facts, &at->picture, &at->ruler, given_mm_per_px);
}

static void set_ruler(struct situation *at, double mm_per_px, bool is_assumed)
{
    at->ruler.is_found = true;
    at->ruler.is_vertical = true;
    at->ruler.mm_per_px = mm_per_px;
    at->ruler.spacing_px = 10 / mm_per_px;
    at->ruler.is_assumed = is_assumed;
}

static void check(const struct situation *at, enum scale_source source, double mm_per_px_x,
                  double mm_per_px_y)
{
    assert_int_equal(at->scale.source, source);
    assert_true(fabs(at->scale.mm_per_px_x - mm_per_px_x) < 1e-9);
    assert_true(fabs(at->scale.mm_per_px_y - mm_per_px_y) < 1e-9);
}

static bool says(const struct situation *at, const char *words)
{
    for (size_t i = 0; i < at->scale.reasons.n; i++)
        if (strstr(at->scale.reasons.items[i], words) != NULL)
            return true;
    return false;
}

static void centimetres_a_pixel_become_millimetres(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.4, 0.4);
    assert_int_equal(at->scale.reasons.n, 0);
    situation_free(at);
}

static void unequal_and_negative_steps_are_taken_per_axis(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].delta_x = -0.05;
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.5, 0.4);
    situation_free(at);
}

/* Usual: 1, some per cent beside it, and the pixels of captured video (Rec. ITU-R BT.601: 10:11, 59:54, wide
 * 40:33). */
static void usual_pixels_are_not_doubted(void **state)
{
    static const double ratios[] = {1.0, 0.97, 10.0 / 11.0, 59.0 / 54.0, 40.0 / 33.0, 33.0 / 40.0};

    (void)state;
    for (size_t i = 0; i < sizeof ratios / sizeof ratios[0]; i++) {
        struct situation *at = situation_make(1);

        at->regions[0].delta_x = 0.04 * ratios[i];
        choose(at, 0);
        check(at, SCALE_DICOM_REGION, 0.4 * ratios[i], 0.4);
        assert_true(at->scale.odd_pixels == 0);
        assert_int_equal(at->scale.reasons.n, 0);
        situation_free(at);
    }
}

static void a_doubled_step_is_taken_but_doubted(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].delta_x = 0.08;
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.8, 0.4);
    assert_true(fabs(at->scale.odd_pixels - 2.0) < 1e-9);
    assert_true(says(at, "2.00 times as wide as high, which nothing bears out"));
    situation_free(at);
}

/* A ruler down the side tells the height of a pixel and nothing of its width. */
static void a_ruler_bears_out_one_side_of_a_pixel_only(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].delta_x = 0.08;
    set_ruler(at, 0.4, false);
    choose(at, 0);
    assert_true(at->scale.odd_pixels > 0);
    assert_true(says(at, "it tells one side only"));
    situation_free(at);
}

static void pixels_that_the_file_states_twice_are_believed(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].delta_x = 0.08;
    at->facts.pixel_aspect = 2.0;
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.8, 0.4);
    assert_true(at->scale.odd_pixels == 0);
    situation_free(at);
}

static void a_given_scale_does_not_take_over_doubted_pixels(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].delta_x = 0.08;
    choose(at, 0.4);
    check(at, SCALE_GIVEN, 0.4, 0.4);
    assert_true(at->scale.odd_pixels == 0);
    situation_free(at);
}

static void the_tissue_region_is_taken_though_another_stands_first(void **state)
{
    struct situation *at = situation_make(2);

    (void)state;
    at->regions[0].data_type = 10; /* ECG trace */
    at->regions[0].units_x = 4;    /* seconds */
    at->regions[0].delta_x = 0.01;
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.4, 0.4);
    situation_free(at);
}

static void of_two_tissue_regions_the_one_with_the_picture_is_taken(void **state)
{
    struct situation *at = situation_make(2);

    (void)state;
    at->regions[0].box = (struct box){0, 0, 60, 299};
    at->regions[0].delta_y = at->regions[0].delta_x = 0.09;
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.4, 0.4);
    situation_free(at);
}

static void only_centimetres_on_both_axes_make_a_scale(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].units_y = 4;
    choose(at, 0);
    check(at, SCALE_NONE, 0, 0);
    assert_true(says(at, "none of the 1 regions"));
    at->regions[0].units_y = 3;
    at->regions[0].delta_y = 0;
    choose(at, 0);
    check(at, SCALE_NONE, 0, 0);
    at->regions[0].delta_y = NAN;
    choose(at, 0);
    check(at, SCALE_NONE, 0, 0);
    situation_free(at);
}

static void a_box_one_pixel_past_the_frame_is_clipped_and_told(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].box.right_px = WIDTH; /* as OBXXXX1A declares it: one past the end */
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.4, 0.4);
    assert_true(says(at, "1 px outside"));
    situation_free(at);
}

static void a_box_far_outside_the_frame_is_a_stale_scale(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].box = (struct box){80, 60, 720, 580}; /* the frame was halved, the region was not */
    choose(at, 0);
    check(at, SCALE_NONE, 0, 0);
    assert_true(says(at, "not believed"));
    situation_free(at);
}

static void an_impossible_depth_is_not_believed(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    at->regions[0].delta_x = at->regions[0].delta_y = 0.229375; /* 240 px: 550 mm */
    choose(at, 0);
    check(at, SCALE_NONE, 0, 0);
    assert_true(says(at, "550 mm deep"));
    at->regions[0].delta_x = at->regions[0].delta_y = 0.0025; /* 6 mm */
    choose(at, 0);
    check(at, SCALE_NONE, 0, 0);
    situation_free(at);
}

static void a_ruler_that_agrees_leaves_the_file_its_word(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    set_ruler(at, 0.402, false);
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.4, 0.4);
    assert_int_equal(at->scale.reasons.n, 0);
    set_ruler(at, 0.413, false);
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.4, 0.4);
    assert_true(says(at, "differ by 3."));
    situation_free(at);
}

static void a_ruler_that_contradicts_beats_the_file(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    set_ruler(at, 0.45, false);
    choose(at, 0);
    check(at, SCALE_RULER, 0.45, 0.45);
    assert_true(says(at, "contradicts the ruler"));
    set_ruler(at, 0.8, false); /* a sure ruler of twice the scale: the file's is stale */
    choose(at, 0);
    check(at, SCALE_RULER, 0.8, 0.8);
    situation_free(at);
}

static void ticks_of_unknown_meaning_take_it_from_a_region_that_fits(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    set_ruler(at, 0.8, true); /* taken for centimetres; the file makes them 5 mm */
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.4, 0.4);
    assert_true(says(at, "5 mm apart, where 10 mm would be assumed"));
    assert_true(fabs(at->scale.tick_ratio - 0.5) <
                1e-9); /* half centimetres or a scale wrong by half: told */
    choose(at, 0.4);
    assert_true(at->scale.tick_ratio == 0); /* a person looked */
    set_ruler(at, 0.4, true);
    choose(at, 0);
    assert_true(at->scale.tick_ratio == 0);
    set_ruler(at, 0.55, true); /* ticks of 7 mm */
    choose(at, 0);
    check(at, SCALE_RULER, 0.55, 0.55);
    situation_free(at);
}

static void ticks_two_centimetres_apart_are_no_rulers(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    set_ruler(at, 0.2, true);
    choose(at, 0);
    check(at, SCALE_RULER, 0.2, 0.2);
    assert_true(says(at, "contradicts the ruler"));
    situation_free(at);
}

/* PS3.3 C.8.5.5.1.1 and C.8.5.5.1.2: centimetres down a trace are not those of the picture beside it */
static void a_region_that_shows_no_plane_of_tissue_gives_no_scale(void **state)
{
    static const struct {
        int format, type;
        const char *words;
    } rows[] = {
        {2, 1, "M-mode"},
        {3, 3, "a spectrum"},
        {4, 10, "a curve"},
        {5, 1, "graphics"},
        {0, 1, "nothing with an extent"},
        {1, 3, "something else than tissue"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct situation *at = situation_make(1);

        at->regions[0].spatial_format = rows[i].format;
        at->regions[0].data_type = rows[i].type;
        choose(at, 0);
        check(at, SCALE_NONE, 0, 0);
        assert_true(says(at, rows[i].words));
        situation_free(at);
    }
}

static void colour_flow_over_the_picture_stands_in_for_tissue(void **state)
{
    struct situation *at = situation_make(2);

    (void)state;
    at->regions[0].data_type = 2;
    at->regions[0].delta_x = at->regions[0].delta_y = 0.05;
    at->regions[1].box = (struct box){60, 50, 340, 270};
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.4, 0.4); /* tissue before colour */
    at->regions[1].data_type = 3;
    choose(at, 0);
    check(at, SCALE_DICOM_REGION, 0.5, 0.5);
    at->regions[0].box = (struct box){150, 100, 250, 200}; /* a small colour box */
    choose(at, 0);
    check(at, SCALE_NONE, 0, 0);
    situation_free(at);
}

static void a_ruler_alone_gives_the_scale_and_its_assumption(void **state)
{
    struct situation *at = situation_make(0);

    (void)state;
    set_ruler(at, 0.2, true);
    assert_true(text_list_add(&at->ruler.reasons, "centimetre ticks are assumed"));
    choose(at, 0);
    check(at, SCALE_RULER, 0.2, 0.2);
    assert_true(says(at, "centimetre ticks are assumed"));
    situation_free(at);
}

/* A captured video that was stretched without a word shows a ruler in one direction only. */
static void pixels_that_nothing_tells_of_are_taken_to_be_square_and_it_says_so(void **state)
{
    struct situation *at = situation_make(0);

    (void)state;
    set_ruler(at, 0.2, false);
    choose(at, 0);
    assert_false(says(at, "taken to be square"));
    at->facts.is_aspect_assumed = true;
    choose(at, 0);
    check(at, SCALE_RULER, 0.2, 0.2);
    assert_true(says(at, "taken to be square: the ruler measures depth only"));
    situation_free(at);
}

static void pixels_that_are_not_square_are_wider_by_their_aspect(void **state)
{
    struct situation *at = situation_make(0);

    (void)state;
    at->facts.pixel_aspect = 16.0 / 15.0;
    set_ruler(at, 0.2, false);
    choose(at, 0);
    check(at, SCALE_RULER, 0.2 * 16 / 15, 0.2);
    at->ruler.is_vertical = false;
    choose(at, 0);
    check(at, SCALE_RULER, 0.2, 0.2 * 15 / 16);
    at->ruler.is_found = false;
    choose(at, 0.3);
    check(at, SCALE_GIVEN, 0.3 * 16 / 15, 0.3);
    situation_free(at);
}

static void a_given_scale_wins_and_its_contradiction_is_told(void **state)
{
    struct situation *at = situation_make(1);

    (void)state;
    choose(at, 0.402);
    check(at, SCALE_GIVEN, 0.402, 0.402);
    assert_int_equal(at->scale.reasons.n, 0);
    choose(at, 0.42);
    check(at, SCALE_GIVEN, 0.42, 0.42);
    assert_true(says(at, "given scale of 0.4200"));
    situation_free(at);
}

static void without_any_scale_lengths_stay_pixels_and_it_says_so(void **state)
{
    struct situation *at = situation_make(0);

    (void)state;
    choose(at, 0);
    check(at, SCALE_NONE, 0, 0);
    assert_true(says(at, "--scale"));
    choose(at, NAN);
    check(at, SCALE_NONE, 0, 0);
    choose(at, -1);
    check(at, SCALE_NONE, 0, 0);
    situation_free(at);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(centimetres_a_pixel_become_millimetres),
        cmocka_unit_test(unequal_and_negative_steps_are_taken_per_axis),
        cmocka_unit_test(usual_pixels_are_not_doubted),
        cmocka_unit_test(a_doubled_step_is_taken_but_doubted),
        cmocka_unit_test(a_ruler_bears_out_one_side_of_a_pixel_only),
        cmocka_unit_test(pixels_that_the_file_states_twice_are_believed),
        cmocka_unit_test(a_given_scale_does_not_take_over_doubted_pixels),
        cmocka_unit_test(the_tissue_region_is_taken_though_another_stands_first),
        cmocka_unit_test(of_two_tissue_regions_the_one_with_the_picture_is_taken),
        cmocka_unit_test(only_centimetres_on_both_axes_make_a_scale),
        cmocka_unit_test(a_box_one_pixel_past_the_frame_is_clipped_and_told),
        cmocka_unit_test(a_box_far_outside_the_frame_is_a_stale_scale),
        cmocka_unit_test(an_impossible_depth_is_not_believed),
        cmocka_unit_test(a_ruler_that_agrees_leaves_the_file_its_word),
        cmocka_unit_test(a_ruler_that_contradicts_beats_the_file),
        cmocka_unit_test(ticks_of_unknown_meaning_take_it_from_a_region_that_fits),
        cmocka_unit_test(ticks_two_centimetres_apart_are_no_rulers),
        cmocka_unit_test(a_region_that_shows_no_plane_of_tissue_gives_no_scale),
        cmocka_unit_test(colour_flow_over_the_picture_stands_in_for_tissue),
        cmocka_unit_test(a_ruler_alone_gives_the_scale_and_its_assumption),
        cmocka_unit_test(pixels_that_nothing_tells_of_are_taken_to_be_square_and_it_says_so),
        cmocka_unit_test(pixels_that_are_not_square_are_wider_by_their_aspect),
        cmocka_unit_test(a_given_scale_wins_and_its_contradiction_is_told),
        cmocka_unit_test(without_any_scale_lengths_stay_pixels_and_it_says_so),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
