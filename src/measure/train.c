#include "measure/train.h"

#include "base/statistics.h"
#include "measure/band.h"
#include "measure/phase.h"
#include "measure/swings.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double LOW = 0.35;          /* of the frequency: slower is drift */
static const double HIGH_PER_MIN = 11.0; /* below breathing, 12 per min: common practice, no source */
static const double MOST_APART = 0.75;   /* waves in the whole loop: a phase that slips errs by a whole one */
static const double MOST_SPREAD = 1.0;   /* waves in the whole loop: between the quartiles of the places */
/* A phase that slipped by a whole wave scatters by more than this; where it does not, noise was counted for
 * waves. Of 537 made trains at uneven intervals (10 to 30 %) over quiet loops the count differed from the
 * phase by three quarters of a wave at less scatter in two, both of two waves: among few, crests and swings
 * must say the same. */
static const double SLIPPED_RAD = 0.3, HARDLY_SLIPS_RAD = 0.2;
static const double FEW_TO_SLIP = 4.0;
static const double MISSED = 0.5;       /* waves: at the edges of the loop */
static const double COUNT_ERROR = 0.75; /* waves: of swings, about half of one at either edge */
static const double EDGE_ERROR = 0.35; /* waves: parts of waves at the edges, whose neighbours are not seen */
static const double UNEVEN_RAD = 0.7;  /* scatter of the phase from which swings weigh as much as it */
static const double PAUSE = 1.0;       /* over the usual wave: rests, more than the places disagree by */
static const double VELOCITY_RATIO = 1.04; /* from one that is tried to the next */

enum { N_VELOCITIES = 49, MOST_PLACES = 100 };

/* One trace of the waves, as the middle of the stripe or one place shows them. */
struct train {
    double *value;
    double *total;
    double *scratch;
    size_t n;
};

/* What was counted in the whole loop. */
struct tally {
    double crests; /* per minute, from crest to crest; 0: not told */
    double waves;  /* by their swings */
    double spread; /* of these, between places, and between them and all laid over one another */
    double rest;   /* longest, over the usual wave */
};

