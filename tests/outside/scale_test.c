/* Scale and picture on real recordings, against what the devices themselves say of them.
 *
 * Stated by the file: DICOM PS3.3 C.8.5.5 regions, read with pydicom when the samples were
 * collected. Stated by the screen: depth, rulers and callipers burned into the frames. The
 * target is 1 %. */
#include "../support/outside.h"
#include "image/picture.h"
#include "image/ruler.h"
#include "image/scale.h"
#include "image/survey.h"
#include "media/loop.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const double TARGET = 0.01;

struct look {
    struct loop *loop;
    struct survey *survey;
    struct picture *picture;
    struct ruler ruler;
    struct scale scale;
};

static void look_at(struct look *look, const char *name)
{
    char path[512];
    struct error *err = NULL;

    *look = (struct look){0};
    if (!outside_sample(path, sizeof path, name))
        skip();
    assert_true(loop_open(&look->loop, path, &err));
    assert_true(survey_make(&look->survey, look->loop, &err));
    assert_true(picture_find(&look->picture, look->survey, loop_facts(look->loop), &err));
    assert_true(ruler_find(&look->ruler, look->survey, look->picture, &err));
    scale_choose(&look->scale, loop_facts(look->loop), look->picture, &look->ruler, 0);
}

static void look_end(struct look *look)
{
    scale_free(&look->scale);
    ruler_free(&look->ruler);
    picture_free(&look->picture);
    survey_free(&look->survey);
    loop_close(&look->loop);
}

static bool is_near(double value, double truth)
{
    return fabs(value / truth - 1) <= TARGET;
}

static bool says(const struct text_list *reasons, const char *words)
{
    for (size_t i = 0; i < reasons->n; i++)
        if (strstr(reasons->items[i], words) != NULL)
            return true;
    return false;
}

/* Philips CX50: region 0.0262288 cm a pixel; its box ends one pixel past the frame. The same screen
 * carries a centimetre ruler with longer ticks every 5 cm, and a calliper of 1.06 cm over 40 px. */
static void an_obstetric_stills_region_and_ruler_agree(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "dicom/pydicom-data__OBXXXX1A.dcm");
    assert_int_equal(look.scale.source, SCALE_DICOM_REGION);
    assert_true(is_near(look.scale.mm_per_px_y, 0.262288));
    assert_true(fabs(40 * look.scale.mm_per_px_x - 10.6) < 0.27); /* one pixel */
    assert_true(says(&look.scale.reasons, "1 px outside"));
    assert_true(look.ruler.is_found);
    assert_true(is_near(look.ruler.mm_per_px, 0.262288));
    look_end(&look);
}

/* The same screen cropped to 350 rows: the region reaches outside, the ruler is still there. */
static void a_cropped_still_is_scaled_by_its_ruler(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "dicom/pydicom__examples_palette.dcm");
    assert_int_equal(look.scale.source, SCALE_RULER);
    assert_true(is_near(look.scale.mm_per_px_y, 0.262288));
    look_end(&look);
}

/* SonoSite: 640 x 480 halved to 320 x 240, the region was not: it states 0.510497 mm a pixel, half of
 * the truth. The dots at the right margin, with larger ones every 5 cm and "19" at the end, show it. */
static void a_stale_scale_is_unmasked_by_the_ruler(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "dicom/pydicom__examples_ybr_color.dcm");
    assert_int_equal(look.scale.source, SCALE_RULER);
    assert_true(is_near(look.scale.mm_per_px_y, 2 * 0.510497));
    assert_true(says(&look.scale.reasons, "not believed"));
    look_end(&look);
}

/* Acuson: 0.229375 cm a pixel, negative across: a field 46 cm deep. Its dots run along the slanted edges. */
static void an_impossible_scale_is_not_believed(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "dicom/dicomParser__IM00001_implicit_le.dcm");
    assert_true(look.scale.source != SCALE_DICOM_REGION);
    assert_true(says(&look.scale.reasons, "463 mm deep"));
    assert_true(look.picture->has_colour_box); /* colour flow */
    look_end(&look);
}

