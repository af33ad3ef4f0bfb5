/* Contracts of motion/rigid.h. */
#include "motion/rigid.h"

#include "synth/dice.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { N = 60 };

static const struct rigid true_motion = {
    .pivot_x = 20.0, .pivot_y = 10.0, .turn_rad = 0.07, .shift_x = 3.0, .shift_y = -1.5};

struct pairs {
    double from[N][2];
    double to[N][2];
    double weight[N];
};

/* Places scattered over 60 x 40 and where the true motion takes them, with errors of the given deviation. */
static struct pairs pairs_make(long seed, double deviation)
{
    struct dice dice = dice_make(seed, 1);
    struct pairs made;

    for (int i = 0; i < N; i++) {
        made.from[i][0] = 60.0 * dice_even(&dice);
        made.from[i][1] = 40.0 * dice_even(&dice);
        rigid_apply(&true_motion, made.from[i][0], made.from[i][1], &made.to[i][0], &made.to[i][1]);
        made.to[i][0] += deviation * dice_normal(&dice);
        made.to[i][1] += deviation * dice_normal(&dice);
        made.weight[i] = 1.0;
    }
    return made;
}

/* Greatest distance between where the fit and the true motion take the corners. */
static double worst_corner(const struct rigid *fit)
{
    double worst = 0.0;

    for (int i = 0; i < 4; i++) {
        double x = i % 2 == 0 ? 0.0 : 60.0;
        double y = i / 2 == 0 ? 0.0 : 40.0;
        double fit_x = 0.0, fit_y = 0.0, true_x = 0.0, true_y = 0.0;

        rigid_apply(fit, x, y, &fit_x, &fit_y);
        rigid_apply(&true_motion, x, y, &true_x, &true_y);
        worst = fmax(worst, hypot(fit_x - true_x, fit_y - true_y));
    }
    return worst;
}

static bool fit_pairs(struct rigid *rigid, const struct pairs *pairs, size_t n)
{
    return rigid_fit(rigid, (const double(*)[2])pairs->from, (const double(*)[2])pairs->to, pairs->weight, n);
}

static void a_motion_undone_leads_back(void **state)
{
    double x = 0.0, y = 0.0, back_x = 0.0, back_y = 0.0;

    (void)state;
    rigid_apply(&true_motion, 13.0, 27.0, &x, &y);
    rigid_undo(&true_motion, x, y, &back_x, &back_y);
    assert_true(hypot(x - 13.0, y - 27.0) > 1.0);
    assert_true(hypot(back_x - 13.0, back_y - 27.0) < 1e-12);
}

/* Two rigid motions agree when they take three places alike. */
static void assert_alike(const struct rigid *one, const struct rigid *other)
{
    static const double places[3][2] = {{0.0, 0.0}, {60.0, 0.0}, {13.0, 27.0}};

    for (int i = 0; i < 3; i++) {
        double x = 0.0, y = 0.0, other_x = 0.0, other_y = 0.0;

        rigid_apply(one, places[i][0], places[i][1], &x, &y);
        rigid_apply(other, places[i][0], places[i][1], &other_x, &other_y);
        assert_true(hypot(x - other_x, y - other_y) < 1e-12);
    }
}

static void a_motion_about_another_pivot_is_the_same_motion(void **state)
{
    struct rigid about = rigid_about(&true_motion, -7.0, 90.0);

    (void)state;
    assert_true(about.pivot_x == -7.0 && about.pivot_y == 90.0);
    assert_alike(&about, &true_motion);
}

static void a_motion_and_then_its_inverse_are_no_motion(void **state)
{
    struct rigid inverse = rigid_inverse(&true_motion);
    struct rigid none = {0};
    struct rigid both = rigid_then(&true_motion, &inverse);

    (void)state;
    assert_alike(&both, &none);
    both = rigid_then(&inverse, &true_motion);
    assert_alike(&both, &none);
}

static void two_motions_one_after_the_other_are_one(void **state)
{
    struct rigid second = {.pivot_x = 3.0, .pivot_y = -8.0, .turn_rad = -0.4, .shift_x = 5.0, .shift_y = 2.0};
    struct rigid both = rigid_then(&true_motion, &second);
    double x = 0.0, y = 0.0, both_x = 0.0, both_y = 0.0;

    (void)state;
    rigid_apply(&true_motion, 13.0, 27.0, &x, &y);
    rigid_apply(&second, x, y, &x, &y);
    rigid_apply(&both, 13.0, 27.0, &both_x, &both_y);
    assert_true(hypot(x - both_x, y - both_y) < 1e-12);
}

static void a_quarter_turn_goes_from_x_toward_y(void **state)
{
    struct rigid quarter = {.turn_rad = 1.5707963267948966};
    double x = 0.0, y = 0.0;

    (void)state;
    rigid_apply(&quarter, 2.0, 0.0, &x, &y);
    assert_true(fabs(x) < 1e-12 && fabs(y - 2.0) < 1e-12);
}

