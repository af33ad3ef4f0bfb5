#include "measure/stripe_tip.h"

#include "measure/stripe_patch.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What is usual before the picture is looked at (place, lean in mm; logs of width and length;
 * end of the middle line): common practice, no source. Wide, so that the picture decides.
 * A rounded end is about as long as the half thickness, one in seven is drawn out. */
static const double USUAL[TRIAL_N] = {0.0, 0.0, 0.0, 0.45, 0.5};
static const double USUAL_SPREAD[TRIAL_N] = {4.0, 1.5, 0.12, 0.55, 0.4};
static const double BLUNT_CAP = 0.2, BLUNT_SPREAD = 0.4;  /* a fundus; logs of length over half thickness */
static const double DRAWN_CAP = 1.1, DRAWN_SPREAD = 0.35; /* toward an os */
static const double DRAWN_SHARE = 0.15;
static const double MOST_AT_MM = 10.0;
static const double SHARPER = 4.0, UNSURE_MM = 2.5;
static const double LEAST_ERROR_MM = 0.25; /* a pixel of the mean picture */

enum { FIRST_TRIALS = 384, NEXT_TRIALS = 256, N_ROUNDS = 4 };
static const double FIRST_ALIVE = 24.0, NEXT_ALIVE = 20.0; /* trials that must share the weight */

/* Trials drawn and weighed: importance sampling whose density follows the last round's mean
 * and covariance (Cappe et al., J. Comput. Graph. Stat. 13(4):907-929, 2004). */
struct cloud {
    int n;
    double trial[FIRST_TRIALS][TRIAL_N];
    double level[FIRST_TRIALS];     /* log of likelihood and prior */
    double log_drawn[FIRST_TRIALS]; /* log of the density it was drawn from */
    double weight[FIRST_TRIALS];
    double mean[TRIAL_N];
    double root[TRIAL_N][TRIAL_N]; /* of the covariance, lower triangle */
    double variance[TRIAL_N];
};

/* Halton's sequence (Numer. Math. 2:84-90, 1960): even, and the same every time. */
static double halton(int i, int base)
{
    double part = 1.0, value = 0.0;

    for (; i > 0; i /= base) {
        part /= base;
        value += part * (i % base);
    }
    return value;
}

/* Box and Muller's pair of normal numbers (Ann. Math. Stat. 29:610-611, 1958). */
static void normal_pair(int i, int base_a, int base_b, double *a, double *b)
{
    double radius = sqrt(-2.0 * log(fmax(halton(i, base_a), 1e-9)));
    double angle = 6.283185307179586 * halton(i, base_b);

    *a = radius * cos(angle);
    *b = radius * sin(angle);
}

/* Weights of all trials at a power of their ratio to the density drawn from; their effective number. */
static double fill_weights(struct cloud *cloud, double power)
{
    double top = -HUGE_VAL, sum = 0.0, square = 0.0;

    for (int i = 0; i < cloud->n; i++)
        top = fmax(top, power * (cloud->level[i] - cloud->log_drawn[i]));
    for (int i = 0; i < cloud->n; i++) {
        cloud->weight[i] = exp(power * (cloud->level[i] - cloud->log_drawn[i]) - top);
        sum += cloud->weight[i];
        square += cloud->weight[i] * cloud->weight[i];
    }
    for (int i = 0; i < cloud->n; i++)
        cloud->weight[i] /= sum;
    return sum * sum / square;
}

/* Root of half as much again as the covariance, so that the next round draws somewhat wider. */
static void fill_root(struct cloud *cloud, double covariance[TRIAL_N][TRIAL_N])
{
    for (int k = 0; k < TRIAL_N; k++)
        for (int m = 0; m <= k; m++) {
            double value = 1.5 * covariance[k][m];

            if (k == m)
                value += 0.004 * USUAL_SPREAD[k] * USUAL_SPREAD[k];
            for (int q = 0; q < m; q++)
                value -= cloud->root[k][q] * cloud->root[m][q];
            cloud->root[k][m] = k == m ? sqrt(fmax(value, 1e-9)) : value / cloud->root[m][m];
        }
}

/* Weighs the trials so that at least least_alive of them count, which keeps the spread
 * honest; mean and spread of them, and the best one. */
static void weigh(struct cloud *cloud, double least_alive, double *best_trial)
{
    double covariance[TRIAL_N][TRIAL_N] = {{0}};
    double power = 1.0;
    int best = 0;

    while (fill_weights(cloud, power) < least_alive && power > 1e-3)
        power *= 0.75;
    memset(cloud->mean, 0, sizeof cloud->mean);
    for (int i = 0; i < cloud->n; i++) {
        best = cloud->level[i] > cloud->level[best] ? i : best;
        for (int k = 0; k < TRIAL_N; k++)
            cloud->mean[k] += cloud->weight[i] * cloud->trial[i][k];
    }
    memcpy(best_trial, cloud->trial[best], sizeof cloud->trial[best]);
    for (int i = 0; i < cloud->n; i++)
        for (int k = 0; k < TRIAL_N; k++)
            for (int m = 0; m <= k; m++)
                covariance[k][m] += cloud->weight[i] * (cloud->trial[i][k] - cloud->mean[k]) *
                                    (cloud->trial[i][m] - cloud->mean[m]);
    for (int k = 0; k < TRIAL_N; k++)
        cloud->variance[k] = covariance[k][k];
    fill_root(cloud, covariance);
}

