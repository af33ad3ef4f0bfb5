#include "image/survey_internal.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>

/* Common practice, no source: a step is usual within a tenth (containers round to a
 * millisecond or to 1/90000 s), a clock is regular when four fifths of its steps are. */
static const double USUAL_WITHIN = 0.10;
static const double ROUNDING_S = 0.0021;
static const double REGULAR_SHARE = 0.80;
static const double GAP_STEPS = 1.5;
/* Of a clock that varies: a gap is longer than this many usual steps, and clearly beyond nine tenths of them.
 */
static const double VARIED_GAP_STEPS = 1.75;

/** The n - 1 steps between frames, sorted; NULL when memory ran out. */
static double *sorted_steps(const struct survey *survey)
{
    double *steps = calloc(survey->n_frames, sizeof *steps);

    if (steps == NULL)
        return NULL;
    for (size_t i = 1; i < survey->n_frames; i++)
        steps[i - 1] = survey->time_s[i] - survey->time_s[i - 1];
    gsl_sort(steps, 1, survey->n_frames - 1);
    return steps;
}

static double most_usual(double usual_s)
{
    return usual_s + USUAL_WITHIN * usual_s + ROUNDING_S;
}

static bool is_usual(double step_s, double usual_s)
{
    return fabs(step_s - usual_s) <= USUAL_WITHIN * usual_s + ROUNDING_S;
}

/* Gaps are steps longer than gap_s; how many, and in dropped_frames what they swallowed. */
static size_t count_gaps(struct survey *survey, const double *steps, size_t n, double gap_s)
{
    double usual_s = steps[n / 2];
    size_t n_gaps = 0;

    for (size_t i = 0; i < n; i++)
        if (usual_s > 0.0 && steps[i] > gap_s) {
            n_gaps++;
            survey->dropped_frames += lround(steps[i] / usual_s) - 1;
        }
    return n_gaps;
}

/* A clock without one usual step: its times are used as they are, and only what stands out is a gap. */
static bool judge_varied_steps(struct survey *survey, const double *steps, size_t n)
{
    double gap_s = fmax(VARIED_GAP_STEPS * steps[n / 2], GAP_STEPS * steps[n - 1 - n / 10]);
    size_t n_gaps = count_gaps(survey, steps, n, gap_s);
    long dropped = survey->dropped_frames;

    if (!text_list_add(
            &survey->problems,
            "the frame rate varies: nine tenths of the steps between frames run from %.3f to %.3f s; "
            "the times are used as they are",
            steps[n / 20], steps[n - 1 - n / 20]))
        return false;
    if (dropped == 0)
        return true;
    return text_list_add(
        &survey->problems, "about %ld frame%s missing in %zu gap%s; the longest gap lasts %.2f s", dropped,
        dropped == 1 ? " is" : "s are", n_gaps, n_gaps == 1 ? "" : "s", survey->largest_gap_s);
}

static bool judge_steps(struct survey *survey, const double *steps, size_t n)
{
    double usual_s = steps[n / 2];
    size_t n_usual = 0;
    size_t n_gaps = 0;
    long dropped = 0;

    survey->largest_gap_s = steps[n - 1];
    survey->duration_s += usual_s > 0 ? usual_s : 0;
    for (size_t i = 0; i < n; i++)
        n_usual += is_usual(steps[i], usual_s);
    if ((double)n_usual < REGULAR_SHARE * (double)n)
        return judge_varied_steps(survey, steps, n);
    n_gaps = count_gaps(survey, steps, n, fmax(GAP_STEPS * usual_s, most_usual(usual_s)));
    dropped = survey->dropped_frames;
    if (dropped == 0)
        return true;
    return text_list_add(
        &survey->problems,
        "%ld frame%s missing in %zu gap%s of an otherwise regular clock; the longest gap lasts %.2f s",
        dropped, dropped == 1 ? " is" : "s are", n_gaps, n_gaps == 1 ? "" : "s", survey->largest_gap_s);
}

bool survey_judge_clock(struct survey *survey, bool has_clock, struct error **err)
{
    size_t n = survey->n_frames;
    double *steps = NULL;
    bool is_good = false;

    if (!has_clock || n < 2)
        return true;
    survey->duration_s = survey->time_s[n - 1] - survey->time_s[0];
    if (survey->duration_s > 0)
        survey->frame_rate_hz = (double)(n - 1) / survey->duration_s;
    steps = sorted_steps(survey);
    if (steps == NULL)
        return error_memory(err);
    is_good = judge_steps(survey, steps, n - 1);
    free(steps);
    return is_good || error_memory(err);
}