/* Aloka: two pictures side by side, 0.0382653 cm a pixel, centimetre ticks along the lower edge. */
static void of_two_pictures_side_by_side_one_is_measured(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "dicom/pydicom-data__gdcm-US-ALOKA-16_big.dcm");
    assert_int_equal(look.scale.source, SCALE_DICOM_REGION);
    assert_true(is_near(look.scale.mm_per_px_x, 0.382653));
    assert_true(look.picture->box.left_px >= 334 || look.picture->box.right_px <= 337);
    assert_true(look.ruler.is_found);
    assert_true(is_near(look.ruler.mm_per_px, 0.382653));
    look_end(&look);
}

/* Philips EPIQ 7C: 0.0254767 cm a pixel; its calliper reads 3.3 cm over 131 px. */
static void an_echo_stills_calliper_confirms_the_region(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "dicom/pydicom-data__JPGLosslessP14SV1_1s_1f_8b.dcm");
    assert_int_equal(look.scale.source, SCALE_DICOM_REGION);
    assert_true(fabs(131 * look.scale.mm_per_px_y - 33) < 0.5);
    assert_true(look.picture->is_found);
    assert_true(look.picture->box.left_px >= 14 && look.picture->box.right_px <= 1010); /* the region */
    look_end(&look);
}

/* A screen that states "Depth 7.0cm": the dots at its left span that depth. */
static void the_dots_of_a_screen_span_the_depth_it_states(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "motion/plus_wiredrift/wiredrift_10fps.avi");
    assert_int_equal(look.scale.source, SCALE_RULER);
    assert_true(is_near((look.ruler.last_px.y_px - look.ruler.first_px.y_px) * look.scale.mm_per_px_y, 70));
    look_end(&look);
}

/* Clips cropped to the tissue: whatever is evenly spaced in them is no ruler. */
static void cropped_clips_have_a_picture_and_no_scale(void **state)
{
    static const char *const names[] = {
        "video/convex__Cov_convex_volpecelli_sonographic_v2.mov", "video/convex__Reg_Image_182340_crop.mp4",
        "video/convex__Reg_pat1Image_132943.mpeg", "video/linear__Reg_Image_181206_crop.mp4"};

    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct look look;

        look_at(&look, names[i]);
        assert_int_equal(look.scale.source, SCALE_NONE);
        assert_true(look.scale.mm_per_px_y == 0);
        assert_true(look.picture->is_found);
        look_end(&look);
    }
}

/* The linear probe's clip: its picture ends at a black margin from column 206 on. */
static void a_linear_probes_clip_is_a_box(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "video/linear__Reg_Image_181206_crop.mp4");
    assert_false(look.picture->has_apex);
    assert_in_range(look.picture->box.right_px, 202, 208);
    assert_int_equal(look.picture->box.bottom_px, 233);
    look_end(&look);
}

static size_t count_pictures(const struct survey *survey)
{
    size_t n = 0;

    for (size_t i = 0; i < survey->n_frames; i++)
        n += !survey->is_repeat[i];
    return n;
}

/* Clips recorded faster than their pictures changed: "ffmpeg -vf mpdecimate" (5.1) keeps 148 of 402
 * frames of the first and 83 of 123 of the second. A slower picture, not a freeze. */
static void an_upconverted_clip_is_a_slower_picture(void **state)
{
    struct look look;

    (void)state;
    look_at(&look, "video/convex__Cov_convex_volpecelli_sonographic_v2.mov");
    assert_true(look.survey->frozen_s == 0);
    assert_true(fabs((double)count_pictures(look.survey) - 148) < 0.05 * 148);
    assert_true(says(&look.survey->problems, "only repeat the one before"));
    look_end(&look);
    look_at(&look, "video/convex__Vir_whitelung_h1n1.mp4");
    assert_true(fabs((double)count_pictures(look.survey) - 83) < 0.05 * 83);
    look_end(&look);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_obstetric_stills_region_and_ruler_agree),
        cmocka_unit_test(a_cropped_still_is_scaled_by_its_ruler),
        cmocka_unit_test(a_stale_scale_is_unmasked_by_the_ruler),
        cmocka_unit_test(an_impossible_scale_is_not_believed),
        cmocka_unit_test(of_two_pictures_side_by_side_one_is_measured),
        cmocka_unit_test(an_echo_stills_calliper_confirms_the_region),
        cmocka_unit_test(the_dots_of_a_screen_span_the_depth_it_states),
        cmocka_unit_test(cropped_clips_have_a_picture_and_no_scale),
        cmocka_unit_test(a_linear_probes_clip_is_a_box),
        cmocka_unit_test(an_upconverted_clip_is_a_slower_picture),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
