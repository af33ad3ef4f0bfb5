#include "synth/imager.h"

#include "synth/dice.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

struct bench {
    struct recipe recipe;
    struct imager *imager;
    struct canvas *canvas;
};

static struct bench bench_make(void)
{
    struct bench bench = {.recipe = recipe_default()};
    struct error *err = NULL;

    bench.recipe.depth_mm = 60;
    assert_true(recipe_settle(&bench.recipe, &err));
    assert_true(imager_make(&bench.imager, &bench.recipe, bench.recipe.depth_mm, &err));
    bench.canvas = canvas_make(bench.imager);
    assert_non_null(bench.canvas);
    return bench;
}

static void bench_end(struct bench *bench)
{
    canvas_free(&bench->canvas);
    imager_free(&bench->imager);
}

static double envelope(const struct canvas *canvas, int beam, int sample)
{
    size_t at = (size_t)beam * (size_t)canvas->stride + (size_t)(IMAGER_PAD + sample);

    return hypot((double)canvas->in[at], (double)canvas->quad[at]);
}

static void add_one(struct bench *bench, struct place place, float amplitude)
{
    struct echoes one = {
        .n = 1, .x_mm = {(float)place.x_mm}, .y_mm = {(float)place.y_mm}, .amplitude = {amplitude}};

    imager_add(bench->imager, bench->canvas, &one);
}

/* Plain soft tissue in the whole sector. */
static void fill_with_tissue(struct bench *bench)
{
    struct dice dice = dice_make(7, 1);
    double half = 75.0, deep = 75.0;
    long n = (long)(2.0 * half * deep * bench->recipe.scatterers_per_mm2);

    for (long i = 0; i < n; i++) {
        double x = half * (2.0 * dice_even(&dice) - 1.0), y = deep * dice_even(&dice);

        add_one(bench, (struct place){x, y}, dice_even(&dice) < 0.5 ? -1.0f : 1.0f);
    }
}

/* Mean and deviation of the envelope over samples far enough apart to be independent. */
static void envelope_statistics(const struct bench *bench, double *mean, double *deviation, double *power)
{
    double sum = 0.0, squares = 0.0;
    long n = 0;

    for (int b = 30; b < bench->canvas->n_beams - 30; b += 6)
        for (int k = 60; k < bench->canvas->n_samples - 30; k += 6, n++) {
            double value = envelope(bench->canvas, b, k);

            sum += value;
            squares += value * value;
        }
    *mean = sum / (double)n;
    *power = squares / (double)n;
    *deviation = sqrt(*power - *mean * *mean);
}

/* Mean over deviation of a Rayleigh distributed envelope is sqrt(pi / (4 - pi)) = 1.913: Wagner, Smith,
 * Sandrik, Lopez, IEEE Trans. Sonics Ultrason. 30(3):156-163, 1983. */
static void speckle_before_compression_is_close_to_rayleigh(void **state)
{
    struct bench bench = bench_make();
    double mean, deviation, power;

    (void)state;
    fill_with_tissue(&bench);
    envelope_statistics(&bench, &mean, &deviation, &power);
    assert_in_range((long)(1000.0 * mean / deviation), 1790, 1990);
    bench_end(&bench);
}

static void plain_soft_tissue_has_0_db(void **state)
{
    struct bench bench = bench_make();
    double mean, deviation, power;

    (void)state;
    fill_with_tissue(&bench);
    envelope_statistics(&bench, &mean, &deviation, &power);
    assert_true(fabs(10.0 * log10(power)) < 0.4);
    bench_end(&bench);
}

/* Middle of an echo, weighted with its power. */
static void middle(const struct canvas *canvas, double *beam, double *sample, double *beam_spread,
                   double *sample_spread)
{
    double sum = 0.0, b1 = 0.0, k1 = 0.0, b2 = 0.0, k2 = 0.0;

    for (int b = 0; b < canvas->n_beams; b++)
        for (int k = 0; k < canvas->n_samples; k++) {
            double weight = pow(envelope(canvas, b, k), 2.0);

            sum += weight;
            b1 += weight * b;
            k1 += weight * k;
            b2 += weight * b * b;
            k2 += weight * k * k;
        }
    *beam = b1 / sum;
    *sample = k1 / sum;
    *beam_spread = sqrt(b2 / sum - *beam * *beam);
    *sample_spread = sqrt(k2 / sum - *sample * *sample);
}

static void a_scatterer_that_moves_by_a_twentieth_of_a_sample_moves_its_echo_by_that(void **state)
{
    struct bench bench = bench_make();
    struct place from = imager_place(bench.imager, 120.3, 200.4),
                 to = imager_place(bench.imager, 120.35, 200.45);
    double beam[2], sample[2], spread[2];

    (void)state;
    add_one(&bench, from, 1.0f);
    middle(bench.canvas, &beam[0], &sample[0], &spread[0], &spread[1]);
    canvas_clear(bench.canvas);
    add_one(&bench, to, 1.0f);
    middle(bench.canvas, &beam[1], &sample[1], &spread[0], &spread[1]);
    assert_true(fabs(beam[0] - 120.3) < 0.02 && fabs(sample[0] - 200.4) < 0.02);
    assert_true(fabs(beam[1] - beam[0] - 0.05) < 0.01);
    assert_true(fabs(sample[1] - sample[0] - 0.05) < 0.02);
    bench_end(&bench);
}

