/* Contracts of measure/wave_list.h on made traces: what a person who counts waves by eye would write down. */
#include "measure/wave_list.h"

#include "train_fixture.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static const double END_PLACE = TRAIN_FIXTURE_PLACES - 1;

static struct wave_list list_of(const struct train_recipe *recipe, struct wave_result *result)
{
    struct train_fixture made = train_fixture_make(recipe);
    struct text_list reasons = {0};
    struct wave_list list = {0};
    struct error *err = NULL;

    if (!contraction_measure(result, &reasons, &made.trace, &err) ||
        !wave_list_make(&list, &made.trace, result, &err))
        fail_msg("%s", error_message(err));
    text_list_free(&reasons);
    train_fixture_free(&made);
    return list;
}

static enum wave_direction direction_of(enum train_way way)
{
    return way == TRAIN_OPPOSING    ? DIRECTION_OPPOSING
           : way == TRAIN_TO_FUNDUS ? DIRECTION_CERVIX_TO_FUNDUS
                                    : DIRECTION_FUNDUS_TO_CERVIX;
}

/* When the walls begin to draw together at the first place, and when they are back at the last one. */
static void true_times(const struct train_recipe *recipe, size_t i, double *start_s, double *end_s)
{
    double middle_s = train_fixture_crest_s(recipe, i, 0.5 * END_PLACE);
    double one_s = train_fixture_crest_s(recipe, i, 0.0);
    double other_s = train_fixture_crest_s(recipe, i, END_PLACE);
    double half_s = 0.5 * train_fixture_lasts_s(recipe, i);

    *start_s = fmin(fmin(one_s, other_s), middle_s) - half_s;
    *end_s = fmax(fmax(one_s, other_s), middle_s) + half_s;
}

/* A second; of waves that last half a minute and more at a place a twentieth of that; where waves from both
 * ends meet, half as much more. */
static double within_s(const struct train_recipe *recipe, size_t i)
{
    return fmax(1.0, 0.05 * train_fixture_lasts_s(recipe, i)) *
           (recipe->wave[i].way == TRAIN_OPPOSING ? 1.5 : 1.0);
}

/* Every wave whose whole course lies in the loop is listed once, with its times and its way. */
static void check_waves(const struct train_recipe *recipe, const struct wave_list *list, double duration_s)
{
    double velocity = recipe->velocity_mm_per_s > 0.0 ? recipe->velocity_mm_per_s : 1.5;

    for (size_t i = 0; i < recipe->n; i++) {
        double within = within_s(recipe, i);
        double start_s = 0.0;
        double end_s = 0.0;
        size_t n_found = 0;

        true_times(recipe, i, &start_s, &end_s);
        if (start_s < 1.0 || end_s > duration_s - 1.0)
            continue;
        for (size_t k = 0; k < list->n; k++) {
            const struct wave_one *wave = &list->wave[k];

            if (!wave->has_middle || fabs(wave->middle_s - recipe->wave[i].middle_s) > within)
                continue;
            n_found++;
            assert_true(wave->has_start && fabs(wave->start_s - start_s) < within);
            assert_true(wave->has_end && fabs(wave->end_s - end_s) < within);
            assert_int_equal(wave->direction, direction_of(recipe->wave[i].way));
            assert_true(wave->has_speed); /* each half of the stripe tells it less surely than the whole */
            assert_true(fabs(wave->speed_per_s / velocity - 1.0) <
                        (recipe->wave[i].way == TRAIN_OPPOSING ? 0.25 : 0.15));
            assert_true(fabs(wave->strength / 0.4 - 1.0) < 0.15);
        }
        if (n_found != 1)
            fail_msg("the wave at %.1f s is listed %zu times", recipe->wave[i].middle_s, n_found);
    }
}

static void steady_waves_are_listed_one_by_one_with_their_times(void **state)
{
    static const double rates[] = {1.5, 2.4, 4.2};
    static const enum train_way ways[] = {TRAIN_TO_FUNDUS, TRAIN_TO_CERVIX, TRAIN_OPPOSING};

    (void)state;
    for (int i = 0; i < 9; i++) {
        struct train_recipe recipe = {.seed = i + 1, .velocity_mm_per_s = 1.5};
        struct wave_result result;
        struct wave_list list;

        train_fixture_add(&recipe, -60.0 + i, 190.0, rates[i / 3], ways[i % 3]);
        list = list_of(&recipe, &result);
        check_waves(&recipe, &list, 120.0);
        assert_true(fabs(list.n_middle - result.count) <= 1.0);
        wave_list_free(&list);
    }
}

