/* Contracts of measure/transients.h: what comes or goes in tissue that sways, on texture whose motion is
 * known exactly (tests/support/speckle_fixture.h). */
#include "../../support/speckle_fixture.h"
#include "measure/transients.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { SIDE = 200, N_KEYS = 24 };
static const double PI = 3.14159265358979323846;
static const double PX_MM = 0.25;
static const double MAP_MM = 0.5;
static const double BUBBLES_PX[2] = {120.0, 90.0}; /* at rest */
static const double SHAFT_END_PX = 40.0; /* a shaft lies from here to the bubbles, level with them */

struct scene {
    int n_keys;
    int bubbles_from, bubbles_end; /* keys that show them */
    int shaft_from, shaft_end;
};

static struct rigid sway(int key)
{
    double phase = 2.0 * PI * key / N_KEYS;

    return (struct rigid){.pivot_x = 0.5 * SIDE,
                          .pivot_y = 0.5 * SIDE,
                          .turn_rad = 0.02 * sin(2.0 * phase),
                          .shift_x = 4.0 * sin(3.0 * phase),
                          .shift_y = 2.0 * sin(5.0 * phase)};
}

static double shine(const struct scene *scene, int key, double x, double y)
{
    double bubbles = exp(-0.5 * (pow(x - BUBBLES_PX[0], 2.0) + pow(y - BUBBLES_PX[1], 2.0)) / 16.0);
    double shaft =
        x > SHAFT_END_PX && x < BUBBLES_PX[0] ? exp(-0.5 * pow(y - BUBBLES_PX[1], 2.0) / 9.0) : 0.0;
    double sum = 0.0;

    if (key >= scene->bubbles_from && key < scene->bubbles_end)
        sum += 120.0 * bubbles;
    if (key >= scene->shaft_from && key < scene->shaft_end)
        sum += 80.0 * shaft;
    return sum;
}

static struct raster *take_key(const struct scene *scene, int key)
{
    struct rigid moved = sway(key);
    struct raster *picture = speckle_fixture_picture(SIDE, SIDE, 5, &moved);

    speckle_fixture_noise(picture, 100 + key, 8.0, 1.0);
    for (int y = 0; y < SIDE; y++)
        for (int x = 0; x < SIDE; x++) {
            double rest[2];

            rigid_undo(&moved, x, y, &rest[0], &rest[1]);
            picture->value[y * SIDE + x] += (float)shine(scene, key, rest[0], rest[1]);
        }
    return picture;
}

static void make(struct transients *transients, const struct scene *scene)
{
    const double mm_per_px[2] = {PX_MM, PX_MM};
    const struct canvas canvas = {
        .width_px = SIDE, .height_px = SIDE, .step_px = 1, .mm_per_px_x = PX_MM, .mm_per_px_y = PX_MM};
    struct raster *keys[N_KEYS];
    double time_s[N_KEYS];
    struct raster *window = raster_make(SIDE, SIDE);
    struct tissue *tissue = NULL;
    struct error *err = NULL;

    assert_non_null(window);
    for (int i = 0; i < SIDE * SIDE; i++)
        window->value[i] = 1.0F;
    for (int k = 0; k < scene->n_keys; k++) {
        keys[k] = take_key(scene, k);
        time_s[k] = 2.5 * k;
    }
    if (!tissue_make(&tissue, keys, time_s, (size_t)scene->n_keys, window, mm_per_px, &err) ||
        !transients_make(transients, tissue, &canvas, window, MAP_MM, &err))
        fail_msg("%s", error_message(err));
    tissue_free(&tissue);
    raster_free(&window);
}

/* Largest level within reach_mm of a place at rest (canvas pixels), or farther than that from it. */
static double most(const struct transients *transients, const double px[2], double reach_mm, bool is_near)
{
    double found = -HUGE_VAL;

    for (int y = 0; y < transients->level->height_px; y++)
        for (int x = 0; x < transients->level->width_px; x++) {
            double away_mm =
                hypot((x + 0.5) * MAP_MM - (px[0] + 0.5) * PX_MM, (y + 0.5) * MAP_MM - (px[1] + 0.5) * PX_MM);

            if ((away_mm <= reach_mm) == is_near)
                found = fmax(found, (double)transients->level->value[y * transients->level->width_px + x]);
        }
    return found;
}

