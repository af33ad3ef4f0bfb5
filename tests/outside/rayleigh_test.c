/* The speckle of made loops before compression, against the Rayleigh law: mean over standard deviation of the
 * envelope sqrt(pi / (4 - pi)) = 1.91 (Burckhardt, IEEE Trans. Sonics Ultrason. SU-25(1):1-6, 1978), and the
 * whole distribution by SciPy's Kolmogorov-Smirnov test. What is drawn is the tissue of a loop, uterus and
 * all; each sample is divided by the root of the power that the tissue there should have, and samples stand
 * so far apart that no two share a cell of speckle.
 *
 * The law is that of endless scatterers in a cell. With as many as there are the intensity's mean square is 2
 * + 1 / (density times 2 pi axial lateral) of its squared mean (cumulants of a sum over a Poisson process,
 * Gaussian point spread); by a K law of that moment the ratio is 1.84 at the density that loops are made
 * with. */
#include "../support/outside.h"
#include "synth/dice.h"
#include "synth/scene.h"
#include "synth/tissue.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

enum { MOST = 20000 };
static const double PI = 3.14159265358979323846;
static const double RAYLEIGH = 1.9131;
static const double APART =
    5.0; /* deviations of the point spread between samples: fields correlate by 0.002 */
static const double EVEN_DB = 3.0;   /* most by which the tissue differs within a cell */
static const double NEAREST_MM = 12; /* layers of the near field */

struct sample {
    double value[MOST];
    size_t n;
    double rarity; /* sum of 1 / (scatterers in a cell) */
};

/* Power that the point spread gathers round a place; 0 where the tissue is uneven there. */
static double power_at(const struct scene *scene, const struct imager *imager, struct place place)
{
    enum { REACH = 3 };
    double range = hypot(place.x_mm, place.y_mm);
    double depth = range - scene->recipe.probe_radius_mm;
    double axial = imager_axial_mm(imager);
    double lateral = imager_lateral_mm(imager, depth);
    double low = 1e9;
    double high = -1e9;
    double sum = 0.0;
    double total = 0.0;

    for (int i = -REACH; i <= REACH; i++)
        for (int j = -REACH; j <= REACH; j++) {
            double along = 0.5 * i * axial;
            double across = 0.5 * j * lateral;
            double ux = place.x_mm / range;
            double uy = place.y_mm / range;
            struct place there = {place.x_mm + along * ux - across * uy,
                                  place.y_mm + along * uy + across * ux};
            double db = tissue_echo_db(&scene->recipe, scene->anatomy, there);
            double weight = exp(-0.25 * (i * i + j * j)); /* the squared point spread */

            low = fmin(low, db);
            high = fmax(high, db);
            sum += weight * pow(10.0, db / 10.0);
            total += weight;
        }
    return high - low <= EVEN_DB ? sum / total : 0.0;
}

static void gather(struct sample *sample, const struct scene *scene, const struct imager *imager,
                   const struct canvas *canvas)
{
    double last_mm = -1e9;

    for (int k = 0; k < canvas->n_samples; k++) {
        struct place middle = imager_place(imager, 0.5 * canvas->n_beams, k);
        double depth = hypot(middle.x_mm, middle.y_mm) - scene->recipe.probe_radius_mm;
        double beam_mm = hypot(imager_place(imager, 1, k).x_mm - imager_place(imager, 0, k).x_mm,
                               imager_place(imager, 1, k).y_mm - imager_place(imager, 0, k).y_mm);
        int step = (int)ceil(APART * imager_lateral_mm(imager, depth) / beam_mm);

        if (depth < NEAREST_MM || depth > scene->recipe.depth_mm - 4.0 ||
            depth - last_mm < APART * imager_axial_mm(imager))
            continue;
        last_mm = depth;
        for (int b = step; b < canvas->n_beams - step && sample->n < MOST; b += step) {
            size_t at = (size_t)b * (size_t)canvas->stride + (size_t)(IMAGER_PAD + k);
            double power = power_at(scene, imager, imager_place(imager, b, k));

            if (power <= 0.0)
                continue;
            sample->value[sample->n++] =
                hypot((double)canvas->in[at], (double)canvas->quad[at]) / sqrt(power);
            sample->rarity += 1.0 / (scene->recipe.scatterers_per_mm2 * 2.0 * PI * imager_axial_mm(imager) *
                                     imager_lateral_mm(imager, depth));
        }
    }
}

