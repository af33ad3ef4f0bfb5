/* Contracts of image/raster.h. */
#include "image/raster.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static bool is_near(float value, double expected)
{
    return fabs((double)value - expected) < 1e-4;
}

static void a_raster_without_a_side_is_not_made(void **state)
{
    struct raster *none = NULL;

    (void)state;
    assert_null(raster_make(0, 5));
    assert_null(raster_make(5, -1));
    raster_free(&none);
    raster_free(NULL);
}

static void a_copy_is_its_own(void **state)
{
    struct raster *raster = raster_make(3, 2);
    struct raster *copy = NULL;

    (void)state;
    assert_non_null(raster);
    for (int i = 0; i < 6; i++)
        assert_true(raster->value[i] == 0.0F);
    raster->value[4] = 7.0F;
    copy = raster_copy(raster);
    assert_non_null(copy);
    assert_true(copy->width_px == 3 && copy->height_px == 2 && copy->value[4] == 7.0F);
    copy->value[4] = 1.0F;
    assert_true(raster->value[4] == 7.0F);
    raster_free(&raster);
    raster_free(&copy);
    assert_null(copy);
}

static void between_pixels_the_value_is_bilinear_and_outside_that_of_the_edge(void **state)
{
    struct raster *raster = raster_make(2, 2);

    (void)state;
    assert_non_null(raster);
    raster->value[1] = 4.0F; /* top right */
    raster->value[2] = 8.0F; /* bottom left */
    raster->value[3] = 20.0F;
    assert_true(is_near(raster_at(raster, 0.5, 0.0), 2.0));
    assert_true(is_near(raster_at(raster, 0.0, 0.25), 2.0));
    assert_true(is_near(raster_at(raster, 0.5, 0.5), 8.0));
    assert_true(is_near(raster_at(raster, 1.0, 1.0), 20.0));
    assert_true(is_near(raster_at(raster, -3.0, 9.0), 8.0));
    assert_true(is_near(raster_at(raster, 50.0, -50.0), 4.0));
    raster_free(&raster);
}

/* A spike becomes a Gaussian: sum 1, variance sigma^2 each way. */
static void smoothing_makes_a_spike_a_gaussian(void **state)
{
    enum { SIDE = 41, MIDDLE = 20 };
    struct raster *raster = raster_make(SIDE, SIDE);
    double sum = 0.0, xx = 0.0, yy = 0.0;

    (void)state;
    assert_non_null(raster);
    raster->value[MIDDLE * SIDE + MIDDLE] = 1.0F;
    assert_true(raster_smooth(raster, 3.0, 1.5));
    for (int y = 0; y < SIDE; y++)
        for (int x = 0; x < SIDE; x++) {
            double value = (double)raster->value[y * SIDE + x];

            sum += value;
            xx += value * (x - MIDDLE) * (x - MIDDLE);
            yy += value * (y - MIDDLE) * (y - MIDDLE);
        }
    assert_true(fabs(sum - 1.0) < 1e-4);
    assert_true(fabs(xx - 9.0) < 0.15 && fabs(yy - 2.25) < 0.05);
    raster_free(&raster);
}

static void smoothing_leaves_an_even_picture_and_other_rows_alone(void **state)
{
    struct raster *raster = raster_make(9, 3);

    (void)state;
    assert_non_null(raster);
    for (int i = 0; i < 27; i++)
        raster->value[i] = 10.0F * (float)(i / 9);
    assert_true(raster_smooth(raster, 2.0, 0.0)); /* along x only: rows are even */
    for (int i = 0; i < 27; i++)
        assert_true(is_near(raster->value[i], 10.0 * (i / 9)));
    raster_free(&raster);
}

static void reducing_averages_whole_and_part_pixels_by_area(void **state)
{
    static const uint8_t luma[2 * 6] = {0, 10, 20, 30, 40, 50, 100, 110, 120, 130, 140, 150};
    struct raster *halves = raster_make(3, 1);
    struct raster *parts = raster_make(2, 1);
    struct raster *beyond = raster_make(2, 1);

    (void)state;
    assert_true(halves && parts && beyond);
    raster_reduce(halves, luma, 6, 2, 0.0, 0.0, 2.0, 2.0);
    assert_true(is_near(halves->value[0], 55.0) && is_near(halves->value[2], 95.0));
    raster_reduce(parts, luma, 6, 2, 0.5, 0.0, 2.5, 1.0); /* half of 0, then 10 and 20: (0 + 10 + 20) / 2.5 */
    assert_true(is_near(parts->value[0], 30.0 / 2.5));
    assert_true(is_near(parts->value[1], (30.0 + 40.0 + 25.0) / 2.5));
    raster_reduce(beyond, luma, 6, 2, 6.0, 0.0, 1.0, 1.0); /* the nearest edge */
    assert_true(is_near(beyond->value[0], 50.0) && is_near(beyond->value[1], 50.0));
    raster_free(&halves);
    raster_free(&parts);
    raster_free(&beyond);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_raster_without_a_side_is_not_made),
        cmocka_unit_test(a_copy_is_its_own),
        cmocka_unit_test(between_pixels_the_value_is_bilinear_and_outside_that_of_the_edge),
        cmocka_unit_test(smoothing_makes_a_spike_a_gaussian),
        cmocka_unit_test(smoothing_leaves_an_even_picture_and_other_rows_alone),
        cmocka_unit_test(reducing_averages_whole_and_part_pixels_by_area),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