/* How many waves pass the middle in a loop does not hang on when the recording began: whole waves are
 * counted, cut off at either edge or not. Crests within a second of an edge may be counted or not. */
static void a_wave_cut_off_by_an_edge_is_counted_where_it_passes_the_middle(void **state)
{
    static const double rates[] = {1.5, 2.4, 4.2};
    static const enum train_way ways[] = {TRAIN_TO_FUNDUS, TRAIN_TO_CERVIX, TRAIN_OPPOSING};

    (void)state;
    for (int i = 0; i < 45; i++) {
        struct train_recipe recipe = {.seed = i + 1, .velocity_mm_per_s = 1.5};
        struct wave_result result;
        struct wave_list list;
        double interval_s = 60.0 / rates[i % 3];
        double n_least = 0.0;
        double n_most = 0.0;
        double counted = 0.0;

        train_fixture_add(&recipe, -60.0 + interval_s * (i * 4 % 15) / 15.0, 190.0, rates[i % 3],
                          ways[i / 3 % 3]);
        for (size_t k = 0; k < recipe.n; k++) {
            n_least += recipe.wave[k].middle_s > 1.0 && recipe.wave[k].middle_s < 119.0;
            n_most += recipe.wave[k].middle_s > -1.0 && recipe.wave[k].middle_s < 121.0;
        }
        list = list_of(&recipe, &result);
        counted = wave_list_count(&list, &result);
        if (counted < n_least || counted > n_most)
            fail_msg("%.0f waves counted of %.0f to %.0f", counted, n_least, n_most);
        wave_list_free(&list);
    }
}

static void waves_that_run_either_way_are_listed_each_with_its_own_way(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 4; seed++) {
        struct train_recipe recipe = {.seed = seed, .velocity_mm_per_s = 2.5};
        struct wave_result result;
        struct wave_list list;

        train_fixture_add(&recipe, -30.0, 160.0, 1.9, TRAIN_TO_FUNDUS);
        for (size_t i = 0; i < recipe.n; i++) {
            recipe.wave[i].lasts_s = 14.0;
            recipe.wave[i].way = (i * 7 + (size_t)seed) % 3 == 0 ? TRAIN_TO_CERVIX : TRAIN_TO_FUNDUS;
        }
        list = list_of(&recipe, &result);
        for (size_t k = 0; k < list.n; k++)
            for (size_t i = 0; i < recipe.n; i++)
                if (list.wave[k].has_middle && fabs(list.wave[k].middle_s - recipe.wave[i].middle_s) < 2.0)
                    assert_int_equal(list.wave[k].direction, direction_of(recipe.wave[i].way));
        assert_true(fabs(list.n_middle - train_fixture_waves(&recipe, 0.0, 120.0)) <= 1.0);
        wave_list_free(&list);
    }
}

static void in_a_pause_no_wave_is_listed(void **state)
{
    struct train_recipe recipe = {.seed = 3};
    struct wave_result result;
    struct wave_list list = {0};

    (void)state;
    train_fixture_add(&recipe, -40.0, 40.0, 3.0, TRAIN_TO_FUNDUS);
    train_fixture_add(&recipe, 115.0, 200.0, 3.0, TRAIN_TO_FUNDUS);
    recipe.duration_s = 160.0;
    list = list_of(&recipe, &result);
    assert_true(list.n >= 4);
    for (size_t k = 0; k < list.n; k++)
        if (list.wave[k].has_middle)
            assert_false(list.wave[k].middle_s > 45.0 && list.wave[k].middle_s < 110.0);
    wave_list_free(&list);
}

static void in_a_quiet_uterus_no_wave_is_listed(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 8; seed++) {
        struct wave_result result;
        struct wave_list list = list_of(&(struct train_recipe){.seed = seed}, &result);

        assert_int_equal(result.verdict, CONTRACTIONS_QUIESCENT);
        assert_int_equal(list.n, 0);
        wave_list_free(&list);
    }
}

