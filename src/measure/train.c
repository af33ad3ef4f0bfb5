#include "measure/train.h"

#include "base/statistics.h"
#include "image/raster.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double SMOOTH_SIGMA = 0.06; /* of a cycle: shorter than any wave, longer than breathing */
static const double SLOW_SIGMA = 1.0;    /* of a cycle: slower than the waves */
static const double LEAST_SWING = 0.2;   /* of the usual range: a smaller turn is no crest or trough */

/* Adds a row, read some samples later, where it reaches. */
static void add_row(const double *row, size_t n, double later, double weight, float *sum, double *total)
{
    for (size_t i = 0; i < n; i++) {
        double at = (double)i + later;
        size_t before = (size_t)fmax(floor(at), 0.0);
        double part = at - (double)before;

        if (at < 0.0 || before + 1 >= n)
            continue;
        sum[i] += (float)(weight * ((1.0 - part) * row[before] + part * row[before + 1]));
        total[i] += weight;
    }
}

/* All positions as the middle one would show them. False when memory ran out. */
static bool lay_over(const struct even *even, double spacing_mm, const struct wave_result *result,
                     float *train)
{
    double samples_a_place = spacing_mm / result->velocity_per_s * EVEN_HZ;
    double sign = result->direction == DIRECTION_FUNDUS_TO_CERVIX ? 1.0 : -1.0;
    double *total = calloc(even->n, sizeof *total);

    if (total == NULL)
        return false;
    for (size_t p = 0; p < even->n_positions; p++)
        add_row(even->value + p * even->n, even->n,
                sign * samples_a_place * ((double)p - 0.5 * (double)(even->n_positions - 1)), even->weight[p],
                train, total);
    for (size_t i = 0; i < even->n; i++)
        train[i] = total[i] > 0.0 ? (float)((double)train[i] / total[i]) : 0.0F;
    free(total);
    return true;
}

/* Leaves what is about as fast as the waves. */
static bool keep_waves(float *train, size_t n, double cycle)
{
    struct raster view = {.width_px = (int)n, .height_px = 1, .value = train};
    struct raster *slow = raster_copy(&view);
    bool is_made = slow != NULL && raster_smooth(slow, SLOW_SIGMA * cycle, 0.0) &&
                   raster_smooth(&view, SMOOTH_SIGMA * cycle, 0.0);

    for (size_t i = 0; is_made && i < n; i++)
        train[i] -= slow->value[i];
    raster_free(&slow);
    return is_made;
}

/* Crests and troughs by turns, each more than `least` from the last; when the first and the last were. */
static size_t find_turns(const float *train, size_t n, double least, size_t *first, size_t *last)
{
    size_t low = 0;
    size_t high = 0;
    size_t n_turns = 0;
    int way = 0; /* 1: rising since a trough; -1: falling since a crest */

    for (size_t i = 0; i < n; i++) {
        size_t turn = n;

        low = train[i] < train[low] ? i : low;
        high = train[i] > train[high] ? i : high;
        if (way <= 0 && (double)(train[i] - train[low]) > least) {
            turn = low;
            way = 1;
            high = i;
        } else if (way >= 0 && (double)(train[high] - train[i]) > least) {
            turn = high;
            way = -1;
            low = i;
        }
        if (turn == n || turn == 0) /* the first sample is an edge, no turn */
            continue;
        *first = n_turns == 0 ? turn : *first;
        *last = turn;
        n_turns++;
    }
    return n_turns;
}

static double usual_range(const float *train, size_t n, double *scratch)
{
    double low = 0.0;

    for (size_t i = 0; i < n; i++)
        scratch[i] = (double)train[i];
    low = statistics_quantile(scratch, n, 0.1);
    for (size_t i = 0; i < n; i++)
        scratch[i] = (double)train[i];
    return statistics_quantile(scratch, n, 0.9) - low;
}

bool train_count(const struct even *even, double spacing_mm, struct wave_result *result)
{
    float *train = calloc(even->n, sizeof *train);
    double *scratch = calloc(even->n, sizeof *scratch);
    double cycle = 60.0 / result->frequency_per_min * EVEN_HZ;
    size_t first = 0;
    size_t last = 0;
    bool is_made = train != NULL && scratch != NULL && lay_over(even, spacing_mm, result, train) &&
                   keep_waves(train, even->n, cycle);
    size_t n_turns = is_made ? find_turns(train, even->n, LEAST_SWING * usual_range(train, even->n, scratch),
                                          &first, &last)
                             : 0;

    if (n_turns >= 3) {
        double half_wave_per_min = 0.5 / ((double)(last - first) / EVEN_HZ / 60.0);

        result->frequency_per_min = (double)(n_turns - 1) * half_wave_per_min;
        result->low_per_min = result->frequency_per_min - half_wave_per_min;
        result->high_per_min = result->frequency_per_min + half_wave_per_min;
    }
    free(train);
    free(scratch);
    return is_made;
}
