#include "image/survey_internal.h"

#include <gsl/gsl_sort_float.h>
#include <math.h>
#include <stdlib.h>

/* Common practice, no source: grey levels of mean |difference| over a block. Speckle
 * that lives differs by 3 to 10; a frozen picture coded again differs by less than one. */
static const double SURELY_SAME = 0.15;
static const double CODING_NOISE_MAX = 0.75;
static const double CODING_NOISE_UNKNOWN = 0.5;
static const double SHARE_OF_LIVE = 0.25;
static const double PULSE_SHARE_OF_LIVE = 1.0; /* a key frame of a frozen picture */
static const double FREEZE_S = 0.5;
static const int FREEZE_FRAMES = 3;     /* without a clock, or at a very low rate */
static const double FREEZE_DRIFT = 2.0; /* grey levels a frozen block may creep */
static const double REPEATS_WORTH_TELLING = 0.2;

struct histogram {
    uint32_t bins[256];
    uint32_t n;
};

static int histogram_quantile(const struct histogram *histogram, double share)
{
    uint32_t below = 0;

    for (int i = 0; i < 256; i++) {
        below += histogram->bins[i];
        if ((double)below > share * (double)histogram->n)
            return i;
    }
    return 255;
}

/** True when at least two blocks changed: a clock alone does not move the picture. */
static bool is_moving(const struct survey_row *row)
{
    int n_changed = 0;

    for (int i = 0; i < SURVEY_BLOCKS; i++)
        n_changed += row->difference[i] >= 3;
    return n_changed >= 2;
}

static float blocks_quantile(const float *values, double share)
{
    float sorted[SURVEY_BLOCKS];

    for (int i = 0; i < SURVEY_BLOCKS; i++)
        sorted[i] = values[i];
    gsl_sort_float(sorted, 1, SURVEY_BLOCKS);
    return sorted[(int)(share * (SURVEY_BLOCKS - 1))];
}

size_t survey_live_blocks(float *live, bool *still, const struct survey_row *rows, size_t n)
{
    size_t n_live = 0;
    float floor_level = 0;

    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        struct histogram histogram = {0};
        double mean = 0;

        for (size_t i = 0; i < n; i++) {
            mean += rows[i].mean[block];
            if (i == 0 || !is_moving(&rows[i]))
                continue;
            histogram.bins[rows[i].difference[block]]++;
            histogram.n++;
        }
        live[block] =
            histogram.n ? (float)histogram_quantile(&histogram, 0.75) / SURVEY_DIFFERENCE_STEPS : 0.0F;
        still[block] = mean > 4.0 * (double)n;
    }
    floor_level = 0.2F * blocks_quantile(live, 0.95);
    floor_level = floor_level > 0.5F ? floor_level : 0.5F;
    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        bool is_live = live[block] >= floor_level;

        live[block] = is_live ? live[block] : 0.0F;
        still[block] = still[block] && !is_live;
        n_live += is_live;
    }
    return n_live;
}

/** Coding noise, from the blocks with burned-in marks: what they change though they show the same. */
static double coding_noise(const struct survey_row *rows, size_t n, const bool *still)
{
    struct histogram histogram = {0};

    for (size_t i = 1; i < n; i++)
        for (int block = 0; block < SURVEY_BLOCKS; block++)
            if (still[block]) {
                histogram.bins[rows[i].difference[block]]++;
                histogram.n++;
            }
    if (histogram.n == 0)
        return CODING_NOISE_UNKNOWN;
    return fmin(CODING_NOISE_MAX,
                1.5 * histogram_quantile(&histogram, 0.9) / SURVEY_DIFFERENCE_STEPS + SURELY_SAME);
}

struct frame_change {
    double middle;  /* median over the live blocks of the change, grey levels */
    double upper;   /* its 9th decile */
    double of_live; /* median of the change over the usual change of the block */
};

static struct frame_change frame_change_of(const struct survey_row *row, const float *live)
{
    float change[SURVEY_BLOCKS];
    float ratio[SURVEY_BLOCKS];
    size_t n = 0;

    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        if (live[block] <= 0)
            continue;
        change[n] = (float)row->difference[block] / SURVEY_DIFFERENCE_STEPS;
        ratio[n] = change[n] / live[block];
        n++;
    }
    if (n == 0)
        return (struct frame_change){0};
    gsl_sort_float(change, 1, n);
    gsl_sort_float(ratio, 1, n);
    return (struct frame_change){
        .middle = change[n / 2], .upper = change[(n - 1) * 9 / 10], .of_live = ratio[n / 2]};
}

