#include "synth/scene.h"

#include "synth/truth.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

/* Nothing but the waves moves. */
static struct recipe still_probe(void)
{
    struct recipe recipe = recipe_default();

    recipe.duration_s = 60;
    recipe.scatterers_per_mm2 = 4;
    recipe.breathing_mm = recipe.breathing_turn_deg = recipe.breathing_strain = 0;
    recipe.pulse_mm = recipe.probe_walk_mm = recipe.probe_walk_deg = recipe.bowel_mm = 0;
    recipe.amplitude_jitter = recipe.interval_jitter = 0;
    recipe.lengthwise_mm = 0;
    recipe.amplitude_mm = 0.6;
    return recipe;
}

static struct scene *scene_of(struct recipe *recipe)
{
    struct scene *scene = NULL;
    struct error *err = NULL;

    assert_true(recipe_settle(recipe, &err));
    assert_true(scene_make(&scene, recipe, 60.0, &err));
    return scene;
}

/* The scatterer that lies nearest to a place of the resting tissue. */
static struct element nearest(const struct scene *scene, struct place place)
{
    struct element found = {0};
    double least = HUGE_VAL;

    for (size_t b = 0; b < scene->n_blocks; b++)
        for (size_t i = 0; i < scene->scatterers[b].n; i++) {
            struct element e = movement_stored(&scene->scatterers[b].elements, i);
            double away = hypot((double)e.x_mm - place.x_mm, (double)e.y_mm - place.y_mm);

            if (away < least) {
                least = away;
                found = e;
            }
        }
    return found;
}

static struct place at_time(const struct scene *scene, const struct element *element, double time_s)
{
    struct instant instant;

    movement_at(scene->movement, time_s, &instant);
    return movement_place(&instant, element);
}

/* The many at once and the one are written twice by the compiler. */
static void scatterers_are_carried_together_to_where_each_goes(void **state)
{
    struct recipe recipe = recipe_default();
    struct scene *scene = scene_of(&recipe);
    float x_mm[ELEMENTS_TOGETHER], y_mm[ELEMENTS_TOGETHER];
    struct instant instant;

    (void)state;
    movement_at(scene->movement, 7.3, &instant);
    for (size_t b = 0; b < scene->n_blocks; b++) {
        movement_carry(&instant, &scene->scatterers[b].elements, x_mm, y_mm);
        for (size_t i = 0; i < scene->scatterers[b].n; i++) {
            struct element element = movement_stored(&scene->scatterers[b].elements, i);
            struct place place = movement_place(&instant, &element);

            assert_true(x_mm[i] == (float)place.x_mm && y_mm[i] == (float)place.y_mm);
        }
    }
    scene_free(&scene);
}

static void the_walls_of_the_truth_move_as_the_scatterers_in_them_do(void **state)
{
    struct recipe recipe = still_probe();
    struct scene *scene = scene_of(&recipe);
    double s = 16.0, low = HUGE_VAL, high = -HUGE_VAL, upper_share = 0.0;
    struct element walls[2];

    (void)state;
    for (int i = 0; i < 2; i++) {
        int side = i == 0 ? 1 : -1;
        /* a little outside the wall, where the motion is that of the wall to a hundredth */
        struct along along = {s, side * (anatomy_wall_mm(scene->anatomy, s, side) + 0.05)};

        walls[i] = nearest(scene, anatomy_place(scene->anatomy, along));
    }
    for (double t = 0.0; t < 60.0; t += 0.1) {
        struct place upper = at_time(scene, &walls[0], t), lower = at_time(scene, &walls[1], t);
        double apart = hypot(upper.x_mm - lower.x_mm, upper.y_mm - lower.y_mm);

        low = fmin(low, apart);
        high = fmax(high, apart);
    }
    assert_true(fabs(0.5 * (high - low) - 0.6) < 0.04);
    assert_true(fabs(truth_amplitude_mm(scene, &upper_share) - 0.6) < 0.01);
    assert_true(fabs(upper_share - 0.5) < 0.01);
    scene_free(&scene);
}

static void each_wall_moves_half_unless_told_otherwise(void **state)
{
    struct recipe recipe = still_probe();
    struct scene *scene = NULL;
    double upper_share = 0.0;

    (void)state;
    recipe.wall_share = 0.8;
    scene = scene_of(&recipe);
    assert_true(fabs(truth_amplitude_mm(scene, &upper_share) - 0.6) < 0.01);
    assert_true(fabs(upper_share - 0.8) < 0.01);
    scene_free(&scene);
}

