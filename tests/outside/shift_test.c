/* Sub-pixel motion against known shifts and against two general libraries.
 *
 * Known: the speckle pictures of the open image-correlation data set "dice" (image k is image 0
 * moved by k, k pixels), and made speckle moved by a Fourier shift, exact for a band-limited
 * picture. Libraries: OpenCV phaseCorrelate and scikit-image phase_cross_correlation, by
 * tests/outside/general_libraries.py. */
#include "../support/outside.h"
#include "image/raster.h"
#include "motion/patch.h"
#include "motion/shift.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* dice: image numbers are exact, the pictures are 8-bit; both libraries stay within 0.07 px of them */
static const double EXACT_PX = 0.10;
static const double REACH_PX = 9.0; /* peaks nearer to each other are one answer */

static struct raster *plane_of(const char *path, int width_px, int height_px)
{
    size_t n = (size_t)width_px * (size_t)height_px;
    struct raster *plane = raster_make(width_px, height_px);
    float *values = outside_raw(path, n);

    assert_non_null(plane);
    memcpy(plane->value, values, n * sizeof *values);
    free(values);
    return plane;
}

static struct raster *sample_plane(const char *name, const char *folder)
{
    char path[512];
    char raw[128];
    double size[2];

    if (!outside_sample(path, sizeof path, name))
        skip();
    (void)snprintf(raw, sizeof raw, "%s/picture.raw", folder);
    assert_int_equal(outside_numbers(size, 2, "picture '%s' '%s'", path, raw), 2);
    return plane_of(raw, (int)size[0], (int)size[1]);
}

/** Our shift between two samples, and what the two libraries say of it (OpenCV x, y, scikit-image x, y). */
static void shift_of_samples(const char *from_name, const char *to_name, double ours[2], double theirs[4])
{
    char from_path[512];
    char to_path[512];
    char folder[64];
    struct raster *from = NULL;
    struct raster *to = NULL;
    struct shift *shift = NULL;
    struct shift_answer found;

    if (!outside_sample(from_path, sizeof from_path, from_name) ||
        !outside_sample(to_path, sizeof to_path, to_name))
        skip();
    outside_folder(folder);
    from = sample_plane(from_name, folder);
    to = sample_plane(to_name, folder);
    shift = shift_make(from->width_px, from->height_px);
    assert_non_null(shift);
    found = shift_find(shift, from, to, NULL, REACH_PX);
    assert_true(found.height > 3);
    assert_true(found.lead >= SHIFT_SURE_LEAD);
    ours[0] = found.dx_px;
    ours[1] = found.dy_px;
    assert_int_equal(outside_numbers(theirs, 4, "shift '%s' '%s'", from_path, to_path), 4);
    shift_free(&shift);
    raster_free(&from);
    raster_free(&to);
    outside_folder_remove(folder);
}

static void a_picture_moved_by_whole_pixels_is_found_where_it_went(void **state)
{
    double ours[2];
    double theirs[4];
    char name[64];

    (void)state;
    for (int k = 1; k <= 5; k++) {
        (void)snprintf(name, sizeof name, "motion/dice/defSyntheticSpeckled%d.tif", k);
        shift_of_samples("motion/dice/defSyntheticSpeckled0.tif", name, ours, theirs);
        print_message("moved %d: ours %.3f %.3f, OpenCV %.3f %.3f, scikit-image %.3f %.3f\n", k, ours[0],
                      ours[1], theirs[0], theirs[1], theirs[2], theirs[3]);
        assert_true(fabs(ours[0] - k) < EXACT_PX && fabs(ours[1] - k) < EXACT_PX);
        assert_true(fabs(ours[0] - theirs[2]) < EXACT_PX && fabs(ours[1] - theirs[3]) < EXACT_PX);
    }
}

static void a_large_shift_is_found_as_the_libraries_find_it(void **state)
{
    double ours[2];
    double theirs[4];

    (void)state;
    shift_of_samples("motion/dice/refSpeckled.tif", "motion/dice/shiftSpeckled_160x140y.tif", ours, theirs);
    print_message("ours %.3f %.3f, OpenCV %.3f %.3f, scikit-image %.3f %.3f\n", ours[0], ours[1], theirs[0],
                  theirs[1], theirs[2], theirs[3]);
    assert_true(fabs(ours[0] - 160) < 0.2 && fabs(ours[1] - 140) < 0.2);
    assert_true(fabs(ours[0] - theirs[2]) < 0.2 && fabs(ours[1] - theirs[3]) < 0.2);
}

enum { N_SPECKLE = 6 };

/* x px, y px, correlation with the first picture */
static const double moves[N_SPECKLE][3] = {
    {0.25, -0.40, 1.00}, {1.37, 2.71, 1.00}, {-3.20, 0.60, 0.95},
    {2.10, -2.45, 0.90}, {0.05, 0.03, 0.90}, {-1.50, 3.50, 0.80},
};

