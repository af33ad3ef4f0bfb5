#include "measure/train.h"

#include "base/statistics.h"
#include "measure/band.h"
#include "measure/phase.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double LOW = 0.35;          /* of the frequency: slower is drift */
static const double HIGH_PER_MIN = 11.0; /* below breathing, 12 per min: common practice, no source */
static const double LEAST_SWING = 0.25;  /* of the usual range: a smaller turn is no crest or trough */
static const double MOST_SPREAD = 1.0;   /* waves in the whole loop: between the quartiles of the places */
static const double MOST_APART = 0.75;   /* waves in the whole loop: a phase that slips errs by a whole one */
static const double MISSED = 0.5;        /* waves: at the edges of the loop */
static const double VELOCITY_RATIO = 1.04; /* from one that is tried to the next */

enum { MOST_TURNS = 400, N_VELOCITIES = 49, MOST_PLACES = 100 };
enum { CREST, TROUGH, N_KINDS };

/* One trace of the waves, as the middle of the stripe or one place shows them. */
struct train {
    double *value;
    double *total;
    double *scratch;
    size_t n;
};

/* When crests and troughs were. */
struct turns {
    size_t n[N_KINDS];
    size_t at[N_KINDS][MOST_TURNS];
};

/* ---- one trace ---- */

static double usual_range(const struct train *train)
{
    double low = 0.0;

    memcpy(train->scratch, train->value, train->n * sizeof *train->scratch);
    low = statistics_quantile(train->scratch, train->n, 0.1);
    memcpy(train->scratch, train->value, train->n * sizeof *train->scratch);
    return statistics_quantile(train->scratch, train->n, 0.9) - low;
}

/* The first sample is an edge, no turn. */
static void add_turn(struct turns *turns, int kind, size_t at)
{
    if (at > 0 && turns->n[kind] < MOST_TURNS)
        turns->at[kind][turns->n[kind]++] = at;
}

/* Crests and troughs by turns, each more than `least` from the last. */
static void find_turns(struct turns *turns, const struct train *train, double least)
{
    const double *value = train->value;
    size_t low = 0;
    size_t high = 0;
    int way = 0; /* 1: rising since a trough; -1: falling since a crest */

    memset(turns, 0, sizeof *turns);
    for (size_t i = 0; i < train->n; i++) {
        low = value[i] < value[low] ? i : low;
        high = value[i] > value[high] ? i : high;
        if (way <= 0 && value[i] - value[low] > least) {
            add_turn(turns, TROUGH, low);
            way = 1;
            high = i;
        } else if (way >= 0 && value[high] - value[i] > least) {
            add_turn(turns, CREST, high);
            way = -1;
            low = i;
        }
    }
}

/* From crest to crest and from trough to trough, in the mean; 0 where fewer than three turns are seen. */
static double count_per_min(const struct train *train)
{
    struct turns turns;
    double samples = 0.0;
    double waves = 0.0;

    find_turns(&turns, train, LEAST_SWING * usual_range(train));
    for (int kind = 0; kind < N_KINDS; kind++)
        if (turns.n[kind] > 1) {
            samples += (double)(turns.at[kind][turns.n[kind] - 1] - turns.at[kind][0]);
            waves += (double)(turns.n[kind] - 1);
        }
    return samples > 0.0 ? waves * 60.0 * EVEN_HZ / samples : 0.0;
}

/* ---- all positions laid over one another ---- */

/* Samples from when a wave passes a position until it passes the middle. */
static double lead_of(const struct even *even, double spacing_mm, enum wave_direction direction,
                      double velocity_per_s, size_t position)
{
    double away_mm = spacing_mm * ((double)position - 0.5 * (double)(even->n_positions - 1));
    double lead = away_mm / velocity_per_s * EVEN_HZ;

    if (direction == DIRECTION_OPPOSING)
        return fabs(lead);
    return direction == DIRECTION_FUNDUS_TO_CERVIX ? -lead : lead;
}

static void add_row(struct train *train, const double complex *row, double lead, double weight)
{
    for (size_t i = 0; i < train->n; i++) {
        double at = (double)i - lead;
        size_t before = (size_t)fmax(floor(at), 0.0);
        double part = at - (double)before;

        if (at < 0.0 || before + 1 >= train->n)
            continue;
        train->value[i] += weight * ((1.0 - part) * creal(row[before]) + part * creal(row[before + 1]));
        train->total[i] += weight;
    }
}

/* All positions as the middle would show them; the energy of that. */
static double lay_over(struct train *train, const struct even *even, double spacing_mm,
                       enum wave_direction direction, double velocity_per_s)
{
    double energy = 0.0;