static void probe_and_breathing_do_not_change_the_distance_of_the_walls(void **state)
{
    struct recipe recipe = still_probe();
    struct scene *scene = NULL;
    struct instant instant;
    double first = 0.0;

    (void)state;
    recipe.rate_per_min = 0;
    recipe.probe_walk_mm = 2;
    recipe.probe_walk_deg = 3;
    recipe.breathing_mm = 1;
    recipe.breathing_turn_deg = 1;
    scene = scene_of(&recipe);
    for (double t = 0.0; t < 60.0; t += 1.3) {
        struct along upper = {16.0, anatomy_wall_mm(scene->anatomy, 16.0, 1)},
                     lower = {16.0, -anatomy_wall_mm(scene->anatomy, 16.0, -1)};
        struct place a, b;
        double apart;

        movement_at(scene->movement, t, &instant);
        a = scene_place(scene, &instant, upper);
        b = scene_place(scene, &instant, lower);
        apart = hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm);
        first = t == 0.0 ? apart : first;
        assert_true(fabs(apart - first) < 1e-4);
    }
    scene_free(&scene);
}

static void the_probe_walks_as_far_as_asked(void **state)
{
    struct recipe recipe = still_probe();
    struct scene *scene = NULL;
    double squares = 0.0;
    int n = 0;

    (void)state;
    recipe.probe_walk_mm = 0.6;
    scene = scene_of(&recipe);
    for (double t = 0.0; t < 60.0; t += 0.05, n++)
        squares += pow(movement_parts(scene->movement, t).walk_x_mm, 2.0);
    assert_true(fabs(sqrt(squares / n) - 0.6) < 0.02);
    scene_free(&scene);
}

static void stripe_coordinates_lead_there_and_back(void **state)
{
    struct recipe recipe = still_probe();
    struct scene *scene = NULL;

    (void)state;
    recipe.orientation = ORIENTATION_RETROVERTED;
    recipe.bend_deg = 35;
    scene = scene_of(&recipe);
    for (double s = 1.0; s < 40.0; s += 3.1)
        for (double n = -14.0; n < 15.0; n += 4.7) {
            struct along back =
                anatomy_locate(scene->anatomy, anatomy_place(scene->anatomy, (struct along){s, n}));

            assert_true(fabs(back.s_mm - s) < 0.05 && fabs(back.n_mm - n) < 0.02);
        }
    scene_free(&scene);
}

static void the_positive_side_is_the_probes_in_either_orientation(void **state)
{
    (void)state;
    for (int i = 0; i < 4; i++) {
        struct recipe recipe = still_probe();
        struct scene *scene = NULL;

        recipe.orientation = i % 2;
        recipe.mirrored = i / 2;
        scene = scene_of(&recipe);
        assert_true(anatomy_normal(scene->anatomy, 18.0).y_mm < -0.5);
        scene_free(&scene);
    }
}

static void the_fundus_lies_left_in_an_anteverted_uterus_and_right_in_a_mirrored_one(void **state)
{
    struct along fundus = {0.0, 0.0}, os = {36.0, 0.0};

    (void)state;
    for (int mirrored = 0; mirrored < 2; mirrored++) {
        struct recipe recipe = still_probe();
        struct scene *scene = NULL;

        recipe.mirrored = mirrored;
        scene = scene_of(&recipe);
        assert_true((anatomy_place(scene->anatomy, fundus).x_mm < anatomy_place(scene->anatomy, os).x_mm) ==
                    !mirrored);
        scene_free(&scene);
    }
}

static void bubbles_appear_at_the_asked_distance_and_drift_as_far_as_asked(void **state)
{
    struct recipe recipe = still_probe();
    struct scene *scene = NULL;
    struct place fundus, start;

    (void)state;
    recipe.deposit_s = 10;
    recipe.deposit_mm = 15;
    recipe.drift_mm = -6;
    recipe.drift_s = 10;
    recipe.bubble_spread_mm = 0.3;
    scene = scene_of(&recipe);
    fundus = anatomy_place(scene->anatomy, (struct along){0.0, 0.0});
    start = anatomy_place(scene->anatomy, (struct along){bubbles_middle_mm(scene->bubbles, 10.0), 0.0});
    assert_true(fabs(hypot(start.x_mm - fundus.x_mm, start.y_mm - fundus.y_mm) - 15.0) < 1e-6);
    assert_true(
        fabs(bubbles_middle_mm(scene->bubbles, 40.0) - bubbles_middle_mm(scene->bubbles, 10.0) - 6.0) < 0.6);
    assert_true(bubbles_at(scene->bubbles, 0, 9.9).strength == 0.0);
    assert_true(bubbles_at(scene->bubbles, 0, 10.5).strength > 0.99);
    scene_free(&scene);
}

