/* Contracts of measure/centre_line.h; the geometry is that of a straight line and a circle. */
#include "measure/centre_line.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static const double PI = 3.14159265358979323846;

/* A quarter of a circle round (0, 0), from (radius, 0) on to (0, radius), in unevenly spaced places. */
enum { N_ARC = 41 };
static void arc_make(double place[N_ARC][2], double radius)
{
    for (int i = 0; i < N_ARC; i++) {
        double part = (double)i / (N_ARC - 1);
        double turn = 0.5 * PI * (0.6 * part + 0.4 * part * part);

        place[i][0] = radius * cos(turn);
        place[i][1] = radius * sin(turn);
    }
}

static void a_straight_line_keeps_its_length_and_place(void **state)
{
    const double place[3][2] = {{10.0, 5.0}, {13.0, 5.0}, {30.0, 5.0}};
    struct centre_line line = {0};
    double x = 0.0, y = 0.0;

    (void)state;
    assert_true(centre_line_make(&line, place, 3, 0.5, 3.0, 4.0));
    assert_int_equal(line.n, 41 + 2 * 8);
    assert_true(fabs(line.step_mm - 0.5) < 1e-12);
    assert_true(fabs(line.place_mm[0][0] - 6.0) < 1e-9 && fabs(line.place_mm[0][1] - 5.0) < 1e-9);
    assert_true(fabs(line.place_mm[line.n - 1][0] - 34.0) < 1e-9);
    centre_line_at(&line, 4.0 + 7.25, 0.0, &x, &y); /* the polyline's first place lies extend_mm on */
    assert_true(fabs(x - 17.25) < 1e-9 && fabs(y - 5.0) < 1e-9);
    centre_line_free(&line);
    assert_null(line.place_mm);
    centre_line_free(NULL);
}

/* Quarter circle of radius 20: arc length 10 pi = 31.4 mm. Smoothing over 2 mm pulls it in by about
 * sigma^2 / (2 radius) = 0.1 mm. */
static void arc_length_runs_along_the_curve_and_not_its_chord(void **state)
{
    double place[N_ARC][2];
    struct centre_line line = {0};

    (void)state;
    arc_make(place, 20.0);
    assert_true(centre_line_make(&line, (const double(*)[2])place, N_ARC, 0.5, 2.0, 0.0));
    assert_true(fabs(line.step_mm * (double)(line.n - 1) - 10.0 * PI) < 0.05);
    for (size_t i = 0; i < line.n; i++)
        assert_true(fabs(hypot(line.place_mm[i][0], line.place_mm[i][1]) - 20.0) < 0.15);
    for (size_t i = 1; i < line.n; i++) /* evenly spaced */
        assert_true(fabs(hypot(line.place_mm[i][0] - line.place_mm[i - 1][0],
                               line.place_mm[i][1] - line.place_mm[i - 1][1]) -
                         line.step_mm) < 0.02);
    centre_line_free(&line);
}

static void normals_are_a_quarter_turn_from_the_way_on(void **state)
{
    double place[N_ARC][2];
    struct centre_line line = {0};

    (void)state;
    arc_make(place, 20.0);
    assert_true(centre_line_make(&line, (const double(*)[2])place, N_ARC, 0.5, 2.0, 3.0));
    for (size_t i = 1; i + 1 < line.n; i++) {
        double on_x = line.place_mm[i + 1][0] - line.place_mm[i - 1][0];
        double on_y = line.place_mm[i + 1][1] - line.place_mm[i - 1][1];

        assert_true(fabs(hypot(line.normal[i][0], line.normal[i][1]) - 1.0) < 1e-12);
        assert_true(fabs(line.normal[i][0] * on_x + line.normal[i][1] * on_y) < 1e-9);
        assert_true(on_x * line.normal[i][1] - on_y * line.normal[i][0] > 0.0); /* x toward y */
    }
    centre_line_free(&line);
}

/* Travelling along +x the normal points to +y: places with larger y lie on the positive side. */
static void the_nearest_place_says_how_far_along_and_on_which_side(void **state)
{
    const double place[2][2] = {{0.0, 10.0}, {40.0, 10.0}};
    struct centre_line line = {0};
    double along = 0.0, across = 0.0;

    (void)state;
    assert_true(centre_line_make(&line, place, 2, 0.5, 0.0, 0.0));
    centre_line_nearest(&line, 12.3, 14.0, &along, &across);
    assert_true(fabs(along - 12.3) < 1e-9 && fabs(across - 4.0) < 1e-9);
    centre_line_nearest(&line, 12.3, 7.5, &along, &across);
    assert_true(fabs(along - 12.3) < 1e-9 && fabs(across + 2.5) < 1e-9);
    centre_line_nearest(&line, -3.0, 6.0, &along, &across); /* beyond the end: distance to the end */
    assert_true(fabs(along) < 1e-9 && fabs(fabs(across) - 5.0) < 1e-9);
    centre_line_free(&line);
}

static void at_and_nearest_undo_each_other(void **state)
{
    double place[N_ARC][2];
    struct centre_line line = {0};

    (void)state;
    arc_make(place, 25.0);
    assert_true(centre_line_make(&line, (const double(*)[2])place, N_ARC, 0.5, 2.0, 6.0));
    for (double along = 7.0; along < 44.0; along += 1.7)
        for (double across = -4.0; across <= 4.0; across += 2.0) {
            double x = 0.0, y = 0.0, along_again = 0.0, across_again = 0.0;

            centre_line_at(&line, along, across, &x, &y);
            centre_line_nearest(&line, x, y, &along_again, &across_again);
            assert_true(fabs(along_again - along) < 0.1 && fabs(across_again - across) < 0.05);
        }
    centre_line_free(&line);
}

static void places_beyond_the_ends_are_held_at_them(void **state)
{
    const double place[2][2] = {{0.0, 0.0}, {10.0, 0.0}};
    struct centre_line line = {0};
    double x = 0.0, y = 0.0;

    (void)state;
    assert_true(centre_line_make(&line, place, 2, 0.5, 0.0, 2.0));
    centre_line_at(&line, -50.0, 0.0, &x, &y);
    assert_true(fabs(x + 2.0) < 1e-9);
    centre_line_at(&line, 500.0, 1.0, &x, &y);
    assert_true(fabs(x - 12.0) < 1e-9 && fabs(y - 1.0) < 1e-9);
    centre_line_free(&line);
}

static void a_line_needs_two_places_apart(void **state)
{
    const double same[2][2] = {{3.0, 3.0}, {3.0, 3.0}};
    struct centre_line line = {0};

    (void)state;
    assert_false(centre_line_make(&line, same, 1, 0.5, 0.0, 0.0));
    assert_false(centre_line_make(&line, same, 2, 0.5, 0.0, 0.0));
    centre_line_free(&line);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_straight_line_keeps_its_length_and_place),
        cmocka_unit_test(arc_length_runs_along_the_curve_and_not_its_chord),
        cmocka_unit_test(normals_are_a_quarter_turn_from_the_way_on),
        cmocka_unit_test(the_nearest_place_says_how_far_along_and_on_which_side),
        cmocka_unit_test(at_and_nearest_undo_each_other),
        cmocka_unit_test(places_beyond_the_ends_are_held_at_them),
        cmocka_unit_test(a_line_needs_two_places_apart),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
