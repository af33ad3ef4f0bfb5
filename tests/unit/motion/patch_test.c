/* Contracts of motion/patch.h, on texture whose motion is known exactly (tests/support/speckle_fixture.h). */
#include "../../support/speckle_fixture.h"
#include "motion/patch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { SIDE = 96, MIDDLE = 48 };
static const double SIGMA_PX = 6.0;

/* Finds the piece round the middle of `from` in `to`, starting at the whole pixel next to the true place. */
static bool find(const struct raster *from, const struct raster *to, double start_x_px, double start_y_px,
                 double reach_px, struct patch_match *match)
{
    struct patch *patch = patch_make(from, MIDDLE, MIDDLE, SIGMA_PX, SIGMA_PX);
    bool is_found = false;

    assert_non_null(patch);
    match->x_px = start_x_px;
    match->y_px = start_y_px;
    is_found = patch_find(patch, to, reach_px, match);
    patch_free(&patch);
    assert_null(patch);
    return is_found;
}

static void a_patch_is_found_again_after_a_shift_of_a_fraction_of_a_pixel(void **state)
{
    static const double shifts[][2] = {{0.25, -0.4}, {0.5, 0.5}, {-0.9, 0.1}, {1.3, -2.7}};

    (void)state;
    for (size_t i = 0; i < sizeof shifts / sizeof shifts[0]; i++)
        for (long seed = 1; seed <= 10; seed++) {
            struct rigid moved = {.shift_x = shifts[i][0], .shift_y = shifts[i][1]};
            struct raster *from = speckle_fixture_picture(SIDE, SIDE, seed, NULL);
            struct raster *to = speckle_fixture_picture(SIDE, SIDE, seed, &moved);
            struct patch_match match = {0};

            assert_true(
                find(from, to, MIDDLE + round(shifts[i][0]), MIDDLE + round(shifts[i][1]), 3.0, &match));
            if (hypot(match.x_px - MIDDLE - shifts[i][0], match.y_px - MIDDLE - shifts[i][1]) > 0.05)
                fail_msg("seed %ld, shift %g %g: found %.3f %.3f", seed, shifts[i][0], shifts[i][1],
                         match.x_px - MIDDLE, match.y_px - MIDDLE);
            assert_true(match.correlation > 0.99);
            raster_free(&from);
            raster_free(&to);
        }
}

/* Texture lies unevenly in a patch: a turn by 3 degrees about its middle, which moves its edge by 0.6 px,
 * carried it off by 0.09 px (root mean square) where patches were taken to be stiff. */
static void a_piece_that_turns_is_not_carried_off(void **state)
{
    const struct rigid moved = {.pivot_x = MIDDLE, .pivot_y = MIDDLE, .turn_rad = 0.052};
    double square = 0.0;

    (void)state;
    for (long seed = 1; seed <= 20; seed++) {
        struct raster *from = speckle_fixture_picture(SIDE, SIDE, seed, NULL);
        struct raster *to = speckle_fixture_picture(SIDE, SIDE, seed, &moved);
        struct patch_match match = {0};

        assert_true(find(from, to, MIDDLE, MIDDLE, 3.0, &match));
        square += (pow(match.x_px - MIDDLE, 2) + pow(match.y_px - MIDDLE, 2)) / 20.0;
        raster_free(&from);
        raster_free(&to);
    }
    print_message("%.3f px off (root mean square)\n", sqrt(square));
    assert_true(sqrt(square) < 0.05);
}

static void gain_and_offset_of_the_picture_do_not_matter(void **state)
{
    struct rigid moved = {.shift_x = 0.6, .shift_y = -0.3};
    struct raster *from = speckle_fixture_picture(SIDE, SIDE, 7, NULL);
    struct raster *to = speckle_fixture_picture(SIDE, SIDE, 7, &moved);
    struct patch_match plain = {0};
    struct patch_match bright = {0};

    (void)state;
    assert_true(find(from, to, MIDDLE, MIDDLE, 3.0, &plain));
    for (size_t i = 0; i < (size_t)SIDE * SIDE; i++)
        to->value[i] = 40.0F + 0.35F * to->value[i];
    assert_true(find(from, to, MIDDLE, MIDDLE, 3.0, &bright));
    assert_true(hypot(plain.x_px - bright.x_px, plain.y_px - bright.y_px) < 0.002);
    assert_true(fabs(plain.correlation - bright.correlation) < 1e-4);
    raster_free(&from);
    raster_free(&to);
}