static void bubbles_that_appear_stand_out_and_swaying_tissue_does_not(void **state)
{
    const struct scene scene = {.n_keys = N_KEYS, .bubbles_from = 6, .bubbles_end = N_KEYS};
    struct transients transients;
    double place_mm[TRANSIENTS_MOST_PLACES][2];

    (void)state;
    make(&transients, &scene);
    assert_non_null(transients.level);
    assert_true(most(&transients, BUBBLES_PX, 1.0, true) > 2.0 * TRANSIENTS_LEAST);
    assert_true(most(&transients, BUBBLES_PX, 5.0, false) < TRANSIENTS_LEAST);
    assert_int_equal(transients_places(&transients, place_mm), 1);
    assert_true(hypot(place_mm[0][0] - 30.1, place_mm[0][1] - 22.6) < 1.0);
    transients_free(&transients);
}

static void what_bubbles_add_to_the_mean_is_told_in_grey_levels(void **state)
{
    /* Seen in 12 of 24 keys, 120 grey levels at most: 60 in the mean, less what smoothing takes. */
    const struct scene scene = {.n_keys = N_KEYS, .bubbles_from = 12, .bubbles_end = N_KEYS};
    struct transients transients;
    int x = (int)((BUBBLES_PX[0] + 0.5) * PX_MM / MAP_MM);
    int y = (int)((BUBBLES_PX[1] + 0.5) * PX_MM / MAP_MM);
    double excess = 0.0;

    (void)state;
    make(&transients, &scene);
    excess = (double)transients.excess->value[y * transients.excess->width_px + x];
    assert_true(excess > 25.0 && excess < 66.0);
    assert_true(transients.excess->value[0] == 0.0F);
    transients_free(&transients);
}

static void a_shaft_that_comes_and_goes_has_two_ends(void **state)
{
    const struct scene scene = {
        .n_keys = N_KEYS, .bubbles_from = 6, .bubbles_end = N_KEYS, .shaft_from = 4, .shaft_end = 10};
    struct transients transients;
    double place_mm[TRANSIENTS_MOST_PLACES][2];
    double first_mm = (SHAFT_END_PX + 0.5) * PX_MM;
    size_t n = 0;
    bool is_end = false;

    (void)state;
    make(&transients, &scene);
    n = transients_places(&transients, place_mm);
    assert_true(n >= 2);
    for (size_t i = 1; i < n; i++)
        is_end = is_end || fabs(place_mm[i][0] - first_mm) < 4.0;
    assert_true(is_end);
    assert_true(transients_touch(&transients, (double[2]){20.0, 22.6}));
    assert_false(transients_touch(&transients, (double[2]){20.0, 32.0}));
    transients_free(&transients);
}

static void quiet_tissue_has_none(void **state)
{
    const struct scene scene = {.n_keys = N_KEYS};
    struct transients transients;
    double place_mm[TRANSIENTS_MOST_PLACES][2];

    (void)state;
    make(&transients, &scene);
    assert_int_equal(transients_places(&transients, place_mm), 0);
    transients_free(&transients);
}

static void too_few_pictures_cannot_tell(void **state)
{
    const struct scene scene = {.n_keys = 5, .bubbles_from = 2, .bubbles_end = 5};
    struct transients transients;
    double place_mm[TRANSIENTS_MOST_PLACES][2];

    (void)state;
    make(&transients, &scene);
    assert_null(transients.level);
    assert_null(transients.excess);
    assert_int_equal(transients_places(&transients, place_mm), 0);
    assert_false(transients_touch(&transients, (double[2]){20.0, 22.6}));
    transients_free(&transients);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bubbles_that_appear_stand_out_and_swaying_tissue_does_not),
        cmocka_unit_test(what_bubbles_add_to_the_mean_is_told_in_grey_levels),
        cmocka_unit_test(a_shaft_that_comes_and_goes_has_two_ends),
        cmocka_unit_test(quiet_tissue_has_none),
        cmocka_unit_test(too_few_pictures_cannot_tell),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