static void an_echo_is_wider_across_the_beam_than_along_it_and_widest_far_away(void **state)
{
    struct bench bench = bench_make();

    (void)state;
    assert_true(imager_lateral_mm(bench.imager, 30.0) > 1.5 * imager_axial_mm(bench.imager));
    assert_true(imager_lateral_mm(bench.imager, 58.0) > 1.3 * imager_lateral_mm(bench.imager, 30.0));
    bench_end(&bench);
}

/* Loops over many echoes at once end in a part that is worked out one by one. */
static void echoes_that_are_added_together_are_those_that_are_added_one_by_one(void **state)
{
    struct bench together = bench_make(), apart = bench_make();
    struct echoes all = {.n = 13};
    struct dice dice = dice_make(8, 1);
    size_t n = (size_t)together.canvas->n_beams * (size_t)together.canvas->stride;

    (void)state;
    for (size_t i = 0; i < all.n; i++) {
        all.x_mm[i] = (float)(140.0 * dice_even(&dice) - 70.0);
        all.y_mm[i] = (float)(80.0 * dice_even(&dice) - 5.0);
        all.amplitude[i] = (float)dice_normal(&dice);
        all.turns[i] = (float)(4e7 * (dice_even(&dice) - 0.5) * (i % 2 == 0 ? 1.0 : 1e-6));
    }
    imager_add(together.imager, together.canvas, &all);
    for (size_t i = 0; i < all.n; i++) {
        struct echoes one = {.n = 1,
                             .x_mm = {all.x_mm[i]},
                             .y_mm = {all.y_mm[i]},
                             .amplitude = {all.amplitude[i]},
                             .turns = {all.turns[i]}};

        imager_add(apart.imager, apart.canvas, &one);
    }
    assert_memory_equal(together.canvas->in, apart.canvas->in, n * sizeof(float));
    assert_memory_equal(together.canvas->quad, apart.canvas->quad, n * sizeof(float));
    bench_end(&together);
    bench_end(&apart);
}

static void echoes_outside_the_sector_are_ignored(void **state)
{
    struct bench bench = bench_make();
    double mean, deviation, power;

    (void)state;
    add_one(&bench, (struct place){0.0, 0.1}, 1.0f);
    add_one(&bench, (struct place){0.0, -40.0}, 1.0f);
    add_one(&bench, (struct place){500.0, 500.0}, 1.0f);
    imager_add_bright(bench.imager, bench.canvas, (struct place){0.0, 300.0}, 20.0, 1.0, 0.0);
    imager_add_bright(bench.imager, bench.canvas, (struct place){-80.0, -5.0}, 20.0, 1.0, 0.0);
    envelope_statistics(&bench, &mean, &deviation, &power);
    assert_true(power < 1e-12);
    bench_end(&bench);
}

static void ten_db_more_is_brighter_until_white(void **state)
{
    struct bench bench = bench_make();

    (void)state;
    for (int db = -40; db < 10; db += 10)
        assert_true(imager_luma(bench.imager, db + 10) > imager_luma(bench.imager, db) + 10.0);
    assert_true(imager_luma(bench.imager, 40) > 254.0);
    assert_true(imager_luma(bench.imager, -80) < 1.0);
    bench_end(&bench);
}

static void noise_depends_on_the_frame_alone(void **state)
{
    struct bench bench = bench_make();
    struct canvas *again = canvas_make(bench.imager);
    int unlike = 0;

    (void)state;
    assert_non_null(again);
    imager_compress(bench.imager, bench.canvas, canvas_whole(bench.canvas), 5, 0.0);
    imager_compress(bench.imager, again, canvas_whole(again), 5, 0.0);
    for (int k = 0; k < again->n_samples; k++)
        assert_true(again->luma[IMAGER_PAD + k] == bench.canvas->luma[IMAGER_PAD + k]);
    imager_compress(bench.imager, again, canvas_whole(again), 6, 0.0);
    for (int k = 0; k < again->n_samples; k++)
        unlike += again->luma[IMAGER_PAD + k] != bench.canvas->luma[IMAGER_PAD + k];
    assert_true(unlike > again->n_samples / 4);
    canvas_free(&again);
    bench_end(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(speckle_before_compression_is_close_to_rayleigh),
        cmocka_unit_test(plain_soft_tissue_has_0_db),
        cmocka_unit_test(a_scatterer_that_moves_by_a_twentieth_of_a_sample_moves_its_echo_by_that),
        cmocka_unit_test(an_echo_is_wider_across_the_beam_than_along_it_and_widest_far_away),
        cmocka_unit_test(echoes_that_are_added_together_are_those_that_are_added_one_by_one),
        cmocka_unit_test(echoes_outside_the_sector_are_ignored),
        cmocka_unit_test(ten_db_more_is_brighter_until_white),
        cmocka_unit_test(noise_depends_on_the_frame_alone),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
