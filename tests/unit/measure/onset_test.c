/* Contracts of measure/onset.h, on a made strip in which one place brightens. */
#include "measure/onset.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { PER_S = 8, N = 20 * PER_S, N_ROWS = 41, N_COLUMNS = 31, ROW = 20, COLUMN = 15, REACH = 6 };
static const double SLIDES_FROM_S = 9.0, SLIDES_TO_S = 10.25, BUBBLES_S = 12.0;

/* What the catheter adds as it slides in, and the bubbles at once. */
static double added(double time_s, double shaft_grey, double bubble_grey)
{
    double in = fmin(fmax((time_s - SLIDES_FROM_S) / (SLIDES_TO_S - SLIDES_FROM_S), 0.0), 1.0);

    return shaft_grey * in + (time_s >= BUBBLES_S ? bubble_grey : 0.0);
}

/* The instant that is told of a place which a catheter brightens before the bubbles do. */
static double told_s(double shaft_grey, double bubble_grey)
{
    struct follow follow = {.n_frames = N, .n_rows = N_ROWS, .n_columns = N_COLUMNS};
    struct cluster cluster = {.catheter_from_last = true};
    struct hunt hunt = {.follow = &follow, .cluster = &cluster, .n_rows = N_ROWS, .n_columns = N_COLUMNS};
    double time_s[N];
    long tip[N];
    double told = 0.0;

    follow.time_s = time_s;
    follow.strip = calloc((size_t)N * N_ROWS * N_COLUMNS, 1);
    hunt.background = calloc((size_t)N_ROWS * N_COLUMNS, sizeof *hunt.background);
    hunt.lift = calloc(N, sizeof *hunt.lift);
    assert_true(follow.strip && hunt.background && hunt.lift);
    for (size_t t = 0; t < N; t++) {
        time_s[t] = (double)t / PER_S;
        tip[t] = -1;
        for (long i = 0; i < (long)N_ROWS * N_COLUMNS; i++)
            if (labs(i / N_COLUMNS - ROW) <= REACH && labs(i % N_COLUMNS - COLUMN) <= REACH)
                follow.strip[t * N_ROWS * N_COLUMNS + (size_t)i] =
                    (uint8_t)lrint(added(time_s[t], shaft_grey, bubble_grey));
    }
    assert_true(onset_find(&hunt, (size_t)(BUBBLES_S * PER_S), tip, ROW, COLUMN));
    told = time_s[cluster.onset];
    free(follow.strip);
    hunt_free(&hunt);
    return told;
}

static void the_instant_is_where_a_place_brightens(void **state)
{
    (void)state;
    assert_true(fabs(told_s(0.0, 60.0) - BUBBLES_S) <= 1.0 / PER_S);
}

static void a_catheter_that_slides_in_is_not_the_coming_of_the_bubbles(void **state)
{
    (void)state;
    assert_true(fabs(told_s(30.0, 60.0) - BUBBLES_S) <= 1.0 / PER_S);
    assert_true(fabs(told_s(60.0, 40.0) - BUBBLES_S) <= 1.0 / PER_S);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_instant_is_where_a_place_brightens),
        cmocka_unit_test(a_catheter_that_slides_in_is_not_the_coming_of_the_bubbles),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