static void noise_lowers_the_correlation_and_widens_the_stated_error(void **state)
{
    struct raster *from = speckle_fixture_picture(SIDE, SIDE, 8, NULL);
    struct raster *to = speckle_fixture_picture(SIDE, SIDE, 8, NULL);
    struct patch_match clean = {0};
    struct patch_match noisy = {0};

    (void)state;
    assert_true(find(from, to, MIDDLE, MIDDLE, 3.0, &clean));
    speckle_fixture_noise(to, 8, 15.0, 1.5); /* true correlation 25 / hypot(25, 15) = 0.86 */
    assert_true(find(from, to, MIDDLE, MIDDLE, 3.0, &noisy));
    assert_true(fabs(noisy.correlation - 0.86) < 0.08);
    assert_true(noisy.error_px[0] > 3.0 * clean.error_px[0] && noisy.error_px[1] > 3.0 * clean.error_px[1]);
    assert_true(hypot(noisy.x_px - MIDDLE, noisy.y_px - MIDDLE) <
                4.0 * hypot(noisy.error_px[0], noisy.error_px[1]));
    raster_free(&from);
    raster_free(&to);
}

static void other_tissue_is_not_taken_for_the_patch(void **state)
{
    int n_taken = 0;

    (void)state;
    for (long seed = 1; seed <= 20; seed++) {
        struct raster *from = speckle_fixture_picture(SIDE, SIDE, seed, NULL);
        struct raster *to = speckle_fixture_picture(SIDE, SIDE, seed + 100, NULL);
        struct patch_match match = {0};

        n_taken += find(from, to, MIDDLE, MIDDLE, 3.0, &match) && match.correlation > 0.8;
        raster_free(&from);
        raster_free(&to);
    }
    assert_int_equal(n_taken, 0);
}

static void a_patch_out_of_reach_is_not_found_and_the_start_is_kept(void **state)
{
    struct rigid moved = {.shift_x = 3.0};
    struct raster *from = speckle_fixture_picture(SIDE, SIDE, 9, NULL);
    struct raster *to = speckle_fixture_picture(SIDE, SIDE, 9, &moved);
    struct patch_match match = {0};

    (void)state;
    assert_true(find(from, to, MIDDLE + 2.0, MIDDLE, 1.5, &match));
    assert_false(find(from, to, MIDDLE + 1.0, MIDDLE, 1.0, &match));
    assert_true(match.x_px == MIDDLE + 1.0 && match.y_px == MIDDLE && match.correlation == 0.0);
    raster_free(&from);
    raster_free(&to);
}

static void a_piece_without_texture_or_at_the_edge_is_refused(void **state)
{
    struct raster *flat = raster_make(SIDE, SIDE);
    struct raster *lines = raster_make(SIDE, SIDE);
    struct raster *speckle = speckle_fixture_picture(SIDE, SIDE, 10, NULL);
    struct patch *patch = NULL;

    (void)state;
    assert_true(flat != NULL && lines != NULL);
    for (size_t i = 0; i < (size_t)SIDE * SIDE; i++) {
        flat->value[i] = 60.0F;
        lines->value[i] = 100.0F + 30.0F * (float)sin(0.7 * (double)(i / SIDE)); /* nothing changes along x */
    }
    assert_null(patch_make(flat, MIDDLE, MIDDLE, SIGMA_PX, SIGMA_PX));
    assert_null(patch_make(lines, MIDDLE, MIDDLE, SIGMA_PX, SIGMA_PX));
    assert_null(patch_make(speckle, 8, MIDDLE, SIGMA_PX, SIGMA_PX));
    assert_null(patch_make(speckle, MIDDLE, SIDE - 4, SIGMA_PX, SIGMA_PX));
    patch = patch_make(speckle, 14, MIDDLE, SIGMA_PX, SIGMA_PX); /* two deviations and a pixel fit */
    assert_non_null(patch);
    patch_free(&patch);
    raster_free(&flat);
    raster_free(&lines);
    raster_free(&speckle);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_patch_is_found_again_after_a_shift_of_a_fraction_of_a_pixel),
        cmocka_unit_test(a_piece_that_turns_is_not_carried_off),
        cmocka_unit_test(gain_and_offset_of_the_picture_do_not_matter),
        cmocka_unit_test(noise_lowers_the_correlation_and_widens_the_stated_error),
        cmocka_unit_test(other_tissue_is_not_taken_for_the_patch),
        cmocka_unit_test(a_patch_out_of_reach_is_not_found_and_the_start_is_kept),
        cmocka_unit_test(a_piece_without_texture_or_at_the_edge_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
