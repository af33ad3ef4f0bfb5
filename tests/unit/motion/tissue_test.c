/* Contracts of motion/tissue.h, on texture whose motion is known exactly (tests/support/speckle_fixture.h).
 */
#include "../../support/speckle_fixture.h"
#include "motion/tissue.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { SIDE = 150, N_FRAMES = 200, N_KEYS = 20, EVERY = 10, N_POINTS = 3 };
static const double PI = 3.14159265358979323846;
static const double MM_PER_PX[2] = {0.25, 0.25};
static const struct point at_rest[N_POINTS] = {{60.0, 70.0}, {75.3, 80.6}, {90.0, 66.0}};

/* Sways 4 px to either side and turns, back at the start after 200 frames; nothing else changes but noise. */
static struct rigid sway(int frame)
{
    double phase = 2.0 * PI * frame / (N_FRAMES - 1);

    return (struct rigid){.pivot_x = 75.0,
                          .pivot_y = 75.0,
                          .turn_rad = 0.03 * sin(2.0 * phase),
                          .shift_x = 4.0 * sin(3.0 * phase),
                          .shift_y = 2.0 * sin(5.0 * phase)};
}

static struct raster *swaying_frame(int frame)
{
    struct rigid moved = sway(frame);
    struct raster *made = speckle_fixture_picture(SIDE, SIDE, 21, &moved);

    speckle_fixture_noise(made, frame, 8.0, 1.0); /* correlation between frames about 0.9 */
    return made;
}

static struct tissue *swaying_tissue(void)
{
    struct raster *keys[N_KEYS];
    double time_s[N_KEYS];
    struct raster *window = raster_make(SIDE, SIDE);
    struct tissue *tissue = NULL;
    struct error *err = NULL;

    assert_non_null(window);
    for (size_t i = 0; i < (size_t)SIDE * SIDE; i++)
        window->value[i] = 1.0F;
    for (int k = 0; k < N_KEYS; k++) {
        keys[k] = swaying_frame(k * EVERY);
        time_s[k] = k * EVERY;
    }
    if (!tissue_make(&tissue, keys, time_s, N_KEYS, window, MM_PER_PX, &err))
        fail_msg("%s", error_message(err));
    for (int k = 0; k < N_KEYS; k++)
        assert_null(keys[k]); /* taken over */
    raster_free(&window);
    return tissue;
}

struct seen {
    struct point place[N_POINTS];
    float trust[N_POINTS];
    float error_px[N_POINTS];
    struct tissue_view view;
};

static void look(const struct tissue *tissue, const struct raster *frame, double time_s, struct seen *seen)
{
    seen->view =
        (struct tissue_view){.place = seen->place, .point_trust = seen->trust, .error_px = seen->error_px};
    assert_true(tissue_look(tissue, frame, time_s, &seen->view));
}

static void tissue_followed_over_two_hundred_frames_does_not_drift(void **state)
{
    struct tissue *tissue = swaying_tissue();
    struct error *err = NULL;
    double square = 0.0; /* of the errors, and as the view states it */
    double stated = 0.0;
    double mean_end[2] = {0.0, 0.0}; /* of the last quarter: where a drift would show */
    int n_end = 0;
    int n = 0;

    (void)state;
    assert_true(tissue_set_points(tissue, at_rest, N_POINTS, &err));
    for (int t = 0; t < N_FRAMES; t += 7) {
        struct raster *frame = swaying_frame(t);
        struct rigid moved = sway(t);
        struct seen seen;

        look(tissue, frame, t, &seen);
        assert_true(seen.view.trust > 0.5);
        for (int i = 0; i < N_POINTS; i++) {
            double x = 0.0, y = 0.0;

            rigid_apply(&moved, at_rest[i].x_px, at_rest[i].y_px, &x, &y);
            square += pow(seen.place[i].x_px - x, 2.0) + pow(seen.place[i].y_px - y, 2.0);
            stated += 2.0 * (double)seen.error_px[i] * (double)seen.error_px[i];
            assert_true(seen.trust[i] > 0.6F);
            n++;
            if (t > 3 * N_FRAMES / 4) {
                mean_end[0] += seen.place[i].x_px - x;
                mean_end[1] += seen.place[i].y_px - y;
                n_end++;
            }
        }
        raster_free(&frame);
    }
    square = sqrt(square / n);
    stated = sqrt(stated / n);
    if (!(square < 0.4 && square < 2.0 * stated && hypot(mean_end[0], mean_end[1]) / n_end < 0.1))
        fail_msg("error %.3f px rms (stated %.3f), mean at the end %.3f %.3f px", square, stated,
                 mean_end[0] / n_end, mean_end[1] / n_end);
    tissue_free(&tissue);
    assert_null(tissue);
}