static double crests_per_min(struct train *train)
{
    double interval = swings_interval(train->value, train->scratch, train->n);

    return interval > 0.0 ? 60.0 * EVEN_HZ / interval : 0.0;
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
static void add_along(struct tally *tally, struct train *train, const struct even *even, double spacing_mm,
                      const struct wave_result *result)
{
    double best = -1.0;
    double velocity = result->velocity_per_s;
    struct swings swings;

    for (int i = 0; i < N_VELOCITIES; i++) {
        double trial = result->velocity_per_s * pow(VELOCITY_RATIO, i - N_VELOCITIES / 2);
        double energy = lay_over(train, even, spacing_mm, result->direction, trial);

        if (energy > best) {
            best = energy;
            velocity = trial;
        }
    }
    (void)lay_over(train, even, spacing_mm, result->direction, velocity);
    tally->crests = fmax(tally->crests, crests_per_min(train));
    swings = swings_count(train->value, train->n);
    tally->spread += fabs(swings.waves - tally->waves);
    if (swings.waves > tally->waves) {
        tally->waves = swings.waves;
        tally->rest = swings.rest;
    }
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
 * from the ends, where it may turn round. */
static struct tally count_by_place(struct train *train, const struct even *even)
{
    double duration_min = (double)(even->n - 1) / EVEN_HZ / 60.0;
    size_t from = (size_t)(EVEN_MIDDLE_FROM * (double)even->n_positions);
    struct tally tally = {0};
    double crests[MOST_PLACES];
    double waves[MOST_PLACES];
    double rest[MOST_PLACES];
    size_t n_crests = 0;
    size_t n = 0;

    for (size_t p = from; p + EVEN_NEIGHBOURS + from <= even->n_positions && n < MOST_PLACES; p++) {
        struct swings swings;

        add_neighbours(train, even, p);
        crests[n_crests] = crests_per_min(train);
        n_crests += crests[n_crests] > 0.0;
        swings = swings_count(train->value, train->n);
        waves[n] = swings.waves;
        rest[n++] = swings.rest;
    }
    if (n_crests > 0 &&
        (statistics_quantile(crests, n_crests, 0.75) - statistics_quantile(crests, n_crests, 0.25)) *
                duration_min <=
            MOST_SPREAD)
        tally.crests = statistics_median(crests, n_crests);
    if (n > 0) {
        tally.waves = statistics_median(waves, n);
        tally.spread = statistics_quantile(waves, n, 0.75) - statistics_quantile(waves, n, 0.25);
        tally.rest = statistics_median(rest, n);
    }
    return tally;
}

/* ---- the whole ---- */

/* What is told, in waves in the whole loop, give or take. */
struct told {
    double waves, reach;
};

/* Whether counts may overrule the phase, of which `phase` waves were told. Noise adds turns and takes none
 * away. */
static bool may_overrule(const struct tally *tally, double phase, double duration_min, double regularity)
{
    bool is_alike = tally->crests <= 0.0 || fabs(tally->crests * duration_min - tally->waves) <= MOST_APART;

    return regularity > SLIPPED_RAD || (is_alike && (phase < FEW_TO_SLIP || tally->waves < phase));
}

/* Puts the crests beside what the phase gave. Where they are far apart the phase slipped by whole waves,
 * unless the swings bear it out against the crests. */
static void compare_crests(struct told *told, double crests, double swings, double regularity, bool overrules)
{
    double apart = crests - told->waves;

    if (fabs(apart) > MOST_APART && fabs(swings - told->waves) <= MOST_APART &&
        fabs(swings - crests) > MOST_APART) {
        told->reach = hypot(told->reach, MISSED);
    } else if (fabs(apart) > MOST_APART) {
        if (!overrules) { /* where crests and swings agree, part of the way to them, and an interval that
                             holds both */
            double slips =
                fmin(fmax((regularity - HARDLY_SLIPS_RAD) / (SLIPPED_RAD - HARDLY_SLIPS_RAD), 0.0), 1.0);

            told->waves += fabs(swings - crests) > MOST_APART ? 0.0 : 0.5 * slips * apart;
            told->reach = hypot(told->reach, (1.0 - 0.25 * slips) * apart);
            return;
        }
        told->waves = crests;
        told->reach = MISSED;
    } else if (regularity > PHASE_STEADY_RAD) {
        told->waves += 0.5 * apart;
        told->reach = hypot(told->reach, apart);
    }
}

/* Puts the swings beside that: they alone know of pauses. */
static void compare_swings(struct told *told, double phase, const struct tally *tally, bool overrules,
                           struct wave_result *result)
{
    double apart = tally->waves - told->waves;
    double uneven = (result->regularity - PHASE_STEADY_RAD) / (UNEVEN_RAD - PHASE_STEADY_RAD);

    uneven = fmin(fmax(uneven, 0.0), 1.0);
    if (fabs(tally->waves - phase) > MOST_APART || uneven >= 1.0)
        result->has_frequency =
            tally->waves - 0.5 * tally->spread >= TRAIN_FEW ||
            (tally->waves >= TRAIN_FEW && tally->rest <= PAUSE); /* some places miss some */
    if (fabs(apart) <= MOST_APART) {
        told->waves += 0.5 * uneven * apart;
        told->reach = hypot((1.0 - 0.5 * uneven) * told->reach,
                            uneven * hypot(EDGE_ERROR + 0.5 * fabs(apart), 0.5 * tally->spread));
    } else if (apart > 0.0 && !overrules) {
        return;
    } else if (apart > 0.0 || tally->rest > PAUSE + tally->spread) {
        result->has_pauses = apart < 0.0;
        result->share = fmin(tally->waves / told->waves, 1.0);
        told->waves = tally->waves;
        told->reach = hypot(COUNT_ERROR, 0.5 * tally->spread);
        if (result->direction == DIRECTION_MIXED) /* two that meet pass as one */
            told->reach = hypot(told->reach, 0.5 * apart);
    } else { /* weak waves among strong ones, or a phase that ran too fast */
        told->reach = hypot(told->reach, 0.5 * hypot(apart, tally->spread));
    }
}

/* Phase and swings share nothing but the motion. Where they are far apart and no crests bear one of them out,
 * neither is told. */
static void dispute(const struct tally *tally, double phase, double duration_min, struct wave_result *result)
{
    double apart = fabs(tally->waves - phase);

    if (tally->crests > 0.0 || apart <= fmax(TRAIN_MOST_DISPUTED, TRAIN_DISPUTED_SHARE * tally->waves))
        return;
    result->is_disputed = true;
    result->has_frequency = false;
    result->phase_per_min = phase / duration_min;
    result->counted_per_min = tally->waves / duration_min;
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
        double duration_min = (double)(even->n - 1) / EVEN_HZ / 60.0;
        struct tally tally = count_by_place(&train, even);
        double phase = result->frequency_per_min * duration_min;
        struct told told = {.waves = phase,
                            .reach = 0.5 * (result->high_per_min - result->low_per_min) * duration_min};

        bool overrules = false;

        if (result->direction != DIRECTION_MIXED && result->has_velocity)
            add_along(&tally, &train, even, spacing_mm, result);
        overrules = may_overrule(&tally, phase, duration_min, result->regularity);
        if (tally.crests > 0.0)
            compare_crests(&told, tally.crests * duration_min, tally.waves, result->regularity, overrules);
        if (tally.waves > 0.0)
            compare_swings(&told, phase, &tally, overrules, result);
        dispute(&tally, phase, duration_min, result);
        result->frequency_per_min = told.waves / duration_min;
        result->low_per_min = (told.waves - told.reach) / duration_min;
        result->high_per_min = (told.waves + told.reach) / duration_min;
    }
    free(train.value);
    free(train.total);
    free(train.scratch);
    return is_made;
}