    memset(train->value, 0, train->n * sizeof *train->value);
    memset(train->total, 0, train->n * sizeof *train->total);
    for (size_t p = 0; p < even->n_positions; p++)
        add_row(train, even->band + p * even->n, lead_of(even, spacing_mm, direction, velocity_per_s, p),
                even->weight[p]);
    for (size_t i = 0; i < train->n; i++) {
        train->value[i] = train->total[i] > 0.0 ? train->value[i] / train->total[i] : 0.0;
        energy += train->value[i] * train->value[i];
    }
    return energy;
}

/* Waves that run one way, or toward one another: what is no wave fades where the positions are laid over one
 * another at the velocity that leaves most. */
static double count_along(struct train *train, const struct even *even, double spacing_mm,
                          const struct wave_result *result)
{
    double best = -1.0;
    double velocity = result->velocity_per_s;

    for (int i = 0; i < N_VELOCITIES; i++) {
        double trial = result->velocity_per_s * pow(VELOCITY_RATIO, i - N_VELOCITIES / 2);
        double energy = lay_over(train, even, spacing_mm, result->direction, trial);

        if (energy > best) {
            best = energy;
            velocity = trial;
        }
    }
    (void)lay_over(train, even, spacing_mm, result->direction, velocity);
    return count_per_min(train);
}

/* ---- place by place ---- */

static void add_neighbours(struct train *train, const struct even *even, size_t place)
{
    memset(train->value, 0, train->n * sizeof *train->value);
    for (size_t p = place; p < place + EVEN_NEIGHBOURS; p++)
        for (size_t i = 0; i < even->n; i++)
            train->value[i] += even->weight[p] * creal(even->band[p * even->n + i]);
}

/* The median of the places in the middle of the stripe: a wave passes there whichever way it runs, and far
 * from the ends, where it may turn round. 0 where the places do not agree. */
static double count_by_place(struct train *train, const struct even *even)
{
    double duration_min = (double)(even->n - 1) / EVEN_HZ / 60.0;
    size_t from = (size_t)(EVEN_MIDDLE_FROM * (double)even->n_positions);
    double per_min[MOST_PLACES];
    double spread = 0.0;
    size_t n = 0;

    for (size_t p = from; p + EVEN_NEIGHBOURS + from <= even->n_positions && n < MOST_PLACES; p++) {
        add_neighbours(train, even, p);
        per_min[n] = count_per_min(train);
        n += per_min[n] > 0.0;
    }
    if (n == 0)
        return 0.0;
    spread = statistics_quantile(per_min, n, 0.75) - statistics_quantile(per_min, n, 0.25);
    return spread * duration_min <= MOST_SPREAD ? statistics_median(per_min, n) : 0.0;
}

/* ---- the whole ---- */

/* Puts the count beside the frequency that the phase gave. */
static void compare(const struct even *even, double counted_per_min, struct wave_result *result)
{
    double duration_min = (double)(even->n - 1) / EVEN_HZ / 60.0;
    double apart_per_min = counted_per_min - result->frequency_per_min;
    double reach = 0.5 * (result->high_per_min - result->low_per_min);

    if (fabs(apart_per_min) * duration_min > MOST_APART) {
        result->frequency_per_min = counted_per_min;
        reach = MISSED / duration_min;
    } else if (result->regularity > PHASE_STEADY_RAD) {
        result->frequency_per_min += 0.5 * apart_per_min;
        reach = hypot(reach, apart_per_min);
    }
    result->low_per_min = result->frequency_per_min - reach;
    result->high_per_min = result->frequency_per_min + reach;
}

bool train_count(struct even *even, double spacing_mm, struct wave_result *result)
{
    struct pass_band band = {.low = LOW * result->frequency_per_min, .high = HIGH_PER_MIN};
    struct train train = {.value = calloc(even->n, sizeof *train.value),
                          .total = calloc(even->n, sizeof *train.total),
                          .scratch = calloc(even->n, sizeof *train.scratch),
                          .n = even->n};
    bool is_made = train.value && train.total && train.scratch && band_fill(even, &band);

    if (is_made) {
        double per_min = count_by_place(&train, even);

        if (result->direction != DIRECTION_MIXED && result->has_velocity)
            per_min = fmax(per_min, count_along(&train, even, spacing_mm, result));
        if (per_min > 0.0)
            compare(even, per_min, result);
    }
    free(train.value);
    free(train.total);
    free(train.scratch);
    return is_made;
}
