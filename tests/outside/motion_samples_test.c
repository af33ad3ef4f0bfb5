/* Motion in real ultrasound whose truth was recorded beside it:
 *   plus_watertank  the probe moved over a water-tank bottom; a position tracker counted 17 cycles, 0.986 Hz
 *   plus_wiredrift  bright wire spots against a stepper encoder: 0.959 px a mm (r = 0.992, residual 1.8 px)
 *   pymust_disk     a speckle disk that turns rigidly; OpenCV's Euclidean alignment says 0.367 degrees a
 * frame Sources: open PLUS toolkit library data (BSD) and PyMUST (LGPL). */
#include "../support/outside.h"
#include "image/raster.h"
#include "media/loop.h"
#include "motion/patch.h"
#include "motion/rigid.h"
#include "motion/shift.h"

#include <complex.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const double PI = 3.14159265358979323846;

enum { MOST_FRAMES = 256 };

/** Rasters and times of a whole short loop. */
struct short_loop {
    size_t n;
    struct raster *picture[MOST_FRAMES];
    double time_s[MOST_FRAMES];
};

static void read_loop(struct short_loop *all, const char *name)
{
    char path[512];
    struct loop *loop = NULL;
    struct error *err = NULL;
    struct frame *frame = NULL;

    if (!outside_sample(path, sizeof path, name))
        skip();
    all->n = 0;
    if (!loop_open(&loop, path, &err))
        fail_msg("%s", error_message(err));
    while (all->n < MOST_FRAMES && loop_read(loop, 0, false, &frame, &err) == LOOP_FRAME) {
        struct raster *picture = raster_make(frame->width_px, frame->height_px);

        assert_non_null(picture);
        raster_reduce(picture, frame->luma, frame->width_px, frame->height_px, -0.5, -0.5, 1, 1);
        all->time_s[all->n] = frame->time_s;
        all->picture[all->n++] = picture;
        frame_free(&frame);
    }
    assert_null(err);
    loop_close(&loop);
}

static void drop_loop(struct short_loop *all)
{
    for (size_t i = 0; i < all->n; i++)
        raster_free(&all->picture[i]);
}

