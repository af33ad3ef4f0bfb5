#include "measure/swings.h"

#include "base/statistics.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.14159265358979323846;
/* Of the whole range, for a first look at how large swings are: a filter leaves a fifth of a single wave
 * beside it. */
static const double FIRST_LOOK = 0.2;
/* Of the usual swing: what is smaller is noise, or what the filter leaves beside a single wave. Waves whose
 * size varies by 30 % (common practice, no source) seldom differ by more. */
static const double LEAST = 0.4;
/* Of the usual swing, which the large ones rule: what stands for a whole one at an edge of the trace. */
static const double WHOLE = 0.75;

/* Of the range of 10 to 90 % of the samples: a smaller turn is no crest or trough of waves that follow at
 * once. */
static const double LEAST_TURN = 0.25;

enum { MOST_TURNS = 800, N_LOOKS = 3 };

/* Turns and the two edges, in the order of time; size[i] lies between at[i] and at[i + 1]. */
struct ways {
    size_t n;
    size_t at[MOST_TURNS + 2];
    double size[MOST_TURNS + 1];
};

static void add_turn(struct ways *ways, size_t at)
{
    if (at > 0 && ways->n <= MOST_TURNS) /* the first sample is an edge, no turn */
        ways->at[ways->n++] = at;
}

/* Crests and troughs by turns, each more than `least` from the last. */
static void find_ways(struct ways *ways, const double *value, size_t n, double least)
{
    size_t low = 0;
    size_t high = 0;
    int way = 0; /* 1: rising since a trough; -1: falling since a crest */

    ways->at[0] = 0;
    ways->n = 1;
    for (size_t i = 0; i < n; i++) {
        low = value[i] < value[low] ? i : low;
        high = value[i] > value[high] ? i : high;
        if (way <= 0 && value[i] - value[low] > least) {
            add_turn(ways, low);
            way = 1;
            high = i;
        } else if (way >= 0 && value[high] - value[i] > least) {
            add_turn(ways, high);
            way = -1;
            low = i;
        }
    }
    ways->at[ways->n++] = n - 1;
    for (size_t i = 0; i + 1 < ways->n; i++)
        ways->size[i] = fabs(value[ways->at[i + 1]] - value[ways->at[i]]);
}

static int by_size(const void *one, const void *other)
{
    double a = *(const double *)one;
    double b = *(const double *)other;

    return (a > b) - (a < b);
}

/* The size up to which swings hold half of the energy: where waves are few, most of the time is noise, and a
 * median over time or over turns would be that of the noise. */
static double usual_size(const struct ways *ways)
{
    double size[MOST_TURNS + 1];
    size_t n = ways->n - 1;
    double energy = 0.0;
    double below = 0.0;

    memcpy(size, ways->size, n * sizeof *size);
    qsort(size, n, sizeof *size, by_size);
    for (size_t i = 0; i < n; i++)
        energy += size[i] * size[i];
    for (size_t i = 0; i < n; i++) {
        below += size[i] * size[i];
        if (below >= 0.5 * energy)
            return size[i];
    }
    return 0.0;
}

/* Part of a swing at an edge of the trace, by how far along a cosine it is. */
static double part_of(double size, double whole)
{
    return acos(1.0 - 2.0 * fmin(size / whole, 1.0)) / PI;
}

static struct swings add_up(const struct ways *ways, double usual)
{
    struct swings swings = {0};
    double lasts[MOST_TURNS + 1];
    double longest = 0.0;
    size_t n = 0;

    for (size_t i = 0; i + 1 < ways->n; i++) {
        double samples = (double)(ways->at[i + 1] - ways->at[i]);

        longest = fmax(longest, samples);
        if (i == 0 || i + 2 == ways->n) {
            swings.waves += 0.5 * part_of(ways->size[i], WHOLE * usual);
        } else if (ways->size[i] >= LEAST * usual) {
            swings.waves += 0.5;
            lasts[n++] = samples;
        }
    }
    swings.rest = n > 0 ? longest / (2.0 * statistics_quantile(lasts, n, 0.25)) : 0.0;
    return swings;
}

/* The swings that are larger than LEAST of the usual one. False where nothing moves. */
static bool find_swings(struct ways *ways, const double *value, size_t n)
{
    double low = value[0];
    double high = value[0];

    for (size_t i = 1; i < n; i++) {
        low = fmin(low, value[i]);
        high = fmax(high, value[i]);
    }
    if (!(high > low))
        return false;
    find_ways(ways, value, n, FIRST_LOOK * (high - low));
    for (int look = 1; look < N_LOOKS; look++)
        find_ways(ways, value, n, LEAST * usual_size(ways));
    return true;
}

struct swings swings_count(const double *value, size_t n)
{
    struct ways ways;

    if (!find_swings(&ways, value, n))
        return (struct swings){0};
    return add_up(&ways, usual_size(&ways));
}

size_t swings_turns(struct swing_turn *turns, size_t most, const double *value, size_t n)
{
    struct ways ways;
    double usual = 0.0;
    size_t n_turns = 0;

    if (!find_swings(&ways, value, n))
        return 0;
    usual = usual_size(&ways);
    for (size_t i = 1; i + 1 < ways.n && n_turns < most; i++)
        turns[n_turns++] = (struct swing_turn){.at = ways.at[i],
                                               .since = ways.at[i - 1],
                                               .till = ways.at[i + 1],
                                               .is_low = value[ways.at[i]] < value[ways.at[i - 1]],
                                               .usual = usual};
    return n_turns;
}

double swings_interval(const double *value, double *scratch, size_t n)
{
    struct ways ways;
    double low = 0.0;
    double samples = 0.0;
    double waves = 0.0;

    memcpy(scratch, value, n * sizeof *scratch);
    low = statistics_quantile(scratch, n, 0.1);
    memcpy(scratch, value, n * sizeof *scratch);
    find_ways(&ways, value, n, LEAST_TURN * (statistics_quantile(scratch, n, 0.9) - low));
    for (size_t i = 1; i + 3 < ways.n; i++) { /* crests and troughs by turns; the ends are edges */
        samples += (double)(ways.at[i + 2] - ways.at[i]);
        waves += 1.0;
    }
    return waves > 0.0 ? samples / waves : 0.0;
}