static double log_usual(const double *trial)
{
    double blunt = (trial[TRIAL_CAP] - BLUNT_CAP) / BLUNT_SPREAD;
    double drawn = (trial[TRIAL_CAP] - DRAWN_CAP) / DRAWN_SPREAD;
    double sum = log((1.0 - DRAWN_SHARE) / BLUNT_SPREAD * exp(-0.5 * blunt * blunt) +
                     DRAWN_SHARE / DRAWN_SPREAD * exp(-0.5 * drawn * drawn) + 1e-300);

    for (int k = 0; k < TRIAL_N; k++) {
        double z = (trial[k] - USUAL[k]) / USUAL_SPREAD[k];

        if (k != TRIAL_CAP)
            sum -= 0.5 * z * z;
    }
    return sum;
}

static void draw(struct cloud *cloud, struct stripe_patch *patch, int n, bool is_first)
{
    cloud->n = n;
    for (int i = 0; i < n; i++) {
        double *trial = cloud->trial[i];
        double z[TRIAL_N + 1];

        normal_pair(i + 20, 2, 3, &z[1], &z[2]);
        normal_pair(i + 20, 5, 7, &z[3], &z[4]);
        normal_pair(i + 20, 11, 13, &z[0], &z[TRIAL_N]);
        cloud->log_drawn[i] = 0.0;
        for (int k = 0; k < TRIAL_N; k++) {
            trial[k] = is_first ? USUAL[k] + USUAL_SPREAD[k] * z[k] : cloud->mean[k];
            for (int m = 0; m <= k && !is_first; m++)
                trial[k] += cloud->root[k][m] * z[m];
            cloud->log_drawn[i] -= 0.5 * z[k] * z[k];
        }
        trial[TRIAL_AT] = fmin(fmax(trial[TRIAL_AT], -MOST_AT_MM), MOST_AT_MM);
        cloud->level[i] = log_usual(trial) + stripe_patch_level(patch, trial);
    }
}

/* Mean place of the trials weighed the more sharply: where the spread is wide, the mean of all
 * is what is usual rather than what is seen. */
static double sharp_place(struct cloud *cloud)
{
    double sum = 0.0, all = 0.0, top = -HUGE_VAL;

    for (int i = 0; i < cloud->n; i++)
        top = fmax(top, cloud->level[i]);
    for (int i = 0; i < cloud->n; i++) {
        double weight = exp(SHARPER * (cloud->level[i] - top));

        sum += weight * cloud->trial[i][TRIAL_AT];
        all += weight;
    }
    return sum / all;
}

static void search(struct cloud *cloud, struct stripe_patch *patch)
{
    double best[TRIAL_N];

    memcpy(best, USUAL, sizeof best);
    stripe_patch_learn_noise(patch, best);
    draw(cloud, patch, FIRST_TRIALS, true);
    weigh(cloud, FIRST_ALIVE, best);
    for (int round = 0; round < N_ROUNDS; round++) {
        if (round > 0)
            stripe_patch_look_near(patch, cloud->mean[TRIAL_AT]);
        stripe_patch_learn_noise(patch, best);
        draw(cloud, patch, NEXT_TRIALS, false);
        weigh(cloud, NEXT_ALIVE, best);
    }
}

bool stripe_tip_place(struct stripe_tip *tip, const struct stripe_view *view,
                      const struct stripe_layers *layers)
{
    struct stripe_patch *patch = malloc(sizeof *patch);
    struct cloud *cloud = calloc(1, sizeof *cloud);
    bool is_made = patch != NULL && cloud != NULL && stripe_patch_take(patch, view, layers);

    if (is_made) {
        search(cloud, patch);
        tip->error_mm = hypot(sqrt(cloud->variance[TRIAL_AT]), LEAST_ERROR_MM);
        tip->aside_error_mm = hypot(sqrt(cloud->variance[TRIAL_LEAN]), LEAST_ERROR_MM);
        tip->at_mm = tip->error_mm > UNSURE_MM ? sharp_place(cloud) : cloud->mean[TRIAL_AT];
        tip->at_mm -= layers->edge_mm;
        tip->offset_mm = patch->offset_mm;
        tip->slope = patch->slope;
        tip->lean_mm = cloud->mean[TRIAL_LEAN];
        tip->half_mm = patch->half_mm * exp(cloud->mean[TRIAL_WIDTH]);
        tip->cap_mm = patch->half_mm * exp(cloud->mean[TRIAL_CAP]);
    }
    free(patch);
    free(cloud);
    return is_made;
}

double stripe_tip_centre(const struct stripe_tip *tip, double outward_mm)
{
    return tip->offset_mm + tip->slope * outward_mm +
           tip->lean_mm * stripe_patch_ramp(tip->at_mm - outward_mm);
}