static double correlation(const double *a, const double *b, size_t n)
{
    double ma = 0;
    double mb = 0;
    double ab = 0;
    double aa = 0;
    double bb = 0;

    for (size_t i = 0; i < n; i++) {
        ma += a[i] / (double)n;
        mb += b[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        ab += (a[i] - ma) * (b[i] - mb);
        aa += (a[i] - ma) * (a[i] - ma);
        bb += (b[i] - mb) * (b[i] - mb);
    }
    return ab / sqrt(aa * bb);
}

/** Slope and intercept of y over x by least squares; returns the residual's standard deviation. */
static double line_through(const double *x, const double *y, size_t n, double *slope, double *at_zero)
{
    double sx = 0;
    double sy = 0;
    double sxx = 0;
    double sxy = 0;
    double square = 0;
    double count = (double)n;

    for (size_t i = 0; i < n; i++) {
        sx += x[i];
        sy += y[i];
        sxx += x[i] * x[i];
        sxy += x[i] * y[i];
    }
    *slope = (count * sxy - sx * sy) / (count * sxx - sx * sx);
    *at_zero = (sy - *slope * sx) / count;
    for (size_t i = 0; i < n; i++)
        square += pow(y[i] - *at_zero - *slope * x[i], 2);
    return sqrt(square / (count - 2));
}

/** The frequency whose wave explains the unevenly sampled values best (Lomb-Scargle by brute force). */
static double strongest_hz(const double *time_s, const double *value, size_t n, double low_hz, double high_hz)
{
    double slope = 0;
    double at_zero = 0;
    double best = 0;
    double best_hz = 0;

    (void)line_through(time_s, value, n, &slope, &at_zero);
    for (double hz = low_hz; hz <= high_hz; hz += 0.0005) {
        double complex sum = 0;

        for (size_t i = 0; i < n; i++)
            sum += (value[i] - at_zero - slope * time_s[i]) * cexp(-2.0 * PI * I * hz * time_s[i]);
        if (cabs(sum) > best) {
            best = cabs(sum);
            best_hz = hz;
        }
    }
    return best_hz;
}

static void the_probe_over_a_water_tank_swings_as_its_tracker_says(void **state)
{
    static struct short_loop loop;
    double truth_s[MOST_FRAMES];
    double truth_mm[MOST_FRAMES];
    double moved_px[MOST_FRAMES] = {0};
    double scipy_hz = 0;
    char csv[512];
    struct shift *shift = NULL;
    double hz = 0;

    (void)state;
    read_loop(&loop, "motion/plus_watertank/watertank_vfr.mkv");
    assert_true(outside_sample(csv, sizeof csv, "motion/plus_watertank/truth.csv"));
    assert_int_equal(outside_numbers(truth_s, MOST_FRAMES, "column '%s' time_s", csv), loop.n);
    assert_int_equal(outside_numbers(truth_mm, MOST_FRAMES, "column '%s' main_axis_mm", csv), loop.n);
    assert_int_equal(outside_numbers(&scipy_hz, 1, "peak '%s' time_s main_axis_mm 0.5 1.5", csv), 1);
    for (size_t i = 0; i < loop.n;
         i++) /* irregular clock, read as it is: within the container's millisecond */
        assert_true(fabs(loop.time_s[i] - (truth_s[i] - truth_s[0])) < 0.0011);
    shift = shift_make(loop.picture[0]->width_px, loop.picture[0]->height_px);
    assert_non_null(shift);
    for (size_t i = 1; i < loop.n; i++)
        moved_px[i] = shift_find(shift, loop.picture[0], loop.picture[i], NULL, 1.0).dy_px;
    hz = strongest_hz(loop.time_s, moved_px, loop.n, 0.5, 1.5);
    print_message(
        "ours %.4f Hz, SciPy on the tracker %.4f Hz, 17 cycles in 17.24 s = %.4f Hz, correlation %.3f\n", hz,
        scipy_hz, 17 / 17.24, correlation(truth_mm, moved_px, loop.n));
    assert_true(fabs(hz - 0.986) < 0.012); /* a fifth of the resolution 1 / 17.3 s */
    assert_true(fabs(hz - scipy_hz) < 0.008);
    assert_true(fabs(correlation(truth_mm, moved_px, loop.n)) > 0.85); /* 0.91 by the index of the samples */
    shift_free(&shift);
    drop_loop(&loop);
}

static void a_wire_drifts_as_the_stepper_says(void **state)
{
    static struct short_loop loop;
    double truth_mm[MOST_FRAMES];
    double x_px[MOST_FRAMES];
    char csv[512];
    double slope = 0;
    double at_zero = 0;
    double residual = 0;
    struct patch_match at = {.x_px = 0};
    float brightest = -1;

    (void)state;
    read_loop(&loop, "motion/plus_wiredrift/wiredrift_10fps.avi");
    assert_true(outside_sample(csv, sizeof csv, "motion/plus_wiredrift/truth.csv"));
    assert_int_equal(outside_numbers(truth_mm, MOST_FRAMES, "column '%s' probe_position_mm", csv), loop.n);
    for (int y = 190; y < 240; y++) /* the middle wire of the upper row, in the first frame */
        for (int x = 270; x < 330; x++)
            if (raster_at(loop.picture[0], x, y) > brightest) {
                brightest = raster_at(loop.picture[0], x, y);
                at.x_px = x;
                at.y_px = y;
            }
    x_px[0] = at.x_px;
    for (size_t i = 1; i < loop.n; i++) { /* from frame to frame, errors and all */
        struct patch *patch =
            patch_make(loop.picture[i - 1], (int)lround(at.x_px), (int)lround(at.y_px), 5.0, 4.0);
        struct patch_match match = {.x_px = round(at.x_px), .y_px = round(at.y_px)};

        assert_non_null(patch);
        if (patch_find(patch, loop.picture[i], 6.0, &match)) {
            at.x_px += match.x_px - round(at.x_px);
            at.y_px += match.y_px - round(at.y_px);
        }
        x_px[i] = at.x_px;
        patch_free(&patch);
    }
    residual = line_through(truth_mm, x_px, loop.n - 1, &slope, &at_zero); /* the last frame jumps back */
    print_message("%.3f px a mm (0.959), residual %.2f px (1.8), correlation %.4f\n", slope, residual,
                  correlation(truth_mm, x_px, loop.n - 1));
    assert_true(fabs(fabs(slope) - 0.959) < 0.03);
    assert_true(residual < 2.0);
    drop_loop(&loop);
}

static void a_speckle_disk_turns_rigidly(void **state)
{
    static struct short_loop loop;
    double turned_deg = 0;
    double radial = 0;
    double radial_n = 0;
    size_t n_steps = 0;
    double opencv_deg = 0;
    char path[512];

    (void)state;
    read_loop(&loop, "motion/pymust_disk/disk_32f.avi");
    assert_true(outside_sample(path, sizeof path, "motion/pymust_disk/disk_32f.avi"));
    assert_int_equal(outside_numbers(&opencv_deg, 1, "turn '%s'", path), 1);
    assert_int_equal(loop.n, 32);
    for (size_t i = 0; i + 1 < loop.n; i++) {
        double from[400][2];
        double to[400][2];
        double weight[400];
        size_t n = 0;
        struct rigid rigid = {0};

        for (int y = 45; y <= 205; y += 10)
            for (int x = 45; x <= 205; x += 10) {
                struct patch *patch =
                    hypot(x - 125, y - 125) < 80 ? patch_make(loop.picture[i], x, y, 6.0, 6.0) : NULL;
                struct patch_match match = {.x_px = x, .y_px = y};

                if (patch != NULL && patch_find(patch, loop.picture[i + 1], 4.0, &match)) {
                    from[n][0] = x;
                    from[n][1] = y;
                    to[n][0] = match.x_px;
                    to[n][1] = match.y_px;
                    weight[n++] = match.correlation > 0.5 ? match.correlation : 0;
                }
                patch_free(&patch);
            }
        assert_true(n > 60);
        assert_true(rigid_fit(&rigid, (const double(*)[2])from, (const double(*)[2])to, weight, n));
        turned_deg += rigid.turn_rad * 180 / PI;
        n_steps++;
        for (size_t k = 0; k < n;
             k++) { /* speed grows with the radius: turn by small and by large radii agree */
            double px = 0;
            double py = 0;

            rigid_apply(&rigid, from[k][0], from[k][1], &px, &py);
            if (weight[k] > 0.8) {
                radial += hypot(to[k][0] - px, to[k][1] - py);
                radial_n += 1;
            }
        }
    }
    print_message("%.3f degrees a frame, %.2f in all; places are %.2f px from the rigid turn on average\n",
                  turned_deg / (double)n_steps, turned_deg, radial / radial_n);
    print_message("OpenCV: %.3f degrees a frame\n", opencv_deg);
    assert_true(fabs(turned_deg / (double)n_steps - opencv_deg) < 0.01);
    assert_true(radial / radial_n < 0.5);
    drop_loop(&loop);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_probe_over_a_water_tank_swings_as_its_tracker_says),
        cmocka_unit_test(a_wire_drifts_as_the_stepper_says),
        cmocka_unit_test(a_speckle_disk_turns_rigidly),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
