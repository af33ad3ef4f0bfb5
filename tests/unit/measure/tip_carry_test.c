/* Contracts of measure/tip_carry.h, on texture whose motion is known exactly. */
#include "../../support/speckle_fixture.h"
#include "measure/tip_carry.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { WIDTH = 300, HEIGHT = 150, N_KEYS = 8, N_POSITIONS = 12 };
static const double MM_PER_PX = 0.25;
static const double DRAWN_PX = 4.0, SIGMA_PX = 35.0;
static const struct point TIP = {60.0, 75.0}, OTHER_TIP = {250.0, 75.0};

/* Tissue about the first tip is drawn 1 mm aside in the first key, as by a wave, and lies at rest in all
 * others. */
static struct raster *key_of(int key)
{
    const struct rigid still = {0};
    struct raster *rest = speckle_fixture_picture(WIDTH, HEIGHT, 33, &still);
    struct raster *made = raster_make(WIDTH, HEIGHT);

    assert_true(rest != NULL && made != NULL);
    for (int y = 0; y < HEIGHT; y++)
        for (int x = 0; x < WIDTH; x++) {
            double away = hypot(x - TIP.x_px, y - TIP.y_px) / SIGMA_PX;
            double drawn = key == 0 ? DRAWN_PX * exp(-0.5 * away * away) : 0.0;

            made->value[y * WIDTH + x] = raster_at(rest, x - drawn, y);
        }
    speckle_fixture_noise(made, key, 5.0, 1.0);
    raster_free(&rest);
    return made;
}

static struct tissue *tissue_of(struct follow *follow, const struct canvas *canvas)
{
    struct raster *keys[N_KEYS];
    struct raster *window = raster_make(WIDTH, HEIGHT);
    const double mm_per_px[2] = {canvas->mm_per_px_x, canvas->mm_per_px_y};
    double time_s[N_KEYS];
    struct tissue *tissue = NULL;
    struct error *err = NULL;

    for (size_t i = 0; i < (size_t)WIDTH * HEIGHT; i++)
        window->value[i] = 1.0F;
    for (int k = 0; k < N_KEYS; k++) {
        keys[k] = key_of(k);
        time_s[k] = 3.0 * k;
    }
    follow->n_positions = N_POSITIONS;
    follow->rest = calloc(2 * N_POSITIONS + 2, sizeof *follow->rest);
    for (size_t i = 0; i < 2 * N_POSITIONS; i++)
        follow->rest[i] = (struct point){72.0 + 15.0 * (double)(i / 2), 75.0 + (i % 2 == 0 ? -12.0 : 12.0)};
    follow->rest[2 * N_POSITIONS] = TIP;
    follow->rest[2 * N_POSITIONS + 1] = OTHER_TIP;
    if (!tissue_make(&tissue, keys, time_s, N_KEYS, window, mm_per_px, &err) ||
        !tissue_set_points(tissue, follow->rest, 2 * N_POSITIONS + 2, &err))
        fail_msg("%s", error_message(err));
    raster_free(&window);
    return tissue;
}

static void a_tip_drawn_aside_in_the_first_key_is_told_where_it_lies_in_each(void **state)
{
    const struct canvas canvas = {.step_px = 1, .mm_per_px_x = MM_PER_PX, .mm_per_px_y = MM_PER_PX};
    const bool is_given[2] = {false, false};
    struct follow follow = {0};
    struct tissue *tissue = tissue_of(&follow, &canvas);
    struct point place[2 * N_POSITIONS + 2];
    float trust[2 * N_POSITIONS + 2], error_px[2 * N_POSITIONS + 2];
    struct tissue_view view = {.place = place, .point_trust = trust, .error_px = error_px};

    (void)state;
    tip_carry_settle(&follow, &canvas, tissue, is_given);
    assert_true(fabs(follow.tip_stray_mm[0][0] + DRAWN_PX * MM_PER_PX * (N_KEYS - 1) / N_KEYS) < 0.25);
    assert_true(fabs(follow.tip_stray_mm[0][1]) < 0.1);
    assert_true(hypot(follow.tip_stray_mm[1][0], follow.tip_stray_mm[1][1]) < 0.1);
    /* The mean picture shows the tip where it lies in seven of eight keys; in the first it is 1 mm aside. */
    for (int key = 0; key < 2; key++) {
        struct raster *frame = key_of(key);
        double drawn_px = key == 0 ? DRAWN_PX : 0.0;
        struct point told;

        assert_true(tissue_look(tissue, frame, 3.0 * key, &view));
        told = tip_carry_place(&follow, &canvas, &view, 0);
        assert_true(fabs(told.x_px - TIP.x_px - drawn_px) * MM_PER_PX < 0.3);
        assert_true(fabs(told.y_px - TIP.y_px) * MM_PER_PX < 0.1);
        raster_free(&frame);
    }
    free(follow.rest);
    tissue_free(&tissue);
}

static void a_tip_that_was_marked_in_the_first_key_stays_as_marked(void **state)
{
    const struct canvas canvas = {.step_px = 1, .mm_per_px_x = MM_PER_PX, .mm_per_px_y = MM_PER_PX};
    const bool is_given[2] = {true, true};
    struct follow follow = {0};
    struct tissue *tissue = tissue_of(&follow, &canvas);

    (void)state;
    tip_carry_settle(&follow, &canvas, tissue, is_given);
    for (int tip = 0; tip < 2; tip++)
        assert_true(follow.tip_stray_mm[tip][0] == 0.0 && follow.tip_stray_mm[tip][1] == 0.0);
    free(follow.rest);
    tissue_free(&tissue);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_tip_drawn_aside_in_the_first_key_is_told_where_it_lies_in_each),
        cmocka_unit_test(a_tip_that_was_marked_in_the_first_key_stays_as_marked),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