/* One frame of a loop, without shadows, bubbles and catheter. */
static void draw(struct sample *sample, long seed, double scatterers_per_mm2)
{
    struct recipe recipe = recipe_default();
    struct imager *imager = NULL;
    struct scene *scene = NULL;
    struct canvas *canvas = NULL;
    struct cluster cluster;
    struct error *err = NULL;

    recipe.seed = seed;
    recipe.scatterers_per_mm2 = scatterers_per_mm2;
    recipe.shadow_db = 0.0;
    recipe.bubbles = 0;
    recipe.catheter = 0;
    recipe.rate_per_min = 0.0;
    recipe.breathing_mm = recipe.breathing_strain = recipe.breathing_turn_deg = 0.0;
    recipe.probe_walk_mm = recipe.probe_walk_deg = recipe.bowel_mm = recipe.pulse_mm = 0.0;
    assert_true(recipe_settle(&recipe, &err));
    assert_true(imager_make(&imager, &recipe, recipe.depth_mm, &err));
    assert_true(scene_make(&scene, &recipe, 80.0, &err));
    canvas = canvas_make(imager);
    assert_non_null(canvas);
    scene_draw(scene, imager, canvas, 0, 0.0, 0.0, &cluster);
    gather(sample, scene, imager, canvas);
    canvas_free(&canvas);
    scene_free(&scene);
    imager_free(&imager);
}

struct found {
    double ratio, error; /* mean over standard deviation, and the standard error of it by the law */
    double expected;     /* with as many scatterers as there are */
    double chance;       /* of the Kolmogorov-Smirnov distance, were the law that of Rayleigh */
};

static struct found look(double scatterers_per_mm2, int n_loops)
{
    static struct sample sample;
    struct found found = {0};
    double mean = 0.0;
    double square = 0.0;
    double law = 0.0;
    double answer[2];
    char folder[64];
    char path[96];
    FILE *file = NULL;

    sample.n = 0;
    sample.rarity = 0.0;
    for (long seed = 1; n_loops > 0; seed++)
        if (dice_hash(seed, 900, 6) < 0.4) { /* the bladder is empty: nothing behind it is brighter */
            draw(&sample, seed, scatterers_per_mm2);
            n_loops--;
        }
    assert_true(sample.n > 2000);
    for (size_t i = 0; i < sample.n; i++)
        mean += sample.value[i] / (double)sample.n;
    for (size_t i = 0; i < sample.n; i++)
        square += pow(sample.value[i] - mean, 2) / (double)(sample.n - 1);
    found.ratio = mean / sqrt(square);
    /* Of n independent ones: by the law's skewness of 0.631 and kurtosis of 3.245 the variance of the ratio
     * is 0.504 of its square over n. */
    found.error = RAYLEIGH * sqrt(0.504 / (double)sample.n);
    /* K law of shape 2 / rarity: the squared mean is pi / 4 (1 - 1 / (4 shape)) of the mean square, to second
     * order */
    law = 0.25 * PI * (1.0 - 0.125 * sample.rarity / (double)sample.n);
    found.expected = sqrt(law / (1.0 - law));
    outside_folder(folder);
    (void)snprintf(path, sizeof path, "%s/envelope.txt", folder);
    file = fopen(path, "w");
    assert_non_null(file);
    for (size_t i = 0; i < sample.n; i++)
        (void)fprintf(file, "%.9g\n", sample.value[i]);
    assert_int_equal(fclose(file), 0);
    assert_int_equal(outside_numbers(answer, 2, "rayleigh '%s'", path), 2);
    outside_folder_remove(folder);
    found.chance = answer[1];
    print_message("%g scatterers per mm2, %zu cells: mean over standard deviation %.3f +- %.3f, expected "
                  "%.3f (Rayleigh "
                  "1.913), mean square %.3f; Kolmogorov-Smirnov distance %.4f, chance %.3f\n",
                  scatterers_per_mm2, sample.n, found.ratio, found.error, found.expected,
                  mean * mean + square, answer[0], answer[1]);
    return found;
}

static void dense_scatterers_make_speckle_that_follows_the_law_of_rayleigh(void **state)
{
    struct found found = look(56.0, 2);

    (void)state;
    assert_true(fabs(found.ratio - RAYLEIGH) < 3.0 * found.error);
    assert_true(found.chance > 0.01);
}

static void the_speckle_of_made_loops_departs_from_it_by_their_scatterers_number_alone(void **state)
{
    struct found found = look(recipe_default().scatterers_per_mm2, 3);

    (void)state;
    assert_true(fabs(found.ratio - found.expected) < 3.0 * found.error);
    assert_true(fabs(found.ratio / RAYLEIGH - 1.0) < 0.06);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(dense_scatterers_make_speckle_that_follows_the_law_of_rayleigh),
        cmocka_unit_test(the_speckle_of_made_loops_departs_from_it_by_their_scatterers_number_alone),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
