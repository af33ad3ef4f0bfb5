/* Lays trains of waves, drawn by lot, over what the program followed in quiet loops, and tells how they are
 * listed one by one, and how their rate is told over time. The noise is that of real tracking, the waves are
 * known.
 *
 *   course_lots WHAT VARIATION WAY AMPLITUDE_MM N DURATION_S MOTION.CSV ...
 *
 *   WHAT       list: waves one by one; steady: the rate over time; change: it becomes another half way;
 *              sides, sides-change: the first half of the loop against the second, likewise
 *   VARIATION  of the intervals: standard deviation over mean (0: steady)
 *   WAY        one, opposing or either
 *   MOTION.CSV motion.csv of quiet loops; longer trains run back and forth in them */
#include "base/statistics.h"
#include "measure/contraction.h"
#include "measure/rate_course.h"
#include "measure/sides.h"
#include "measure/wave_list.h"
#include "motion_file.h"
#include "synth/dice.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_WAVES = 200, MOST_QUIET = 32, MOST_ROWS = 20000 };
enum way { ONE_WAY, OPPOSING, EITHER_WAY };
static const double PI = 3.14159265358979323846;

struct train {
    enum way way;
    size_t n;
    double velocity_mm_per_s;
    double time_s[MOST_WAVES]; /* when each passes the middle */
    double lasts_s[MOST_WAVES];
    double height_mm[MOST_WAVES];
    double ahead[MOST_WAVES]; /* 1: toward the cervix */
};

/* Half way through the rate becomes another one where it changes. */
static struct train draw(struct dice *dice, double variation, enum way way, double amplitude_mm,
                         double duration_s, bool does_change)
{
    double gap_s = 60.0 / (1.5 + 3.0 * dice_even(dice));
    double later_gap_s = does_change ? 60.0 / (1.5 + 3.0 * dice_even(dice)) : gap_s;
    struct train train = {.way = way, .velocity_mm_per_s = 1.0 + 3.0 * dice_even(dice)};
    double time_s = -100.0 - gap_s * dice_even(dice);
    double ahead = dice_even(dice) < 0.5 ? -1.0 : 1.0;

    for (; time_s < duration_s + 100.0 && train.n < MOST_WAVES; train.n++) {
        double z = fmin(fmax(dice_normal(dice), -1.9), 1.9);

        train.time_s[train.n] = time_s;
        train.height_mm[train.n] = 2.0 * amplitude_mm * (0.7 + 0.6 * dice_even(dice));
        train.ahead[train.n] = way == EITHER_WAY ? (dice_even(dice) < 0.5 ? -1.0 : 1.0) : ahead;
        time_s += (time_s < 0.5 * duration_s ? gap_s : later_gap_s) * fmax(0.35, 1.0 + variation * z);
    }
    for (size_t i = 1; i + 1 < train.n; i++)
        train.lasts_s[i] =
            fmin(0.8 * (train.time_s[i] < 0.5 * duration_s ? gap_s : later_gap_s),
                 fmin(train.time_s[i + 1] - train.time_s[i], train.time_s[i] - train.time_s[i - 1]));
    return train;
}

static double later_s(const struct train *train, size_t i, double away_mm)
{
    return (train->way == OPPOSING ? -fabs(away_mm) : train->ahead[i] * away_mm) / train->velocity_mm_per_s;
}

static double change_at(const struct train *train, double time_s, double away_mm)
{
    double change = 0.0;

    for (size_t i = 1; i + 1 < train->n; i++) {
        double x = (time_s - train->time_s[i] - later_s(train, i, away_mm)) / train->lasts_s[i];

        if (fabs(x) < 0.5)
            change -= 0.5 * train->height_mm[i] * (1.0 + cos(2.0 * PI * x));
    }
    return change;
}

/* The loop with the waves in it; its change_mm is new. */
static struct wave_trace lay(struct motion_file *loop, const struct train *train)
{
    double middle_mm = 0.5 * (loop->position_mm[0] + loop->position_mm[loop->n_positions - 1]);

    for (size_t t = 0; t < loop->n_times; t++)
        for (size_t p = 0; p < loop->n_positions; p++)
            loop->change_mm[t * loop->n_positions + p] +=
                change_at(train, loop->time_s[t], loop->position_mm[p] - middle_mm);
    return (struct wave_trace){.n_times = loop->n_times,
                               .n_positions = loop->n_positions,
                               .time_s = loop->time_s,
                               .position_mm = loop->position_mm,
                               .change_mm = loop->change_mm,
                               .trust = loop->trust};
}