static bool is_repeat_of(struct frame_change change, double noise)
{
    if (change.upper < SURELY_SAME)
        return true;
    return change.middle < noise && change.upper < 2 * noise && change.of_live < SHARE_OF_LIVE;
}

/** A key frame in the middle of a freeze differs more than its neighbours: still the same picture. */
static void bridge_key_frames(struct survey *survey, const struct survey_row *rows, const float *live)
{
    for (size_t i = 4; i + 3 < survey->n_frames; i++) {
        bool *at = survey->is_repeat + i;
        bool is_between = at[-3] && at[-2] && at[-1] && at[1] && at[2] && at[3];

        if (!*at && is_between)
            *at = frame_change_of(&rows[i], live).of_live < PULSE_SHARE_OF_LIVE;
    }
}

/** True when the last frame of a run of repeats still shows what its first showed. */
static bool shows_the_same(const struct survey_row *first, const struct survey_row *last, const float *live)
{
    int n = 0;
    int n_crept = 0;

    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        if (live[block] <= 0)
            continue;
        n++;
        n_crept += abs((int)first->mean[block] - (int)last->mean[block]) > FREEZE_DRIFT;
    }
    return n_crept * 10 <= n;
}

static bool tell_freeze(struct survey *survey, size_t first, size_t end, bool has_clock)
{
    double from_s = survey->time_s[first - 1];
    double lasts_s = survey->time_s[end - 1] - from_s;

    if (!has_clock)
        return end - first < (size_t)FREEZE_FRAMES ||
               text_list_add(&survey->problems, "the picture is frozen over the %zu frames after frame %zu",
                             end - first, first);
    if (lasts_s < FREEZE_S)
        return true;
    survey->frozen_s += lasts_s;
    return text_list_add(&survey->problems, "the picture is frozen from %.2f s to %.2f s", from_s,
                         from_s + lasts_s);
}

/** Goes through the runs of repeats: takes back those that creep, tells those that last. */
static bool judge_runs(struct survey *survey, const struct survey_row *rows, const float *live,
                       bool has_clock)
{
    size_t end = 0;

    for (size_t first = 1; first < survey->n_frames; first = end + 1) {
        for (end = first; end < survey->n_frames && survey->is_repeat[end]; end++)
            ;
        if (end == first)
            continue;
        if (!shows_the_same(&rows[first - 1], &rows[end - 1], live)) {
            for (size_t i = first; i < end; i++)
                survey->is_repeat[i] = false;
            continue;
        }
        if (!tell_freeze(survey, first, end, has_clock))
            return false;
    }
    return true;
}

/** Repeats outside freezes: a slower picture in a faster recording. */
static bool tell_effective_rate(struct survey *survey, bool has_clock)
{
    size_t n_repeats = 0;
    double live_s = survey->duration_s - survey->frozen_s;
    size_t run = 0;
    size_t n_frozen = 0;

    for (size_t i = 1; i < survey->n_frames; i++) {
        run = survey->is_repeat[i] ? run + 1 : 0;
        n_repeats += survey->is_repeat[i];
        if (run > 0 && (i + 1 == survey->n_frames || !survey->is_repeat[i + 1]) && has_clock &&
            survey->time_s[i] - survey->time_s[i - run] >= FREEZE_S)
            n_frozen += run;
    }
    n_repeats -= n_frozen;
    if (!has_clock || survey->n_frames < 8 || live_s <= 0 ||
        (double)n_repeats < REPEATS_WORTH_TELLING * (double)(survey->n_frames - n_frozen))
        return true;
    return text_list_add(
        &survey->problems,
        "%zu of %zu frames only repeat the one before: new pictures come at %.1f per second, not %.1f",
        n_repeats, survey->n_frames - n_frozen, (double)(survey->n_frames - n_frozen - n_repeats) / live_s,
        survey->frame_rate_hz);
}

bool survey_judge_repeats(struct survey *survey, const struct survey_row *rows, bool has_clock,
                          const float *live, const bool *still, struct error **err)
{
    double noise = coding_noise(rows, survey->n_frames, still);

    for (size_t i = 1; i < survey->n_frames; i++)
        survey->is_repeat[i] = is_repeat_of(frame_change_of(&rows[i], live), noise);
    bridge_key_frames(survey, rows, live);
    if (!judge_runs(survey, rows, live, has_clock) || !tell_effective_rate(survey, has_clock))
        return error_memory(err);
    return true;
}
