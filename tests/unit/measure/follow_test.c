/* Contracts of measure/follow.h that need no loop: how the walls carry a place, and lengths beside a bend. */
#include "measure/follow.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { N = 15, N_LINE = 81 };
static const double SPACING_MM = 2.0;
static const double PIXEL_MM = 0.2;
static const struct canvas CANVAS = {
    .width_px = 600, .height_px = 400, .step_px = 1, .mm_per_px_x = 0.2, .mm_per_px_y = 0.2};

static struct point from_mm(double x_mm, double y_mm)
{
    return (struct point){.x_px = x_mm / PIXEL_MM - 0.5, .y_px = y_mm / PIXEL_MM - 0.5};
}

/* One frame of a stripe along an arc of the given radius (it begins at (40, 50) mm, sets out along x and
 * bends toward larger y), its walls 4 mm to either side, all moved by (x_mm, y_mm). */
static void lay(struct follow *follow, double radius_mm, double x_mm, double y_mm)
{
    double line[N_LINE][2];

    memset(follow, 0, sizeof *follow);
    for (size_t i = 0; i < N_LINE; i++) {
        double turn = 0.5 * (double)i / radius_mm;

        line[i][0] = 40.0 + radius_mm * sin(turn);
        line[i][1] = 50.0 + radius_mm * (1.0 - cos(turn));
    }
    assert_true(centre_line_make(&follow->line, (const double(*)[2])line, N_LINE, 0.5, 0.5, 0.0));
    follow->n_frames = 1;
    follow->n_positions = N;
    follow->position_mm = calloc(N, sizeof *follow->position_mm);
    follow->normal = calloc(2 * N, sizeof *follow->normal);
    follow->rest = calloc(2 * N, sizeof *follow->rest);
    follow->wall = calloc(2 * N, sizeof *follow->wall);
    follow->wall_trust = calloc(2 * N, sizeof *follow->wall_trust);
    assert_true(follow->position_mm && follow->normal && follow->rest && follow->wall && follow->wall_trust);
    for (size_t i = 0; i < N; i++) {
        double along = 4.0 + SPACING_MM * (double)i;
        double x = 0.0, y = 0.0, out_x = 0.0, out_y = 0.0;

        follow->position_mm[i] = along;
        centre_line_at(&follow->line, along, 0.0, &x, &y);
        centre_line_at(&follow->line, along, 1.0, &out_x, &out_y);
        follow->normal[2 * i] = out_x - x;
        follow->normal[2 * i + 1] = out_y - y;
        for (size_t wall = 0; wall < 2; wall++) {
            double away = wall == 0 ? -4.0 : 4.0;

            centre_line_at(&follow->line, along, away, &out_x, &out_y);
            follow->rest[2 * i + wall] = from_mm(out_x, out_y);
            follow->wall[2 * i + wall] = from_mm(out_x + x_mm, out_y + y_mm);
            follow->wall_trust[2 * i + wall] = 1.0F;
        }
    }
}

/* How far the carried place of (along, across) lies from its rest place moved by (x_mm, y_mm). */
static double miss_mm(const struct follow *follow, double along_mm, double across_mm, double x_mm,
                      double y_mm)
{
    struct point place = follow_place(follow, &CANVAS, 0, along_mm, across_mm);
    double x = 0.0, y = 0.0;
    struct point want;

    centre_line_at(&follow->line, along_mm, across_mm, &x, &y);
    want = from_mm(x + x_mm, y + y_mm);
    return PIXEL_MM * hypot(place.x_px - want.x_px, place.y_px - want.y_px);
}

static void a_place_goes_where_the_walls_round_it_go(void **state)
{
    struct follow follow;

    (void)state;
    lay(&follow, 60.0, 1.3, -0.7);
    for (double along = 6.0; along < 30.0; along += 3.0)
        assert_true(miss_mm(&follow, along, 1.5, 1.3, -0.7) < 0.05);
    follow_free(&follow);
}

static void patches_that_slide_along_their_wall_carry_little_with_them(void **state)
{
    struct follow follow;

    (void)state;
    lay(&follow, 1e4, 0.5, 0.0);
    assert_true(follow_carry_error_mm(&follow, &CANVAS, 0, follow.position_mm[7]) < 0.01);
    for (size_t wall = 0; wall < 2; wall++) /* the middle of the stripe, by 2 mm */
        follow.wall[2 * 7 + wall].x_px += 2.0 / PIXEL_MM;
    assert_true(miss_mm(&follow, follow.position_mm[7], 0.0, 0.5, 0.0) < 0.35);
    assert_true(follow_carry_error_mm(&follow, &CANVAS, 0, follow.position_mm[7]) > 0.1);
    follow_free(&follow);
}

static void across_the_stripe_each_place_follows_its_own_walls(void **state)
{
    struct follow follow;

    (void)state;
    lay(&follow, 1e4, 0.0, 0.0);
    for (size_t k = 6; k <= 8; k++) /* the stripe bulges by 1 mm there */
        for (size_t wall = 0; wall < 2; wall++)
            follow.wall[2 * k + wall].y_px += 1.0 / PIXEL_MM;
    assert_true(miss_mm(&follow, follow.position_mm[7], 0.0, 0.0, 1.0) < 0.05);
    assert_true(miss_mm(&follow, follow.position_mm[12], 0.0, 0.0, 0.0) < 0.05);
    follow_free(&follow);
}

/* Concentric arcs: the way at `away` on the inside of a bend of radius r is (r - away) / r of the way on it.
 */
static void a_way_on_the_inside_of_a_bend_is_shorter(void **state)
{
    struct follow follow;
    double inward = 0.0;

    (void)state;
    lay(&follow, 25.0, 0.0, 0.0);
    inward = follow.normal[1] > 0.0 ? 1.0 : -1.0;
    assert_true(fabs(follow_way_mm(&follow, 5.0, 25.0, 0.0) - 20.0) < 0.05);
    assert_true(fabs(follow_way_mm(&follow, 5.0, 25.0, 5.0 * inward) - 16.0) < 0.1);
    assert_true(fabs(follow_way_mm(&follow, 25.0, 5.0, -5.0 * inward) + 24.0) < 0.1);
    follow_free(&follow);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_place_goes_where_the_walls_round_it_go),
        cmocka_unit_test(patches_that_slide_along_their_wall_carry_little_with_them),
        cmocka_unit_test(across_the_stripe_each_place_follows_its_own_walls),
        cmocka_unit_test(a_way_on_the_inside_of_a_bend_is_shorter),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