struct rows {
    size_t n;
    double value[MOST_ROWS];
};

static void note(struct rows *rows, double value)
{
    if (rows->n < MOST_ROWS && isfinite(value))
        rows->value[rows->n++] = value;
}

static void tell_rows(const char *what, struct rows *rows)
{
    if (rows->n > 0)
        (void)printf("  %-34s %5zu  5 %% %7.3f  median %7.3f  95 %% %7.3f\n", what, rows->n,
                     statistics_quantile(rows->value, rows->n, 0.05), statistics_median(rows->value, rows->n),
                     statistics_quantile(rows->value, rows->n, 0.95));
}

/* ---- the list ---- */

struct list_tally {
    size_t n_lots, n_not_told, n_true, n_found, n_extra, n_told_way, n_wrong_way, n_count_off;
    struct rows middle_s, start_s, end_s, speed, strength;
};

static enum wave_direction true_way(const struct train *train, size_t i)
{
    return train->way == OPPOSING  ? DIRECTION_OPPOSING
           : train->ahead[i] > 0.0 ? DIRECTION_FUNDUS_TO_CERVIX
                                   : DIRECTION_CERVIX_TO_FUNDUS;
}

static void compare(struct list_tally *tally, const struct train *train, size_t i,
                    const struct wave_one *wave, double half_mm)
{
    double first_s = train->time_s[i] - half_mm / train->velocity_mm_per_s;
    double last_s = train->time_s[i] + (train->way == OPPOSING ? 0.0 : half_mm / train->velocity_mm_per_s);

    note(&tally->middle_s, wave->middle_s - train->time_s[i]);
    if (wave->has_start)
        note(&tally->start_s, wave->start_s - first_s + 0.5 * train->lasts_s[i]);
    if (wave->has_end)
        note(&tally->end_s, wave->end_s - last_s - 0.5 * train->lasts_s[i]);
    if (wave->has_speed)
        note(&tally->speed, wave->speed_per_s / train->velocity_mm_per_s);
    note(&tally->strength, wave->strength / (0.5 * train->height_mm[i]));
    tally->n_told_way += wave->direction != DIRECTION_UNDETERMINED;
    tally->n_wrong_way += wave->direction != DIRECTION_UNDETERMINED && wave->direction != true_way(train, i);
}

static void add_list(struct list_tally *tally, const struct train *train, const struct wave_list *list,
                     const struct wave_result *result, double end_s, double half_mm)
{
    bool is_taken[MOST_WAVES] = {false};

    tally->n_count_off +=
        fabs(list->n_middle - result->frequency_per_min * result->assessed_s / 60.0) >=
        1.0 + 0.5 * (result->high_per_min - result->low_per_min) * result->assessed_s / 60.0;
    for (size_t i = 0; i < train->n; i++)
        tally->n_true += train->time_s[i] > 2.0 && train->time_s[i] < end_s - 2.0;
    for (size_t k = 0; k < list->n; k++) {
        size_t best = 0;

        if (!list->wave[k].has_middle)
            continue;
        for (size_t i = 1; i < train->n; i++)
            if (fabs(train->time_s[i] - list->wave[k].middle_s) <
                fabs(train->time_s[best] - list->wave[k].middle_s))
                best = i;
        if (is_taken[best] ||
            fabs(train->time_s[best] - list->wave[k].middle_s) > 0.5 * train->lasts_s[best]) {
            tally->n_extra++;
            continue;
        }
        is_taken[best] = true;
        tally->n_found += train->time_s[best] > 2.0 && train->time_s[best] < end_s - 2.0;
        compare(tally, train, best, &list->wave[k], half_mm);
    }
}

static void tell_list(struct list_tally *tally)
{
    (void)printf("%zu lots, %zu without a list; of %zu waves %zu listed, %zu that are none; way told of %zu, "
                 "wrong %zu; lists at odds with the count %zu\n",
                 tally->n_lots, tally->n_not_told, tally->n_true, tally->n_found, tally->n_extra,
                 tally->n_told_way, tally->n_wrong_way, tally->n_count_off);
    tell_rows("middle, off, s", &tally->middle_s);
    tell_rows("start, off, s", &tally->start_s);
    tell_rows("end, off, s", &tally->end_s);
    tell_rows("speed over truth", &tally->speed);
    tell_rows("strength over truth", &tally->strength);
}

