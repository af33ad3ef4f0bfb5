/* Contracts of motion/shift.h. Against general libraries and real samples: tests/outside/shift_test.c. */
#include "../../support/speckle_fixture.h"
#include "motion/shift.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { WIDTH = 120, HEIGHT = 90, N_UNRELATED = 150 };
static const double REACH_PX = 9.0;     /* two speckles */
static const double TO_WITHIN_PX = 0.3; /* a first guess: patches refine it */

static void the_whole_picture_moves_by_what_it_was_moved(void **state)
{
    static const double moves[][2] = {{0.0, 0.0}, {6.4, -3.7}, {-12.0, 8.0}, {0.5, 0.25}};
    struct shift *shift = shift_make(WIDTH, HEIGHT);

    (void)state;
    assert_non_null(shift);
    for (size_t i = 0; i < sizeof moves / sizeof moves[0]; i++) {
        struct rigid moved = {.shift_x = moves[i][0], .shift_y = moves[i][1]};
        struct raster *from = speckle_fixture_picture(WIDTH, HEIGHT, 1, NULL);
        struct raster *to = speckle_fixture_picture(WIDTH, HEIGHT, 1, &moved);
        struct shift_answer found = shift_find(shift, from, to, NULL, REACH_PX);

        assert_true(found.height > 3.0 && found.lead >= SHIFT_SURE_LEAD);
        if (!(hypot(found.dx_px - moves[i][0], found.dy_px - moves[i][1]) < TO_WITHIN_PX))
            fail_msg("moved %g %g, found %.2f %.2f", moves[i][0], moves[i][1], found.dx_px, found.dy_px);
        raster_free(&from);
        raster_free(&to);
    }
    shift_free(&shift);
    assert_null(shift);
}

static void other_tissue_gives_no_sure_peak(void **state)
{
    struct shift *shift = shift_make(WIDTH, HEIGHT);
    int n_sure = 0;

    (void)state;
    assert_non_null(shift);
    for (long seed = 1; seed <= N_UNRELATED; seed++) {
        struct raster *from = speckle_fixture_picture(WIDTH, HEIGHT, seed, NULL);
        struct raster *to = speckle_fixture_picture(WIDTH, HEIGHT, seed + 500, NULL);
        struct shift_answer found = shift_find(shift, from, to, NULL, REACH_PX);

        if (!(found.height < 2.5))
            fail_msg("seed %ld: %.1f times chance", seed, found.height);
        n_sure += found.lead >= SHIFT_SURE_LEAD;
        raster_free(&from);
        raster_free(&to);
    }
    print_message("%d of %d pairs of other tissue taken\n", n_sure, N_UNRELATED);
    assert_true(n_sure <= 5); /* 1.5 are due; more than 5 come with a chance below 0.005 */
    shift_free(&shift);
}

/* Text stays while tissue moves: with a window over the tissue the still part does not count. */
static void what_the_window_leaves_out_does_not_count(void **state)
{
    struct shift *shift = shift_make(WIDTH, HEIGHT);
    struct rigid moved = {.shift_x = 5.0, .shift_y = 2.0};
    struct raster *from = speckle_fixture_picture(WIDTH, HEIGHT, 2, NULL);
    struct raster *to = speckle_fixture_picture(WIDTH, HEIGHT, 2, &moved);
    struct raster *window = raster_make(WIDTH, HEIGHT);
    struct shift_answer found;

    (void)state;
    assert_true(shift != NULL && window != NULL);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            size_t i = (size_t)y * WIDTH + (size_t)x;

            window->value[i] = x >= 16 && x < WIDTH - 2 && y >= 2 && y < HEIGHT - 2 ? 1.0F : 0.0F;
            if (x < 14)
                from->value[i] = to->value[i] = (x + y) % 5 < 2 ? 255.0F : 0.0F;
        }
    assert_true(raster_smooth(window, 1.0, 1.0));
    found = shift_find(shift, from, to, window, REACH_PX);
    assert_true(found.height > 3.0 && found.lead >= SHIFT_SURE_LEAD);
    if (!(hypot(found.dx_px - 5.0, found.dy_px - 2.0) < 0.5))
        fail_msg("found %.2f %.2f", found.dx_px, found.dy_px);
    raster_free(&from);
    raster_free(&to);
    raster_free(&window);
    shift_free(&shift);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_whole_picture_moves_by_what_it_was_moved),
        cmocka_unit_test(other_tissue_gives_no_sure_peak),
        cmocka_unit_test(what_the_window_leaves_out_does_not_count),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