static void an_exact_motion_is_found_exactly(void **state)
{
    struct pairs pairs = pairs_make(3, 0.0);
    struct rigid rigid = {0};

    (void)state;
    assert_true(fit_pairs(&rigid, &pairs, N));
    assert_true(worst_corner(&rigid) < 1e-6);
}

/* Greatest distance between where two fits take the corners: with the outliers there, and with them left out.
 * The places have errors of 0.1, so the fit itself is known to about 0.03 at a corner. */
static double moved_by_outliers(struct pairs *pairs)
{
    struct rigid with = {0};
    struct rigid without = {0};
    double worst = 0.0;

    assert_true(fit_pairs(&with, pairs, N));
    for (int i = 0; i < N; i += 3)
        pairs->weight[i] = 0.0;
    assert_true(fit_pairs(&without, pairs, N));
    assert_true(worst_corner(&without) < 0.2);
    for (int i = 0; i < 4; i++) {
        double x = i % 2 == 0 ? 0.0 : 60.0;
        double y = i / 2 == 0 ? 0.0 : 40.0;
        double with_x = 0.0, with_y = 0.0, without_x = 0.0, without_y = 0.0;

        rigid_apply(&with, x, y, &with_x, &with_y);
        rigid_apply(&without, x, y, &without_x, &without_y);
        worst = fmax(worst, hypot(with_x - without_x, with_y - without_y));
    }
    return worst;
}

static void a_third_of_outliers_does_not_move_the_fit(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 20; seed++) {
        struct pairs pairs = pairs_make(seed, 0.1);
        struct dice dice = dice_make(seed, 2);
        double moved = 0.0;

        for (int i = 0; i < N; i += 3) { /* anywhere within 5 of where they belong */
            pairs.to[i][0] += 10.0 * (dice_even(&dice) - 0.5);
            pairs.to[i][1] += 10.0 * (dice_even(&dice) - 0.5);
        }
        moved = moved_by_outliers(&pairs);
        if (!(moved < 0.04))
            fail_msg("seed %ld: moved by %.3f", seed, moved);
    }
}

/* The bowel slides past while the uterus stays: a third of the places all go one way. */
static void a_third_that_slides_one_way_does_not_drag_the_fit_along(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 20; seed++) {
        struct pairs pairs = pairs_make(seed, 0.1);
        double moved = 0.0;

        for (int i = 0; i < N; i += 3)
            pairs.to[i][0] += 3.0;
        moved = moved_by_outliers(&pairs);
        if (!(moved < 0.04))
            fail_msg("seed %ld: dragged by %.3f", seed, moved);
    }
}

static void a_pair_without_weight_does_not_count(void **state)
{
    struct pairs pairs = pairs_make(4, 0.0);
    struct rigid rigid = {0};

    (void)state;
    for (int i = 0; i < N; i += 2) {
        pairs.to[i][0] = 1e6;
        pairs.weight[i] = 0.0;
    }
    assert_true(fit_pairs(&rigid, &pairs, N));
    assert_true(worst_corner(&rigid) < 1e-6);
}

static void one_place_gives_the_shift_alone_and_none_gives_nothing(void **state)
{
    struct pairs pairs = pairs_make(5, 0.0);
    struct rigid rigid = {0};
    double x = 0.0, y = 0.0;

    (void)state;
    assert_true(fit_pairs(&rigid, &pairs, 1));
    assert_true(rigid.turn_rad == 0.0);
    rigid_apply(&rigid, pairs.from[0][0], pairs.from[0][1], &x, &y);
    assert_true(hypot(x - pairs.to[0][0], y - pairs.to[0][1]) < 1e-12);
    pairs.weight[0] = 0.0;
    assert_false(fit_pairs(&rigid, &pairs, 1));
    assert_false(fit_pairs(&rigid, &pairs, 0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_motion_undone_leads_back),
        cmocka_unit_test(a_motion_about_another_pivot_is_the_same_motion),
        cmocka_unit_test(a_motion_and_then_its_inverse_are_no_motion),
        cmocka_unit_test(two_motions_one_after_the_other_are_one),
        cmocka_unit_test(a_quarter_turn_goes_from_x_toward_y),
        cmocka_unit_test(an_exact_motion_is_found_exactly),
        cmocka_unit_test(a_third_of_outliers_does_not_move_the_fit),
        cmocka_unit_test(a_third_that_slides_one_way_does_not_drag_the_fit_along),
        cmocka_unit_test(a_pair_without_weight_does_not_count),
        cmocka_unit_test(one_place_gives_the_shift_alone_and_none_gives_nothing),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