static bool try_list(struct list_tally *tally, const struct wave_trace *trace, const struct train *train)
{
    double half_mm = 0.5 * (trace->position_mm[trace->n_positions - 1] - trace->position_mm[0]);
    struct wave_result result;
    struct wave_list list = {0};
    struct text_list reasons = {0};
    struct error *err = NULL;
    bool is_made =
        contraction_measure(&result, &reasons, trace, &err) && wave_list_make(&list, trace, &result, &err);

    tally->n_lots++;
    if (is_made && result.verdict == CONTRACTIONS_MEASURED && result.has_frequency)
        add_list(tally, train, &list, &result, trace->time_s[trace->n_times - 1], half_mm);
    else
        tally->n_not_told++;
    wave_list_free(&list);
    text_list_free(&reasons);
    error_free(&err);
    return is_made;
}

/* ---- frequency over time ---- */

/* Which wave a time falls to, and how much of it. */
static double wave_at(const struct train *train, double time_s)
{
    size_t i = 0;

    while (i + 2 < train->n && train->time_s[i + 1] <= time_s)
        i++;
    return (double)i + (time_s - train->time_s[i]) / (train->time_s[i + 1] - train->time_s[i]);
}

static double true_rate(const struct train *train, double from_s, double to_s)
{
    return (wave_at(train, to_s) - wave_at(train, from_s)) / (to_s - from_s) * 60.0;
}

struct sides_tally {
    size_t n_lots, n_told, n_before, n_after, n_difference, n_clear, n_amplitudes, n_amplitude;
    struct rows off, half, amplitude_off, amplitude_half;
};

/* Mean height of the waves that pass the middle, parts counted by how much of each lies within. */
static double true_amplitude(const struct train *train, double from_s, double to_s)
{
    double sum = 0.0;
    double n = 0.0;

    for (double at = from_s; at < to_s; at += 0.25) {
        size_t i = (size_t)lround(wave_at(train, at));

        sum += 0.5 * train->height_mm[i];
        n += 1.0;
    }
    return sum / n;
}

static bool try_sides(struct sides_tally *tally, struct wave_trace *trace, const struct train *train)
{
    double end_s = trace->time_s[trace->n_times - 1];
    struct parting parting = {.from_s = 0.5 * end_s, .to_s = 0.5 * end_s};
    double half_mm[256];
    struct wave_result result;
    struct sides sides;
    struct wave_list list = {0};
    struct text_list reasons = {0};
    struct error *err = NULL;
    bool is_made = contraction_measure(&result, &reasons, trace, &err);

    for (size_t p = 0; p < trace->n_positions; p++)
        half_mm[p] = 4.5;
    trace->half_mm = half_mm; /* walls are read as points: the wave is that of the place */
    result.is_at_walls = true;
    result.fade_mm = 9.0;
    result.amplitude_low = 0.88 * result.amplitude;
    result.amplitude_high = 1.12 * result.amplitude;
    is_made = is_made && wave_list_make(&list, trace, &result, &err) &&
              sides_measure(&sides, trace, parting, &result, &list, &err);
    tally->n_lots++;
    if (is_made && sides.rate_difference.is_known) {
        double before = true_rate(train, 0.0, parting.from_s);
        double after = true_rate(train, parting.to_s, end_s);
        double difference =
            true_amplitude(train, parting.to_s, end_s) - true_amplitude(train, 0.0, parting.from_s);
        struct quantity found = sides.rate_difference;

        tally->n_told++;
        tally->n_before +=
            sides.before.rate.low_per_min <= before && before <= sides.before.rate.high_per_min;
        tally->n_after += sides.after.rate.low_per_min <= after && after <= sides.after.rate.high_per_min;
        tally->n_difference += found.low <= after - before && after - before <= found.high;
        tally->n_clear += found.low > 0.0 || found.high < 0.0;
        note(&tally->off, found.value - after + before);
        note(&tally->half, 0.5 * (found.high - found.low));
        found = sides.amplitude_difference;
        tally->n_amplitude += found.low <= difference && difference <= found.high;
        note(&tally->amplitude_off, found.value - difference);
        note(&tally->amplitude_half, 0.5 * (found.high - found.low));
    }
    trace->half_mm = NULL;
    wave_list_free(&list);
    text_list_free(&reasons);
    error_free(&err);
    return is_made;
}

static void tell_sides(struct sides_tally *tally)
{
    (void)printf(
        "%zu lots, %zu told; intervals hold the truth before %zu, after %zu, of the difference %zu, of "
        "the amplitudes' %zu; difference clear of none in %zu\n",
        tally->n_lots, tally->n_told, tally->n_before, tally->n_after, tally->n_difference,
        tally->n_amplitude, tally->n_clear);
    tell_rows("difference, off, per min", &tally->off);
    tell_rows("half of its interval, per min", &tally->half);
    tell_rows("amplitudes' difference, off, mm", &tally->amplitude_off);
    tell_rows("half of its interval, mm", &tally->amplitude_half);
}

