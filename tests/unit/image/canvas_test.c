/* Contracts of image/canvas.h. */
#include "image/canvas.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { WIDTH = 640, HEIGHT = 480 };

/* A frame whose picture is the box (40,30)-(599,449): 560 x 420. */
static uint8_t mask[WIDTH * HEIGHT];

static struct picture picture_make(void)
{
    memset(mask, 0, sizeof mask);
    for (int y = 30; y <= 449; y++)
        memset(mask + y * WIDTH + 40, 255, 560);
    return (struct picture){.width_px = WIDTH,
                            .height_px = HEIGHT,
                            .mask = mask,
                            .outline = mask,
                            .box = {40, 30, 599, 449},
                            .is_found = true};
}

static struct canvas canvas_make(double mm_per_px)
{
    struct picture picture = picture_make();
    struct scale scale = {.source = mm_per_px > 0.0 ? SCALE_GIVEN : SCALE_NONE,
                          .mm_per_px_x = mm_per_px,
                          .mm_per_px_y = mm_per_px};

    return canvas_lay(&picture, &scale);
}

static void pixels_are_joined_only_where_they_are_finer_than_tracking_needs(void **state)
{
    struct canvas coarse = canvas_make(0.25);
    struct canvas fine = canvas_make(0.06);

    (void)state;
    assert_int_equal(coarse.step_px, 1);
    assert_int_equal(coarse.width_px, 560);
    assert_int_equal(coarse.height_px, 420);
    assert_true(fine.step_px > 1);
    assert_true(fine.mm_per_px_x > 0.1 && fine.mm_per_px_x <= 0.2 + 1e-12);
    assert_true(fabs(fine.mm_per_px_x - 0.06 * fine.step_px) < 1e-12);
    assert_int_equal(fine.width_px, 560 / fine.step_px);
}

static void without_a_scale_millimetres_are_nominal_and_say_so(void **state)
{
    struct canvas nominal = canvas_make(0.0);

    (void)state;
    assert_true(nominal.is_nominal);
    assert_true(fabs(nominal.mm_per_px_y * nominal.height_px - CANVAS_NOMINAL_DEPTH_MM) < 0.5);
    assert_false(canvas_make(0.25).is_nominal);
}

static void places_go_to_the_canvas_and_back(void **state)
{
    static const double scales[] = {0.25, 0.09, 0.05};

    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct canvas canvas = canvas_make(scales[i]);
        struct point place = {.x_px = 123.4, .y_px = 345.6};
        struct point corner = {.x_px = 39.5, .y_px = 29.5}; /* outer corner of the picture's first pixel */
        struct point there = canvas_from_frame(&canvas, corner);
        struct point back = canvas_to_frame(&canvas, canvas_from_frame(&canvas, place));

        assert_true(fabs(back.x_px - place.x_px) < 1e-9 && fabs(back.y_px - place.y_px) < 1e-9);
        assert_true(fabs(there.x_px + 0.5) < 1e-9 && fabs(there.y_px + 0.5) < 1e-9);
    }
}

/* A spot drawn in the frame is found where canvas_from_frame says, also with pixels joined. */
static void a_spot_lies_where_its_place_says(void **state)
{
    static const double scales[] = {0.25, 0.06};

    (void)state;
    for (int k = 0; k < 2; k++) {
        struct canvas canvas = canvas_make(scales[k]);
        struct frame *frame = frame_make(WIDTH, HEIGHT, 0);
        struct raster *raster = NULL;
        struct point spot = {.x_px = 301.3, .y_px = 208.7};
        struct point place = canvas_from_frame(&canvas, spot);
        double sum = 0.0, x_sum = 0.0, y_sum = 0.0;

        assert_non_null(frame);
        for (int y = 190; y < 230; y++)
            for (int x = 280; x < 325; x++) {
                double away = hypot(x - spot.x_px, y - spot.y_px) / 4.0;

                frame->luma[y * WIDTH + x] = (uint8_t)lrint(200.0 * exp(-0.5 * away * away));
            }
        raster = canvas_take(&canvas, frame);
        assert_non_null(raster);
        for (int y = 0; y < raster->height_px; y++)
            for (int x = 0; x < raster->width_px; x++) {
                double value = (double)raster->value[y * raster->width_px + x];

                sum += value;
                x_sum += value * x;
                y_sum += value * y;
            }
        assert_true(fabs(x_sum / sum - place.x_px) < 0.02 && fabs(y_sum / sum - place.y_px) < 0.02);
        raster_free(&raster);
        frame_free(&frame);
    }
}

static void the_window_is_whole_inside_and_nothing_outside(void **state)
{
    struct picture picture = picture_make();
    struct canvas canvas = canvas_make(0.25);
    struct raster *window = NULL;

    (void)state;
    for (int y = 30; y <= 449; y++) /* the right half does not belong to the picture */
        memset(mask + y * WIDTH + 320, 0, 280);
    window = canvas_window(&canvas, &picture);
    assert_non_null(window);
    assert_true(raster_at(window, 100.0, 200.0) > 0.99F);
    assert_true(raster_at(window, 400.0, 200.0) < 0.01F);
    assert_true(raster_at(window, 280.5, 200.0) < 0.05F); /* softened inward: nothing at the border itself */
    for (int x = 1; x < window->width_px; x++)
        assert_true(window->value[200 * window->width_px + x] <=
                    window->value[200 * window->width_px + x - 1] + 1e-6F);
    raster_free(&window);
}

static void distances_are_in_millimetres_whatever_the_pixel(void **state)
{
    struct canvas canvas = canvas_make(0.06);
    struct point a = canvas_from_frame(&canvas, (struct point){100.0, 100.0});
    struct point b = canvas_from_frame(&canvas, (struct point){130.0, 140.0});

    (void)state;
    assert_true(fabs(canvas_distance_mm(&canvas, a, b) - 50.0 * 0.06) < 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pixels_are_joined_only_where_they_are_finer_than_tracking_needs),
        cmocka_unit_test(without_a_scale_millimetres_are_nominal_and_say_so),
        cmocka_unit_test(places_go_to_the_canvas_and_back),
        cmocka_unit_test(a_spot_lies_where_its_place_says),
        cmocka_unit_test(the_window_is_whole_inside_and_nothing_outside),
        cmocka_unit_test(distances_are_in_millimetres_whatever_the_pixel),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