/** Makes the speckle pictures; fills the libraries' answers, 4 a move. */
static void make_speckle(const char *folder, struct raster *planes[N_SPECKLE + 1],
                         double theirs[N_SPECKLE][4])
{
    char list[512] = "";
    double numbers[2 + 4 * N_SPECKLE];
    char path[128];

    for (int i = 0; i < N_SPECKLE; i++)
        (void)snprintf(list + strlen(list), sizeof list - strlen(list), " %g %g %g", moves[i][0], moves[i][1],
                       moves[i][2]);
    assert_int_equal(outside_numbers(numbers, 2 + 4 * N_SPECKLE, "speckle '%s' %s", folder, list),
                     2 + 4 * N_SPECKLE);
    memcpy(theirs, numbers + 2, sizeof(double[N_SPECKLE][4]));
    for (int i = 0; i <= N_SPECKLE; i++) {
        (void)snprintf(path, sizeof path, "%s/%d.raw", folder, i);
        planes[i] = plane_of(path, (int)numbers[0], (int)numbers[1]);
    }
}

static void sub_pixel_shifts_of_speckle_are_found_to_a_fifth_of_a_pixel(void **state)
{
    char folder[64];
    struct raster *planes[N_SPECKLE + 1];
    double theirs[N_SPECKLE][4];
    struct shift *shift = NULL;

    (void)state;
    outside_folder(folder);
    make_speckle(folder, planes, theirs);
    shift = shift_make(planes[0]->width_px, planes[0]->height_px);
    assert_non_null(shift);
    for (int i = 0; i < N_SPECKLE; i++) {
        struct shift_answer found = shift_find(shift, planes[0], planes[i + 1], NULL, REACH_PX);
        double ours = hypot(found.dx_px - moves[i][0], found.dy_px - moves[i][1]);
        double opencv = hypot(theirs[i][0] - moves[i][0], theirs[i][1] - moves[i][1]);
        double skimage = hypot(theirs[i][2] - moves[i][0], theirs[i][3] - moves[i][1]);

        print_message("correlation %.2f: error ours %.3f, OpenCV %.3f, scikit-image %.3f px\n", moves[i][2],
                      ours, opencv, skimage);
        assert_true(found.height > 3);
        assert_true(found.lead >= SHIFT_SURE_LEAD);
        assert_true(ours < 0.2); /* a first guess: patches refine it; the libraries reach 0.05 to 0.15 */
    }
    shift_free(&shift);
    for (int i = 0; i <= N_SPECKLE; i++)
        raster_free(&planes[i]);
    outside_folder_remove(folder);
}

static void a_patch_is_followed_to_a_fraction_of_its_stated_error(void **state)
{
    char folder[64];
    struct raster *planes[N_SPECKLE + 1];
    double theirs[N_SPECKLE][4];

    (void)state;
    outside_folder(folder);
    make_speckle(folder, planes, theirs);
    for (int i = 0; i < N_SPECKLE; i++) {
        double square = 0;
        double stated = 0;
        double bias_x = 0;
        double bias_y = 0;
        int n = 0;
        int n_lost = 0;

        for (int y = 40; y <= 216; y += 22)
            for (int x = 40; x <= 216; x += 22) {
                struct patch *patch = patch_make(planes[0], x, y, 7.0, 7.0);
                struct patch_match match = {.x_px = x + round(moves[i][0]), .y_px = y + round(moves[i][1])};

                assert_non_null(patch);
                if (patch_find(patch, planes[i + 1], 4.0, &match)) {
                    double ex = match.x_px - x - moves[i][0];
                    double ey = match.y_px - y - moves[i][1];

                    square += ex * ex + ey * ey;
                    bias_x += ex;
                    bias_y += ey;
                    stated += match.error_px[0] * match.error_px[0] + match.error_px[1] * match.error_px[1];
                    n++;
                } else {
                    n_lost++;
                }
                patch_free(&patch);
            }
        assert_true(n > 0);
        print_message("correlation %.2f: error %.3f px rms, stated %.3f, bias %.3f %.3f, lost %d of %d\n",
                      moves[i][2], sqrt(square / n), sqrt(stated / n), bias_x / n, bias_y / n, n_lost,
                      n + n_lost);
        assert_true(n_lost * 20 <= n + n_lost);
        /* no pull toward whole pixels beyond 0.03 px and what chance allows (four standard errors of the
         * mean) */
        assert_true(fabs(bias_x / n) < 0.03 + 4 * sqrt(square / n / 2 / n));
        assert_true(fabs(bias_y / n) < 0.03 + 4 * sqrt(square / n / 2 / n));
        assert_true(sqrt(square / n) < (moves[i][2] > 0.99 ? 0.05 : 0.5));
        if (moves[i][2] < 0.99) { /* the stated error is neither boast nor excuse */
            assert_true(sqrt(square) < 2.0 * sqrt(stated));
            assert_true(sqrt(square) > 0.3 * sqrt(stated));
        }
    }
    for (int i = 0; i <= N_SPECKLE; i++)
        raster_free(&planes[i]);
    outside_folder_remove(folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_picture_moved_by_whole_pixels_is_found_where_it_went),
        cmocka_unit_test(a_large_shift_is_found_as_the_libraries_find_it),
        cmocka_unit_test(sub_pixel_shifts_of_speckle_are_found_to_a_fifth_of_a_pixel),
        cmocka_unit_test(a_patch_is_followed_to_a_fraction_of_its_stated_error),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
