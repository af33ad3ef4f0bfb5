/* Contracts of measure/recount.h through measure/wave_list.h, on made traces: how many waves a person would
 * count who looks at the movement itself. Intervals that vary by up to 30 % and waves that differ in strength
 * by as much: common practice, no source. */
#include "measure/wave_list.h"

#include "synth/dice.h"
#include "train_fixture.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static const double DURATION_S = 120.0;
static const double MOST_ROLL = 1.5; /* standard deviations */

struct counted {
    struct wave_result result;
    double n;        /* counted */
    bool has_listed; /* a wave within 4 s of the moment asked for */
};

static struct counted count(const struct train_recipe *recipe, double about_s)
{
    struct train_fixture made = train_fixture_make(recipe);
    struct text_list reasons = {0};
    struct wave_list list = {0};
    struct counted counted = {0};
    struct error *err = NULL;

    if (!contraction_measure(&counted.result, &reasons, &made.trace, &err) ||
        !wave_list_make(&list, &made.trace, &counted.result, &err))
        fail_msg("%s", error_message(err));
    counted.n = wave_list_count(&list, &counted.result);
    for (size_t i = 0; i < list.n; i++)
        counted.has_listed |= list.wave[i].has_middle && fabs(list.wave[i].middle_s - about_s) < 4.0;
    wave_list_free(&list);
    text_list_free(&reasons);
    train_fixture_free(&made);
    return counted;
}

/* Waves whose intervals and heights vary, each as long as the shorter gap beside it. */
static struct train_recipe uneven(long seed, double rate_per_min, enum train_way way, enum train_way other)
{
    struct train_recipe recipe = {.seed = seed, .velocity_mm_per_s = 2.0};
    struct dice dice = dice_make(seed, 3);
    double interval_s = 60.0 / rate_per_min;
    double time_s = -2.0 * interval_s - interval_s * 0.1 * (double)(seed % 10);

    while (time_s < DURATION_S + 2.0 * interval_s) {
        double roll = fmin(fmax(dice_normal(&dice), -MOST_ROLL), MOST_ROLL);
        double height = fmin(fmax(dice_normal(&dice), -MOST_ROLL), MOST_ROLL);

        recipe.wave[recipe.n] = (struct train_wave){.middle_s = time_s,
                                                    .lasts_s = 0.75 * interval_s,
                                                    .height_mm = 0.8 * (1.0 + 0.2 * height),
                                                    .way = recipe.n % 3 == 0 ? other : way};
        recipe.n++;
        time_s += interval_s * (1.0 + 0.15 * roll);
    }
    return recipe;
}

/* How many trains of so many are counted as they passed; a pass within a second of an edge may count or not.
 */
static int counted_rightly(int n_trains, enum train_way way, enum train_way other)
{
    static const double rates[] = {1.5, 2.4, 3.6};
    int n_right = 0;
    int n_withheld = 0;

    for (int i = 0; i < n_trains; i++) {
        struct train_recipe recipe = uneven(i + 1, rates[i % 3], way, other);
        struct counted counted = count(&recipe, 0.0);
        double least = 0.0;
        double most = 0.0;

        for (size_t k = 0; k < recipe.n; k++) {
            least += recipe.wave[k].middle_s > 1.0 && recipe.wave[k].middle_s < DURATION_S - 1.0;
            most += recipe.wave[k].middle_s > -1.0 && recipe.wave[k].middle_s < DURATION_S + 1.0;
        }
        if (counted.result.verdict == CONTRACTIONS_NOT_ASSESSABLE) { /* two uneven waves may be no rhythm */
            assert_true(least <= 3.0);
            n_right++;
            n_withheld++;
            continue;
        }
        n_right += counted.n >= least && counted.n <= most;
        if (fabs(counted.n - 0.5 * (least + most)) > 1.5)
            fail_msg("train %d: %.0f waves counted of %.0f to %.0f", i + 1, counted.n, least, most);
    }
    assert_true(n_withheld <= 3);
    return n_right;
}

