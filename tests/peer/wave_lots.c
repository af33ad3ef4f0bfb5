/* Lays trains of waves, drawn by lot, over what the program followed in quiet loops, and tells how the waves
 * are measured: the noise is that of real tracking, the waves are known.
 *
 *   wave_lots VARIATION WAY AMPLITUDE_MM N LONGEST_S MOTION.CSV ...
 *
 *   VARIATION  of the intervals: standard deviation over mean (0: steady)
 *   WAY        one, opposing or either
 *   MOTION.CSV motion.csv of quiet loops
 * Two truths are told of, for the literature has both: parts of waves in the whole loop, and the mean
 * interval from the first crest in the middle of the stripe to the last. */
#include "base/statistics.h"
#include "measure/contraction.h"
#include "motion_file.h"
#include "synth/dice.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_WAVES = 80, MOST_QUIET = 32, MOST_LOTS = 1000 };
enum way { ONE_WAY, OPPOSING, EITHER_WAY };
static const double PI = 3.14159265358979323846;
static const double LEAST_SHARE =
    0.25; /* of the waves that run the other way: fewer, and "mixed" is arguable */

struct train {
    enum way way;
    size_t n;
    double velocity_mm_per_s;
    double time_s[MOST_WAVES]; /* when each passes the middle */
    double lasts_s[MOST_WAVES];
    double height_mm[MOST_WAVES];
    double ahead[MOST_WAVES]; /* 1: toward the cervix */
};

struct tally {
    size_t n, n_quiet, n_wrong_way, n_within;
    size_t n_told[DIRECTION_MIXED + 1]; /* by direction */
    double by_parts[MOST_LOTS], by_crests[MOST_LOTS], velocity[MOST_LOTS];
};

static struct train draw(struct dice *dice, double variation, enum way way, double amplitude_mm)
{
    double gap_s = 60.0 / (1.5 + 3.0 * dice_even(dice));
    struct train train = {.way = way, .velocity_mm_per_s = 1.0 + 3.0 * dice_even(dice)};
    double time_s = -100.0 - gap_s * dice_even(dice);
    double ahead = dice_even(dice) < 0.5 ? -1.0 : 1.0;

    for (; time_s < 240.0 && train.n < MOST_WAVES; train.n++) {
        double z = fmin(fmax(dice_normal(dice), -1.9), 1.9);

        train.time_s[train.n] = time_s;
        train.height_mm[train.n] = 2.0 * amplitude_mm * (0.7 + 0.6 * dice_even(dice));
        train.ahead[train.n] = way == EITHER_WAY ? (dice_even(dice) < 0.5 ? -1.0 : 1.0) : ahead;
        time_s += gap_s * fmax(0.35, 1.0 + variation * z);
    }
    for (size_t i = 1; i + 1 < train.n; i++)
        train.lasts_s[i] = fmin(
            0.8 * gap_s, fmin(train.time_s[i + 1] - train.time_s[i], train.time_s[i] - train.time_s[i - 1]));
    return train;
}

static double change_at(const struct train *train, double time_s, double away_mm)
{
    double change = 0.0;

    for (size_t i = 1; i + 1 < train->n; i++) {
        double later_s =
            (train->way == OPPOSING ? -fabs(away_mm) : train->ahead[i] * away_mm) / train->velocity_mm_per_s;
        double x = (time_s - train->time_s[i] - later_s) / train->lasts_s[i];

        if (fabs(x) < 0.5)
            change -= 0.5 * train->height_mm[i] * (1.0 + cos(2.0 * PI * x));
    }
    return change;
}

/* Which wave a time falls to, and how much of it. */
static double wave_at(const struct train *train, double time_s)
{
    size_t i = 0;

    while (i + 2 < train->n && train->time_s[i + 1] <= time_s)
        i++;
    return (double)i + (time_s - train->time_s[i]) / (train->time_s[i + 1] - train->time_s[i]);
}

static bool is_arguable(const struct train *train, double end_s)
{
    double n[2] = {0};

    for (size_t i = 0; i < train->n; i++)
        if (train->time_s[i] >= 0.0 && train->time_s[i] <= end_s)
            n[train->ahead[i] > 0.0] += 1.0;
    return train->way == EITHER_WAY && fmin(n[0], n[1]) < LEAST_SHARE * (n[0] + n[1]);
}

