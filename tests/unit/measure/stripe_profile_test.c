/* Contracts of measure/stripe_profile.h: what is asked on columns is what is asked anywhere. */
#include "measure/stripe_profile.h"

#include "synth/dice.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { N_COLUMNS = 121, MIDDLE = N_COLUMNS / 2 };
static const double COLUMN_MM = 0.25;

/* One row of uneven brightness, its picture cut off on one side. */
static void draw_row(struct straight *straight, long seed)
{
    struct dice dice = dice_make(seed, 1);

    memset(straight, 0, sizeof *straight);
    straight->n_rows = 1;
    straight->n_columns = N_COLUMNS;
    straight->row_mm = 0.5;
    straight->column_mm = COLUMN_MM;
    straight->value = calloc(N_COLUMNS, sizeof *straight->value);
    straight->inside = calloc(N_COLUMNS, sizeof *straight->inside);
    straight->sum = calloc(N_COLUMNS + 1, sizeof *straight->sum);
    assert_true(straight->value != NULL && straight->inside != NULL && straight->sum != NULL);
    for (int i = 0; i < N_COLUMNS; i++) {
        straight->value[i] = (float)(90.0 + 25.0 * dice_normal(&dice));
        straight->inside[i] = i < N_COLUMNS - 8 ? 1.0F : 0.0F;
        straight->sum[i + 1] = straight->sum[i] + (double)straight->value[i];
    }
}

/* At every column and half thickness; returns how many saw picture. */
static int compare_all(const struct straight *straight, const struct stripe_kind *kind)
{
    struct stripe_profile profile;
    int n_seen = 0;

    stripe_profile_take(&profile, straight, 0);
    for (int half = 6; half <= 36; half++) {
        double half_mm = half * COLUMN_MM;
        struct stripe_bar bar = stripe_bar_make(kind, half_mm);
        float answers[N_COLUMNS];

        stripe_profile_answers(answers, &profile, &bar, 0, N_COLUMNS, 2.0);
        for (int column = 0; column < N_COLUMNS; column++) {
            double at = (column - MIDDLE) * COLUMN_MM;
            bool is_seen = straight_is_inside(straight, 0, at - half_mm - 2.0, at + half_mm + 2.0);
            double expected = is_seen ? stripe_profile_contrast(straight, kind, 0, at, half_mm) : 0.0;

            n_seen += is_seen;
            assert_true(stripe_profile_answer(&profile, &bar, column) == expected);
            assert_true(answers[column] == (float)(expected / 2.0));
        }
    }
    return n_seen;
}

static void answers_on_columns_are_the_contrasts_at_their_places(void **state)
{
    static const struct stripe_kind KINDS[] = {
        {STRIPE_BRIGHT, false, 0.0}, {STRIPE_TRIPLE_LINE, false, 0.0}, {STRIPE_TRIPLE_LINE, true, 0.0}};

    (void)state;
    for (long seed = 1; seed <= 20; seed++) {
        struct straight straight;

        draw_row(&straight, seed);
        for (size_t i = 0; i < sizeof KINDS / sizeof *KINDS; i++)
            assert_true(compare_all(&straight, &KINDS[i]) > 1000);
        straight_free(&straight);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(answers_on_columns_are_the_contrasts_at_their_places),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