static void of_uneven_waves_those_count_that_pass_within_the_loop_though_an_edge_cuts_them(void **state)
{
    (void)state;
    assert_in_range(counted_rightly(30, TRAIN_TO_FUNDUS, TRAIN_TO_FUNDUS), 28, 30);
    assert_in_range(counted_rightly(30, TRAIN_OPPOSING, TRAIN_OPPOSING), 28, 30);
}

static void so_do_waves_that_run_either_way(void **state)
{
    (void)state;
    assert_in_range(counted_rightly(30, TRAIN_TO_FUNDUS, TRAIN_TO_CERVIX), 27, 30);
}

static void a_wave_that_stayed_away_is_neither_listed_nor_counted(void **state)
{
    (void)state;
    for (size_t i = 0; i < 10; i++) { /* walls that rest between waves, and walls that do not come to rest */
        double lasts_s = i < 5 ? 18.0 : 28.0;
        size_t left_out = 4 + i % 5;
        struct train_recipe whole = {.seed = (long)left_out};
        struct train_recipe recipe = {.seed = (long)left_out};
        struct counted counted;

        train_fixture_add(&whole, -53.0, 190.0, 3.0, TRAIN_TO_CERVIX);
        for (size_t k = 0; k < whole.n; k++)
            if (k != left_out)
                recipe.wave[recipe.n++] = whole.wave[k];
        for (size_t k = 0; k < recipe.n; k++)
            recipe.wave[k].lasts_s = lasts_s;
        counted = count(&recipe, whole.wave[left_out].middle_s);
        assert_int_equal(counted.result.verdict, CONTRACTIONS_MEASURED);
        assert_false(counted.has_listed);
        assert_true(counted.n == 5.0); /* at 7, 27 ... 107 s, without one */
    }
}

static void a_wave_of_less_strength_counts_as_one(void **state)
{
    (void)state;
    for (size_t i = 0; i < 9; i++) {
        size_t weak = i < 5 ? 4 + i : 4 + i % 4; /* so weak not beside an edge, where it is taken for none */
        struct train_recipe recipe = {.seed = (long)weak};
        struct counted counted;

        train_fixture_add(&recipe, -53.0, 190.0, 3.0, TRAIN_TO_CERVIX);
        recipe.wave[weak].height_mm =
            (i < 5 ? 0.55 : 0.45) * 0.8; /* weaker than all but one in fifteen, and in thirty */
        counted = count(&recipe, recipe.wave[weak].middle_s);
        assert_int_equal(counted.result.verdict, CONTRACTIONS_MEASURED);
        if (counted.n != 6.0)
            fail_msg("%.0f waves with a weak one at %.0f s", counted.n, recipe.wave[weak].middle_s);
        assert_false(counted.result.has_pauses);
    }
}

/* Two waves and the beginning of a third, after a minute without: what a filter rings before the first of
 * them is none. */
static void before_the_first_wave_none_is_counted(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 4; seed++) {
        struct train_recipe recipe = {.seed = seed, .n = 3, .duration_s = 160.0};

        for (int i = 0; i < 3; i++)
            recipe.wave[i] = (struct train_wave){.middle_s = 62.0 + 51.0 * i, .lasts_s = 45.0};
        assert_true(count(&recipe, 0.0).n == 2.0);
    }
}

static void a_wave_that_moves_all_places_at_once_among_others_may_run_either_way(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 4; seed++) {
        struct train_recipe recipe = {.seed = seed, .velocity_mm_per_s = 3.0};

        train_fixture_add(&recipe, -53.0, 190.0, 3.0, TRAIN_TO_CERVIX);
        assert_false(count(&recipe, 0.0).result.has_either_way);
        recipe.wave[5].way = TRAIN_AT_ONCE;
        assert_true(count(&recipe, 0.0).result.has_either_way);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(of_uneven_waves_those_count_that_pass_within_the_loop_though_an_edge_cuts_them),
        cmocka_unit_test(so_do_waves_that_run_either_way),
        cmocka_unit_test(a_wave_that_stayed_away_is_neither_listed_nor_counted),
        cmocka_unit_test(a_wave_of_less_strength_counts_as_one),
        cmocka_unit_test(a_wave_that_moves_all_places_at_once_among_others_may_run_either_way),
        cmocka_unit_test(before_the_first_wave_none_is_counted),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