static void waves_that_the_ends_of_the_loop_cut_off_are_not_whole(void **state)
{
    struct train_recipe recipe = {.seed = 5, .velocity_mm_per_s = 1.2};
    struct wave_result result;
    struct wave_list list = {0};
    size_t n_begun = 0;
    size_t n_going_on = 0;

    (void)state;
    train_fixture_add(&recipe, -80.0, 220.0, 3.0, TRAIN_TO_CERVIX);
    list = list_of(&recipe, &result);
    for (size_t k = 0; k < list.n; k++) {
        n_begun += !list.wave[k].has_start;
        n_going_on += !list.wave[k].has_end;
        for (size_t i = 0; i < recipe.n; i++) {
            double start_s = 0.0;
            double end_s = 0.0;

            true_times(&recipe, i, &start_s, &end_s);
            if (fabs(list.wave[k].middle_s - recipe.wave[i].middle_s) > 3.0)
                continue;
            if (start_s < -1.0) /* began before the loop: no time is made up */
                assert_false(list.wave[k].has_start);
            if (end_s > 121.0)
                assert_false(list.wave[k].has_end);
        }
    }
    assert_true(n_begun >= 1 && n_going_on >= 1);
    wave_list_free(&list);
}

static void walls_that_move_all_at_once_list_no_waves(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 6; seed++) {
        struct train_recipe recipe = {.seed = seed};
        struct wave_result result;
        struct wave_list list;

        train_fixture_add(&recipe, -60.0, 190.0, 2.4, TRAIN_AT_ONCE);
        list = list_of(&recipe, &result);
        assert_int_equal(result.verdict, CONTRACTIONS_NOT_ASSESSABLE);
        assert_int_equal(list.n, 0);
        wave_list_free(&list);
    }
}

static void the_strength_of_a_wave_is_its_own(void **state)
{
    struct train_recipe recipe = {.seed = 9};
    struct wave_result result;
    struct wave_list list = {0};

    (void)state;
    train_fixture_add(&recipe, -60.0, 190.0, 2.4, TRAIN_TO_FUNDUS);
    for (size_t i = 0; i < recipe.n; i++)
        recipe.wave[i].height_mm = i % 2 == 0 ? 1.2 : 0.7;
    list = list_of(&recipe, &result);
    for (size_t k = 0; k < list.n; k++)
        for (size_t i = 0; i < recipe.n; i++)
            if (list.wave[k].has_start && list.wave[k].has_end && list.wave[k].has_middle &&
                fabs(list.wave[k].middle_s - recipe.wave[i].middle_s) < 3.0)
                assert_true(fabs(list.wave[k].strength / (0.5 * recipe.wave[i].height_mm) - 1.0) < 0.2);
    wave_list_free(&list);
}

static void waves_are_listed_only_from_the_time_that_was_looked_at(void **state)
{
    struct train_recipe recipe = {.seed = 11, .duration_s = 160.0, .lost_from_s = 30.0, .lost_to_s = 45.0};
    struct wave_result result;
    struct wave_list list = {0};

    (void)state;
    train_fixture_add(&recipe, -60.0, 220.0, 2.4, TRAIN_TO_FUNDUS);
    list = list_of(&recipe, &result);
    assert_true(list.n >= 3);
    for (size_t k = 0; k < list.n; k++) {
        assert_true(list.wave[k].crest_s >= 44.0);
        assert_true(!list.wave[k].has_start || list.wave[k].start_s >= 45.0);
    }
    wave_list_free(&list);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(steady_waves_are_listed_one_by_one_with_their_times),
        cmocka_unit_test(a_wave_cut_off_by_an_edge_is_counted_where_it_passes_the_middle),
        cmocka_unit_test(waves_that_run_either_way_are_listed_each_with_its_own_way),
        cmocka_unit_test(in_a_pause_no_wave_is_listed),
        cmocka_unit_test(in_a_quiet_uterus_no_wave_is_listed),
        cmocka_unit_test(waves_that_the_ends_of_the_loop_cut_off_are_not_whole),
        cmocka_unit_test(walls_that_move_all_at_once_list_no_waves),
        cmocka_unit_test(the_strength_of_a_wave_is_its_own),
        cmocka_unit_test(waves_are_listed_only_from_the_time_that_was_looked_at),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
