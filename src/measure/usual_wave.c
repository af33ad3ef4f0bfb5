#include "measure/usual_wave.h"

#include "measure/wave_delay.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Of the time from wave to wave between a pass and an edge: nearer ones, whose way in or back is cut off, are
 * not learnt from (measure/wave_list.c). */
static const double WITHIN = 0.3;
static const double ENDS = 0.1; /* of a wave's time, at either end, where the walls rest */
static const double CORE =
    0.25; /* of the time from wave to wave, to either side of a pass: where it is narrowest */
enum { LEAST_SEEN = 2 };

/* Sums over one place of a stretch, or, weighed, over all places: what is left, what the usual wave is, and
 * both together, each about its mean. */
struct sums {
    double rest, both, wave;
};

void usual_wave_free(struct usual_wave *usual)
{
    free(usual->delay[0]);
    free(usual->shape);
    free(usual->is_known);
    free(usual->rest);
    free(usual->pass);
    memset(usual, 0, sizeof *usual);
}

bool usual_wave_make(struct usual_wave *usual, const struct even *even, double interval_s, size_t n_listed)
{
    size_t m = even->n_positions;

    *usual = (struct usual_wave){.even = even, .interval = interval_s * EVEN_HZ};
    usual->half = (size_t)ceil(0.5 * usual->interval);
    usual->delay[0] = calloc(USUAL_WAYS * m, sizeof *usual->delay[0]);
    usual->shape = calloc(m * (2 * usual->half + 1), sizeof *usual->shape);
    usual->is_known = calloc(m, sizeof *usual->is_known);
    usual->rest = malloc(m * even->n * sizeof *usual->rest);
    usual->pass = calloc(n_listed + 1, sizeof *usual->pass);
    if (usual->delay[0] == NULL || usual->shape == NULL || usual->is_known == NULL || usual->rest == NULL ||
        usual->pass == NULL) {
        usual_wave_free(usual);
        return false;
    }
    usual->delay[1] = usual->delay[0] + m;
    return true;
}

/* ---- what is learnt ---- */

static bool fill_delays(struct usual_wave *usual, double spacing, const struct wave_result *result)
{
    bool is_mixed = result->direction == DIRECTION_MIXED;
    struct wave_result one = *result;
    double middle = 0.5 * (double)(usual->even->n_positions - 1);

    usual->n_ways = is_mixed ? 2 : 1;
    if (is_mixed)
        one.direction = DIRECTION_FUNDUS_TO_CERVIX;
    for (size_t p = 0; p < usual->even->n_positions; p++) {
        double delay_s = 0.0;

        if (!wave_delay(&one, ((double)p - middle) * spacing, &delay_s))
            return false;
        usual->delay[0][p] = delay_s * EVEN_HZ;
        usual->delay[1][p] = result->direction == DIRECTION_OPPOSING ? 0.0 : -delay_s * EVEN_HZ;
    }
    return true;
}

static int way_of(const struct wave_one *wave, bool is_mixed)
{
    if (!is_mixed || wave->direction == DIRECTION_FUNDUS_TO_CERVIX)
        return 0;
    return wave->direction == DIRECTION_CERVIX_TO_FUNDUS ? 1 : -1;
}

static int by_time(const void *one, const void *other)
{
    const struct usual_pass *a = one;
    const struct usual_pass *b = other;

    return (a->at > b->at) - (a->at < b->at);
}

static void fill_passes(struct usual_wave *usual, const struct wave_list *list, bool is_mixed)
{
    usual->n = 0;
    for (size_t i = 0; i < list->n; i++)
        if (list->wave[i].has_middle)
            usual->pass[usual->n++] =
                (struct usual_pass){.at = (list->wave[i].middle_s - usual->even->from_s) * EVEN_HZ,
                                    .way = way_of(&list->wave[i], is_mixed),
                                    .listed = i};
    qsort(usual->pass, usual->n, sizeof *usual->pass, by_time);
}

bool usual_wave_is_within(const struct usual_wave *usual, const struct usual_pass *pass)
{
    double last = (double)(usual->even->n - 1);

    return pass->at >= WITHIN * usual->interval && last - pass->at >= WITHIN * usual->interval;
}

/* Between two samples; at lies within them all. */
static double value_at(const double *row, size_t n, double at)
{
    size_t i = at < (double)(n - 1) ? (size_t)at : n - 2;

    return row[i] * (1.0 - (at - (double)i)) + row[i + 1] * (at - (double)i);
}

/* The mean of the waves that a place shows from beginning to end. */
static bool learn_place(struct usual_wave *usual, size_t p)
{
    const struct even *even = usual->even;
    size_t n = 2 * usual->half + 1;
    double *shape = usual->shape + p * n;
    size_t ends = (size_t)fmax(ENDS * (double)n, 1.0);
    size_t n_seen = 0;
    double level = 0.0;

    memset(shape, 0, n * sizeof *shape);
    for (size_t k = 0; k < usual->n; k++) {
        const struct usual_pass *pass = &usual->pass[k];
        double first = 0.0;

        if (pass->way < 0 || !usual_wave_is_within(usual, pass))
            continue;
        first = pass->at + usual->delay[pass->way][p] - (double)usual->half;
        if (first < 0.0 || first + (double)(n - 1) > (double)(even->n - 1))
            continue;
        for (size_t i = 0; i < n; i++)
            shape[i] += value_at(even->value + p * even->n, even->n, first + (double)i);
        n_seen++;
    }
    if (n_seen < LEAST_SEEN)
        return false;
    for (size_t i = 0; i < ends; i++)
        level += 0.5 * (shape[i] + shape[n - 1 - i]) / (double)ends;
    for (size_t i = 0; i < n; i++)
        shape[i] = (shape[i] - level) / (double)n_seen;
    return true;
}

