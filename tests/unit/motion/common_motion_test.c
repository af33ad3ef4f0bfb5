/* Contracts of motion/common_motion.h. */
#include "motion/common_motion.h"

#include "synth/dice.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { N = 60, N_DRAWS = 200 };
static const double ERROR_PX = 0.05;

/* Two walls 50 px apart, 30 points on each, that move affinely and, if they do, in a wave of the given size.
 */
static void truth_at(const struct common_point *point, double wave_px, double moved_px[2])
{
    double x = point->from.x_px;
    double y = point->from.y_px;

    moved_px[0] = 0.4 + 0.002 * x - 0.001 * y;
    moved_px[1] = -0.2 + 0.003 * x + 0.002 * y + wave_px * cos(x / 30.0) * (y > 0.0 ? 1.0 : -1.0);
}

static void walls_make(struct common_point *point, size_t n, double wave_px, long seed)
{
    struct dice dice = dice_make(seed, 1);

    for (size_t i = 0; i < n; i++) {
        double moved_px[2];

        point[i].from = (struct point){.x_px = 8.0 * (double)(i / 2), .y_px = i % 2 == 0 ? -25.0 : 25.0};
        truth_at(&point[i], wave_px, moved_px);
        for (int axis = 0; axis < 2; axis++) {
            point[i].error_px[axis] = ERROR_PX;
            point[i].moved_px[axis] = moved_px[axis] + ERROR_PX * dice_normal(&dice);
        }
    }
}

/* Root mean square error of a coordinate over many draws; how much of the wave is left in *kept. */
static double error_after(double wave_px, double *kept)
{
    double square = 0.0;
    double with_wave = 0.0;
    double wave = 0.0;

    for (long seed = 1; seed <= N_DRAWS; seed++) {
        struct common_point point[N];

        walls_make(point, N, wave_px, seed);
        common_motion_draw(point, N, 0.0);
        for (size_t i = 0; i < N; i++) {
            double still_px[2], true_px[2];

            truth_at(&point[i], 0.0, still_px);
            truth_at(&point[i], wave_px, true_px);
            for (int axis = 0; axis < 2; axis++)
                square += pow(point[i].moved_px[axis] - true_px[axis], 2) / (2.0 * N * N_DRAWS);
            with_wave += (point[i].moved_px[1] - still_px[1]) * (true_px[1] - still_px[1]);
            wave += pow(true_px[1] - still_px[1], 2);
        }
    }
    *kept = wave > 0.0 ? with_wave / wave : 1.0;
    return sqrt(square);
}

static void points_that_share_a_motion_are_told_better_together(void **state)
{
    double kept = 0.0;

    (void)state;
    assert_true(error_after(0.0, &kept) < 0.6 * ERROR_PX);
}

static void a_wave_larger_than_the_errors_keeps_its_size(void **state)
{
    static const double waves_px[] = {0.1, 0.2, 0.5, 3.0};
    static const double least[] = {0.85, 0.97, 0.995, 0.999};

    (void)state;
    for (size_t i = 0; i < sizeof waves_px / sizeof waves_px[0]; i++) {
        double kept = 0.0;
        double error_px = error_after(waves_px[i], &kept);

        print_message("wave of %.1f px: %.4f of it kept, error %.4f px\n", waves_px[i], kept, error_px);
        assert_true(kept > least[i] && kept < 1.001);
        assert_true(error_px < 1.01 * ERROR_PX);
    }
}

static void a_point_that_says_nothing_goes_with_the_others(void **state)
{
    struct common_point point[N];
    double true_px[2];

    (void)state;
    walls_make(point, N, 0.0, 3);
    point[20].error_px[0] = point[20].error_px[1] = 2.0;
    point[20].moved_px[0] += 3.0;
    point[20].moved_px[1] -= 3.0;
    common_motion_draw(point, N, 0.0);
    truth_at(&point[20], 0.0, true_px);
    assert_true(hypot(point[20].moved_px[0] - true_px[0], point[20].moved_px[1] - true_px[1]) < 0.1);
}

static void a_few_points_share_nothing_that_is_known(void **state)
{
    struct common_point point[11];
    struct common_point before[11];

    (void)state;
    walls_make(point, 11, 0.0, 4);
    walls_make(before, 11, 0.0, 4);
    common_motion_draw(point, 11, 0.0);
    for (size_t i = 0; i < 11; i++)
        assert_true(point[i].moved_px[0] == before[i].moved_px[0] &&
                    point[i].moved_px[1] == before[i].moved_px[1]);
}

static void points_on_one_line_and_without_error_are_numbers(void **state)
{
    struct common_point point[N];

    (void)state;
    walls_make(point, N, 0.2, 5);
    for (size_t i = 0; i < N; i++) {
        point[i].from.y_px = 0.0;
        if (i % 3 == 0)
            point[i].error_px[0] = point[i].error_px[1] = 0.0;
    }
    common_motion_draw(point, N, 0.0);
    for (size_t i = 0; i < N; i++)
        assert_true(isfinite(point[i].moved_px[0]) && isfinite(point[i].moved_px[1]));
    for (size_t i = 0; i < N; i++)
        point[i] = (struct common_point){.from = {.x_px = 7.0, .y_px = 7.0}};
    common_motion_draw(point, N, 0.0);
    for (size_t i = 0; i < N; i++)
        assert_true(point[i].moved_px[0] == 0.0 && point[i].moved_px[1] == 0.0);
}

static void what_is_known_of_the_points_leaves_a_small_move_as_it_is(void **state)
{
    double square = 0.0;

    (void)state;
    for (long seed = 1; seed <= N_DRAWS; seed++) {
        struct common_point point[N];
        struct common_point before[N];

        walls_make(point, N, 0.0, seed);
        walls_make(before, N, 0.0, seed);
        common_motion_draw(point, N, 16.0 * ERROR_PX * ERROR_PX);
        for (size_t i = 0; i < N; i++)
            square += pow(point[i].moved_px[0] - before[i].moved_px[0], 2) / (N * N_DRAWS);
    }
    assert_true(sqrt(square) < 0.005 * ERROR_PX);
}

static void the_spread_about_a_shared_motion_is_what_was_put_in(void **state)
{
    double still_px2 = 0.0;
    double wave_px2 = 0.0;

    (void)state;
    for (long seed = 1; seed <= N_DRAWS; seed++) {
        struct common_point point[N];

        walls_make(point, N, 0.0, seed);
        still_px2 += common_motion_spread_px2(point, N) / N_DRAWS;
        walls_make(point, N, 1.0, seed);
        wave_px2 += common_motion_spread_px2(point, N) / N_DRAWS;
        assert_true(common_motion_spread_px2(point, 11) == 0.0);
    }
    assert_true(fabs(still_px2 / (ERROR_PX * ERROR_PX) - 1.0) < 0.05);
    assert_true(wave_px2 > 0.15 &&
                wave_px2 < 0.35); /* half of a wave along y only: 1/4, less what is affine */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(points_that_share_a_motion_are_told_better_together),
        cmocka_unit_test(a_wave_larger_than_the_errors_keeps_its_size),
        cmocka_unit_test(a_point_that_says_nothing_goes_with_the_others),
        cmocka_unit_test(a_few_points_share_nothing_that_is_known),
        cmocka_unit_test(what_is_known_of_the_points_leaves_a_small_move_as_it_is),
        cmocka_unit_test(the_spread_about_a_shared_motion_is_what_was_put_in),
        cmocka_unit_test(points_on_one_line_and_without_error_are_numbers),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