static void add(struct tally *tally, const struct train *train, const struct wave_result *result,
                double end_s)
{
    const enum wave_direction expected = train->way == OPPOSING     ? DIRECTION_OPPOSING
                                         : train->way == EITHER_WAY ? DIRECTION_MIXED
                                         : train->ahead[0] > 0.0    ? DIRECTION_FUNDUS_TO_CERVIX
                                                                    : DIRECTION_CERVIX_TO_FUNDUS;
    double parts = (wave_at(train, end_s) - wave_at(train, 0.0)) / end_s * 60.0;
    size_t first = (size_t)ceil(wave_at(train, 0.0));
    size_t last = (size_t)floor(wave_at(train, end_s));
    double crests =
        last > first ? (double)(last - first) / (train->time_s[last] - train->time_s[first]) * 60.0 : parts;

    if (result->verdict != CONTRACTIONS_MEASURED) {
        tally->n_quiet++;
        return;
    }
    tally->n_told[result->direction]++;
    tally->n_wrong_way += result->direction != expected && !is_arguable(train, end_s);
    tally->n_within += result->low_per_min <= parts && parts <= result->high_per_min;
    tally->by_parts[tally->n] = fabs(result->frequency_per_min - parts);
    tally->by_crests[tally->n] = fabs(result->frequency_per_min - crests);
    tally->velocity[tally->n++] = result->velocity_per_s / train->velocity_mm_per_s;
}

static bool measure(struct tally *tally, const struct motion_file *quiet, const struct train *train,
                    double longest_s)
{
    double middle_mm = 0.5 * (quiet->position_mm[0] + quiet->position_mm[quiet->n_positions - 1]);
    double *change_mm = calloc(quiet->n_times * quiet->n_positions, sizeof *change_mm);
    struct wave_trace trace = {.n_times = quiet->n_times,
                               .n_positions = quiet->n_positions,
                               .time_s = quiet->time_s,
                               .position_mm = quiet->position_mm,
                               .change_mm = change_mm,
                               .trust = quiet->trust};
    struct wave_result result;
    struct text_list reasons = {0};
    struct error *err = NULL;
    bool is_made = false;

    if (change_mm == NULL)
        return false;
    while (trace.n_times > 2 && quiet->time_s[trace.n_times - 1] > longest_s)
        trace.n_times--;
    for (size_t t = 0; t < trace.n_times; t++)
        for (size_t p = 0; p < trace.n_positions; p++) {
            size_t i = t * trace.n_positions + p;

            change_mm[i] =
                quiet->change_mm[i] + change_at(train, quiet->time_s[t], quiet->position_mm[p] - middle_mm);
        }
    is_made = contraction_measure(&result, &reasons, &trace, &err);
    if (is_made)
        add(tally, train, &result, quiet->time_s[trace.n_times - 1]);
    text_list_free(&reasons);
    free(change_mm);
    error_free(&err);
    return is_made;
}

static void tell(struct tally *tally, size_t n_lots)
{
    size_t n = tally->n;

    (void)printf(
        "%zu lots: %zu not told, way wrong %zu, interval holds the truth %zu of %zu; frequency off by parts "
        "of "
        "waves %.3f (nine in ten %.3f), by crests %.3f (%.3f); velocity over truth %.2f (%.2f to %.2f)\n",
        n_lots, tally->n_quiet, tally->n_wrong_way, tally->n_within, n, statistics_median(tally->by_parts, n),
        statistics_quantile(tally->by_parts, n, 0.9), statistics_median(tally->by_crests, n),
        statistics_quantile(tally->by_crests, n, 0.9), statistics_median(tally->velocity, n),
        statistics_quantile(tally->velocity, n, 0.1), statistics_quantile(tally->velocity, n, 0.9));
    (void)printf("told: one way %zu, opposing %zu, mixed %zu, no direction %zu\n",
                 tally->n_told[DIRECTION_CERVIX_TO_FUNDUS] + tally->n_told[DIRECTION_FUNDUS_TO_CERVIX],
                 tally->n_told[DIRECTION_OPPOSING], tally->n_told[DIRECTION_MIXED],
                 tally->n_told[DIRECTION_UNDETERMINED]);
}

int main(int argc, char **argv)
{
    static struct motion_file quiet[MOST_QUIET];
    static struct tally tally;
    size_t n_quiet = 0;
    size_t n_lots = argc > 6 ? (size_t)strtoul(argv[4], NULL, 10) : 0;
    enum way way = ONE_WAY;

    for (int i = 6; i < argc && n_quiet < MOST_QUIET; i++)
        n_quiet += motion_file_read(&quiet[n_quiet], argv[i]);
    if (n_quiet == 0 || n_lots == 0 || n_lots > MOST_LOTS) {
        (void)fprintf(stderr,
                      "wave_lots VARIATION one|opposing|either AMPLITUDE_MM N LONGEST_S MOTION.CSV ...\n");
        return 2;
    }
    way = strcmp(argv[2], "opposing") == 0 ? OPPOSING : strcmp(argv[2], "either") == 0 ? EITHER_WAY : ONE_WAY;
    for (size_t lot = 0; lot < n_lots; lot++) {
        struct dice dice = dice_make((long)lot + 1, 1);
        struct train train = draw(&dice, strtod(argv[1], NULL), way, strtod(argv[3], NULL));

        if (!measure(&tally, &quiet[lot % n_quiet], &train, strtod(argv[5], NULL)))
            return 3;
    }
    tell(&tally, n_lots);
    return 0;
}