static void the_catheter_comes_from_the_cervix_and_leaves_again(void **state)
{
    struct recipe recipe = still_probe();
    struct scene *scene = NULL;
    struct catheter early, late;

    (void)state;
    recipe.deposit_s = 20;
    scene = scene_of(&recipe);
    assert_false(catheter_at(&recipe, scene->anatomy, 5.0).is_there);
    early = catheter_at(&recipe, scene->anatomy, 13.0);
    late = catheter_at(&recipe, scene->anatomy, 20.0);
    assert_true(early.is_there && late.is_there && early.tip_s_mm > late.tip_s_mm + 5.0);
    assert_true(fabs(late.tip_s_mm - bubbles_middle_mm(scene->bubbles, 20.0) - 1.5) < 0.4);
    assert_false(catheter_at(&recipe, scene->anatomy, 40.0).is_there);
    scene_free(&scene);
}

static double likeness(const struct scene *scene, const struct imager *imager, double from_s, double to_s)
{
    struct canvas *a = canvas_make(imager), *b = canvas_make(imager);
    double re = 0.0, im = 0.0, aa = 0.0, bb = 0.0;
    struct cluster cluster;

    assert_true(a != NULL && b != NULL);
    scene_draw(scene, imager, a, 0, from_s, 0.0, &cluster);
    scene_draw(scene, imager, b, 0, to_s, 0.0, &cluster);
    for (int beam = 40; beam < a->n_beams - 40; beam++)
        for (int k = 100; k < a->n_samples - 50; k++) {
            size_t at = (size_t)beam * (size_t)a->stride + (size_t)(IMAGER_PAD + k);
            double p = (double)a->in[at], q = (double)a->quad[at], r = (double)b->in[at],
                   s = (double)b->quad[at];

            re += p * r + q * s;
            im += q * r - p * s;
            aa += p * p + q * q;
            bb += r * r + s * s;
        }
    canvas_free(&a);
    canvas_free(&b);
    return hypot(re, im) / sqrt(aa * bb);
}

static void speckle_forgets_itself_with_the_asked_time_constant(void **state)
{
    struct recipe recipe = still_probe();
    struct scene *scene = NULL;
    struct imager *imager = NULL;
    struct error *err = NULL;

    (void)state;
    recipe.rate_per_min = 0;
    recipe.bubbles = 0;
    recipe.catheter = 0;
    recipe.elevation_walk = 0;
    recipe.decorrelation_s = 10;
    scene = scene_of(&recipe);
    assert_true(imager_make(&imager, &recipe, recipe.depth_mm, &err));
    /* exp(-t/T): 0.90 after a tenth of T, 0.37 after T */
    assert_true(fabs(likeness(scene, imager, 5.0, 6.0) - exp(-0.1)) < 0.04);
    assert_true(fabs(likeness(scene, imager, 5.0, 15.0) - exp(-1.0)) < 0.08);
    imager_free(&imager);
    scene_free(&scene);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_walls_of_the_truth_move_as_the_scatterers_in_them_do),
        cmocka_unit_test(scatterers_are_carried_together_to_where_each_goes),
        cmocka_unit_test(each_wall_moves_half_unless_told_otherwise),
        cmocka_unit_test(probe_and_breathing_do_not_change_the_distance_of_the_walls),
        cmocka_unit_test(the_probe_walks_as_far_as_asked),
        cmocka_unit_test(stripe_coordinates_lead_there_and_back),
        cmocka_unit_test(the_positive_side_is_the_probes_in_either_orientation),
        cmocka_unit_test(the_fundus_lies_left_in_an_anteverted_uterus_and_right_in_a_mirrored_one),
        cmocka_unit_test(bubbles_appear_at_the_asked_distance_and_drift_as_far_as_asked),
        cmocka_unit_test(the_catheter_comes_from_the_cervix_and_leaves_again),
        cmocka_unit_test(speckle_forgets_itself_with_the_asked_time_constant),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