struct course_tally {
    size_t n_lots, n_windows, n_told, n_within, n_apart;
    struct rows off, half;
};

static bool try_course(struct course_tally *tally, const struct wave_trace *trace, const struct train *train)
{
    struct wave_result result;
    struct rate_course course = {0};
    struct wave_list list = {0};
    struct text_list reasons = {0};
    struct error *err = NULL;
    bool is_made = contraction_measure(&result, &reasons, trace, &err) &&
                   wave_list_make(&list, trace, &result, &err) &&
                   rate_course_make(&course, trace, &result, &list, &err);
    double lowest = INFINITY;
    double highest = -INFINITY;

    tally->n_lots++;
    for (size_t i = 0; is_made && i < course.n; i++) {
        const struct rate_window *window = &course.window[i];
        double truth = true_rate(train, window->from_s, window->to_s);

        tally->n_windows++;
        if (!window->has_rate)
            continue;
        tally->n_told++;
        tally->n_within += window->low_per_min <= truth && truth <= window->high_per_min;
        note(&tally->off, window->per_min - truth);
        note(&tally->half, 0.5 * (window->high_per_min - window->low_per_min));
        lowest = fmin(lowest, window->high_per_min);
        highest = fmax(highest, window->low_per_min);
    }
    tally->n_apart += highest > lowest;
    rate_course_free(&course);
    wave_list_free(&list);
    text_list_free(&reasons);
    error_free(&err);
    return is_made;
}

static void tell_course(struct course_tally *tally)
{
    (void)printf(
        "%zu lots; of %zu windows %zu told, interval holds the truth in %zu (%.1f %%); in %zu lots two "
        "windows' intervals do not overlap\n",
        tally->n_lots, tally->n_windows, tally->n_told, tally->n_within,
        100.0 * (double)tally->n_within / fmax((double)tally->n_told, 1.0), tally->n_apart);
    tell_rows("frequency, off, per min", &tally->off);
    tell_rows("half of the interval, per min", &tally->half);
}

int main(int argc, char **argv)
{
    static struct motion_file quiet[MOST_QUIET];
    static struct list_tally list;
    static struct course_tally course;
    static struct sides_tally sides;
    size_t n_quiet = 0;
    size_t n_lots = argc > 7 ? (size_t)strtoul(argv[5], NULL, 10) : 0;
    double duration_s = argc > 7 ? strtod(argv[6], NULL) : 0.0;
    bool is_list = argc > 7 && strcmp(argv[1], "list") == 0;
    bool is_sides = argc > 7 && strncmp(argv[1], "sides", 5) == 0;
    bool does_change = argc > 7 && (strcmp(argv[1], "change") == 0 || strcmp(argv[1], "sides-change") == 0);
    enum way way = ONE_WAY;

    for (int i = 7; i < argc && n_quiet < MOST_QUIET; i++)
        n_quiet += motion_file_read(&quiet[n_quiet], argv[i]);
    if (n_quiet == 0 || n_lots == 0) {
        (void)fprintf(
            stderr,
            "course_lots list|steady|change|sides|sides-change VARIATION one|opposing|either AMPLITUDE_MM N "
            "DURATION_S MOTION.CSV ...\n");
        return 2;
    }
    way = strcmp(argv[3], "opposing") == 0 ? OPPOSING : strcmp(argv[3], "either") == 0 ? EITHER_WAY : ONE_WAY;
    for (size_t lot = 0; lot < n_lots; lot++) {
        struct dice dice = dice_make((long)lot + 1, 1);
        struct train train =
            draw(&dice, strtod(argv[2], NULL), way, strtod(argv[4], NULL), duration_s, does_change);
        struct motion_file loop = motion_file_led_on(&quiet[lot % n_quiet], duration_s);
        struct wave_trace trace = lay(&loop, &train);
        bool is_made = is_list    ? try_list(&list, &trace, &train)
                       : is_sides ? try_sides(&sides, &trace, &train)
                                  : try_course(&course, &trace, &train);

        motion_file_free(&loop);
        if (!is_made)
            return 3;
    }
    if (is_list)
        tell_list(&list);
    else if (is_sides)
        tell_sides(&sides);
    else
        tell_course(&course);
    return 0;
}