bool usual_wave_learn(struct usual_wave *usual, const struct wave_list *list, double spacing,
                      const struct wave_result *result)
{
    const struct even *even = usual->even;
    size_t n_within = 0;

    fill_passes(usual, list, result->direction == DIRECTION_MIXED);
    for (size_t k = 0; k < usual->n; k++)
        n_within += usual->pass[k].way >= 0 && usual_wave_is_within(usual, &usual->pass[k]);
    if (n_within < LEAST_SEEN || !fill_delays(usual, spacing, result))
        return false;
    memcpy(usual->rest, even->value, even->n_positions * even->n * sizeof *usual->rest);
    for (size_t p = 0; p < even->n_positions; p++)
        usual->is_known[p] = learn_place(usual, p);
    for (size_t k = 0; k < usual->n; k++)
        usual_wave_take(usual, &usual->pass[k], 1.0);
    return true;
}

/* ---- what is left ---- */

/* What the usual wave is at a place, so many samples after its crest there. */
static double shape_at(const struct usual_wave *usual, size_t p, double after)
{
    size_t n = 2 * usual->half + 1;
    double at = after + (double)usual->half;

    return at < 0.0 || at > (double)(n - 1) ? 0.0 : value_at(usual->shape + p * n, n, at);
}

void usual_wave_take(struct usual_wave *usual, const struct usual_pass *pass, double share)
{
    const struct even *even = usual->even;

    for (size_t p = 0; p < even->n_positions; p++) {
        double crest = pass->at + usual->delay[pass->way < 0 ? 0 : pass->way][p];
        double to = fmin(crest + (double)usual->half, (double)(even->n - 1));

        if (usual->is_known[p])
            for (double i = fmax(ceil(crest - (double)usual->half), 0.0); i <= to; i += 1.0)
                usual->rest[p * even->n + (size_t)i] -= share * shape_at(usual, p, i - crest);
    }
}

/* Sums over one place; the level at which its walls rest is free. */
static struct sums sums_of_place(const struct usual_wave *usual, size_t p, const struct usual_pass *pass,
                                 const struct usual_stretch *stretch)
{
    const double *rests = usual->rest + p * usual->even->n;
    double delay = usual->delay[stretch->way][p];
    double crest = pass->at + usual->delay[pass->way][p];
    double to = fmin(stretch->high + delay, (double)(usual->even->n - 1));
    double n = 0.0;
    double rest_mean = 0.0;
    double wave_mean = 0.0;
    struct sums sums = {0};

    for (double i = fmax(ceil(stretch->low + delay), 0.0); i <= to; i += 1.0) {
        double rest = rests[(size_t)i];
        double wave = shape_at(usual, p, i - crest);

        rest_mean += rest;
        wave_mean += wave;
        sums.rest += rest * rest;
        sums.both += rest * wave;
        sums.wave += wave * wave;
        n += 1.0;
    }
    if (n <= 1.0)
        return (struct sums){0};
    sums.rest -= rest_mean * rest_mean / n;
    sums.both -= rest_mean * wave_mean / n;
    sums.wave -= wave_mean * wave_mean / n;
    return sums;
}

static struct sums sums_of(const struct usual_wave *usual, const struct usual_pass *pass,
                           const struct usual_stretch *stretch)
{
    struct sums all = {0};

    for (size_t p = 0; p < usual->even->n_positions; p++)
        if (usual->is_known[p]) {
            struct sums one = sums_of_place(usual, p, pass, stretch);

            all.rest += usual->even->weight[p] * one.rest;
            all.both += usual->even->weight[p] * one.both;
            all.wave += usual->even->weight[p] * one.wave;
        }
    return all;
}

static double share_of(const struct sums *sums)
{
    return sums->wave > 0.0 ? sums->both / sums->wave : 0.0;
}

bool usual_wave_find(const struct usual_wave *usual, double from, double to,
                     const struct usual_stretch *stretch, bool is_free, struct usual_pass *best,
                     double *share)
{
    double least = HUGE_VAL;

    for (double at = from; at <= to; at += 1.0)
        for (size_t way = 0; way < usual->n_ways; way++) {
            struct usual_pass pass = {.at = at, .way = (int)way};
            struct sums sums = sums_of(usual, &pass, stretch);
            double part = is_free ? fmax(share_of(&sums), 0.0) : 1.0;
            double left = sums.rest - 2.0 * part * sums.both + part * part * sums.wave;

            if (left < least) {
                least = left;
                *best = pass;
                *share = share_of(&sums);
            }
        }
    return isfinite(least);
}

double usual_wave_core(const struct usual_wave *usual, const struct usual_pass *pass)
{
    struct usual_stretch stretch = {pass->at - CORE * usual->interval, pass->at + CORE * usual->interval,
                                    pass->way};
    struct sums sums = sums_of(usual, pass, &stretch);

    return share_of(&sums);
}

double usual_wave_explains(const struct usual_wave *usual, const struct usual_pass *pass, double off)
{
    struct usual_stretch stretch = {pass->at - (double)usual->half, pass->at + (double)usual->half,
                                    pass->way};
    double most = 0.0;

    for (double at = pass->at - off; at <= pass->at + off; at += 1.0) {
        struct usual_pass one = {.at = at, .way = pass->way};
        struct sums sums = sums_of(usual, &one, &stretch);

        if (sums.rest > 0.0 && sums.both > 0.0)
            most = fmax(most, share_of(&sums) * sums.both / sums.rest);
    }
    return most;
}