static void the_rigid_motion_of_every_key_is_known(void **state)
{
    struct tissue *tissue = swaying_tissue();

    (void)state;
    assert_int_equal(tissue_n_keys(tissue), N_KEYS);
    for (size_t k = 0; k < N_KEYS; k++) {
        struct rigid moved = sway((int)k * EVERY);

        assert_true(tissue_key_time_s(tissue, k) == (double)k * EVERY);
        for (int corner = 0; corner < 4; corner++) {
            double x = corner % 2 == 0 ? 25.0 : 125.0;
            double y = corner / 2 == 0 ? 25.0 : 125.0;
            double is_x = 0.0, is_y = 0.0, found_x = 0.0, found_y = 0.0;

            rigid_apply(&moved, x, y, &is_x, &is_y);
            rigid_apply(tissue_key_rigid(tissue, k), x, y, &found_x, &found_y);
            if (!(hypot(is_x - found_x, is_y - found_y) < 0.25))
                fail_msg("key %zu is off by %.3f px", k, hypot(is_x - found_x, is_y - found_y));
        }
        assert_true(tissue_key_trust(tissue, k) > 0.5);
    }
    tissue_free(&tissue);
}

static void a_frame_of_other_tissue_is_not_trusted(void **state)
{
    struct tissue *tissue = swaying_tissue();
    struct raster *other = speckle_fixture_picture(SIDE, SIDE, 99, NULL);
    struct error *err = NULL;
    struct seen seen;

    (void)state;
    assert_true(tissue_set_points(tissue, at_rest, N_POINTS, &err));
    look(tissue, other, 50.0, &seen);
    assert_true(seen.view.trust < 0.5);
    for (int i = 0; i < N_POINTS; i++)
        assert_true(seen.trust[i] < 0.75F);
    raster_free(&other);
    tissue_free(&tissue);
}

static void frames_may_be_looked_at_in_any_order(void **state)
{
    struct tissue *tissue = swaying_tissue();
    struct raster *one = swaying_frame(33);
    struct raster *other = swaying_frame(148);
    struct error *err = NULL;
    struct seen first, second, again;

    (void)state;
    assert_true(tissue_set_points(tissue, at_rest, N_POINTS, &err));
    look(tissue, one, 33.0, &first);
    look(tissue, other, 148.0, &second);
    look(tissue, one, 33.0, &again);
    assert_memory_equal(first.place, again.place, sizeof first.place);
    assert_memory_equal(first.trust, again.trust, sizeof first.trust);
    raster_free(&one);
    raster_free(&other);
    tissue_free(&tissue);
}

static void without_a_key_there_is_nothing_to_follow(void **state)
{
    struct raster *window = raster_make(SIDE, SIDE);
    struct raster *none[1] = {NULL};
    struct tissue *tissue = NULL;
    struct error *err = NULL;
    double time_s = 0.0;

    (void)state;
    assert_non_null(window);
    assert_false(tissue_make(&tissue, none, &time_s, 0, window, MM_PER_PX, &err));
    assert_int_equal(error_code(err), ERROR_INPUT);
    assert_null(tissue);
    error_free(&err);
    raster_free(&window);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tissue_followed_over_two_hundred_frames_does_not_drift),
        cmocka_unit_test(the_rigid_motion_of_every_key_is_known),
        cmocka_unit_test(a_frame_of_other_tissue_is_not_trusted),
        cmocka_unit_test(frames_may_be_looked_at_in_any_order),
        cmocka_unit_test(without_a_key_there_is_nothing_to_follow),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
