#include "measure/rate_course.h"

#include "measure/even.h"
#include "measure/passes.h"
#include "measure/span.h"
#include "measure/window_spectrum.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double LEAST_WAVES =
    3.0; /* in a window: fewer leave the interval wider than what it is to show */
static const double LONGEST_S = 120.0; /* longer, and what changes within it is not seen */

enum { LEAST_SAMPLES = 3 }; /* for a slope and something beside it */

/* ---- the spectrum of a window ---- */

/* Adds the densities of all places, each by its weight, per (1 per min). False when memory ran out. */
static bool fill_power(double *power, const struct wave_trace *part)
{
    static const double s_per_min = 60.0;
    double one[SPECTROGRAM_FREQUENCIES];
    struct even even = {0};
    bool is_made = even_make(&even, part, 0, part->n_times - 1);

    for (size_t p = 0; is_made && p < even.n_positions; p++) {
        if (even.weight[p] <= 0.0 || even.n < LEAST_SAMPLES)
            continue;
        is_made =
            window_spectrum(one, SPECTROGRAM_FREQUENCIES, SPECTROGRAM_LOW_PER_MIN / s_per_min,
                            SPECTROGRAM_STEP_PER_MIN / s_per_min, even.value + p * even.n, even.n, EVEN_HZ);
        for (size_t k = 0; is_made && k < SPECTROGRAM_FREQUENCIES; k++)
            power[k] += even.weight[p] * one[k] / s_per_min;
    }
    even_free(&even);
    return is_made;
}

/* ---- its frequency ---- */

static const char *why_not(const struct wave_result *whole, const struct wave_result *window)
{
    if (whole->verdict == CONTRACTIONS_NOT_ASSESSABLE)
        return "the whole of the loop could not be assessed";
    if (whole->verdict == CONTRACTIONS_QUIESCENT)
        return "no waves were found in the whole of the loop";
    return window->verdict == CONTRACTIONS_QUIESCENT ? "no rhythm stands out in this window alone"
                                                     : "this window alone could not be assessed";
}

/* What windows are measured from. */
struct measuring {
    const struct wave_trace *trace;
    const struct wave_result *whole;
    struct passes passes;
};

/* The list's waves over the window; NAN where it does not tell: it must have a pass within the usual time
 * between waves of either end of the window, or it is known that waves pause. */
static double listed_per_min(const struct rate_window *window, const struct measuring *measuring)
{
    const struct passes *passes = &measuring->passes;
    bool is_near = passes->n >= 2 && passes->at_s[0] <= window->from_s + passes->usual_s &&
                   passes->at_s[passes->n - 1] >= window->to_s - passes->usual_s;

    if (passes->n < 2 || (!is_near && !measuring->whole->has_pauses))
        return (double)NAN;
    return passes_waves(passes, window->from_s, window->to_s) / (window->to_s - window->from_s) * 60.0;
}

static void set_rate(struct rate_window *window, const struct wave_result *result, double listed)
{
    double half = result->alone_half_per_min; /* the list of the whole loop says more than the window's */

    window->has_rate = true;
    window->per_min = result->alone_per_min;
    if (isfinite(listed)) {
        double apart = listed - window->per_min;

        window->per_min += 0.5 * apart;
        half = hypot(half, apart);
    }
    window->low_per_min = fmax(window->per_min - half, 0.0);
    window->high_per_min = window->per_min + half;
}

static bool fill_rate(struct rate_window *window, struct wave_result *alone,
                      const struct measuring *measuring, struct error **err)
{
    const struct wave_result *whole = measuring->whole;

    window->has_rate = false;
    window->why = NULL;
    if (whole->verdict == CONTRACTIONS_MEASURED &&
        !span_measure(alone, measuring->trace, window->from_s, window->to_s, err))
        return false;
    if (alone->verdict == CONTRACTIONS_MEASURED)
        set_rate(window, alone, listed_per_min(window, measuring));
    else
        window->why = why_not(whole, alone);
    return true;
}

static bool fill_window(struct rate_window *window, double *power, const struct measuring *measuring,
                        struct error **err)
{
    struct wave_trace part = span_of(measuring->trace, window->from_s, window->to_s);
    struct wave_result alone = {0};

    if (part.n_times >= 4 && !fill_power(power, &part))
        return error_memory(err);
    return fill_rate(window, &alone, measuring, err);
}

bool rate_window_measure(struct rate_window *window, struct wave_result *alone,
                         const struct wave_trace *trace, const struct wave_result *whole,
                         const struct wave_list *list, struct error **err)
{
    struct measuring measuring = {.trace = trace, .whole = whole, .passes = passes_of(list)};

    memset(alone, 0, sizeof *alone);
    return fill_rate(window, alone, &measuring, err);
}

bool rate_course_make(struct rate_course *course, const struct wave_trace *trace,
                      const struct wave_result *result, const struct wave_list *list, struct error **err)
{
    struct measuring measuring = {.trace = trace, .whole = result, .passes = passes_of(list)};
    double from_s = 0.0;
    double to_s = 0.0;
    bool is_made = true;
    size_t n = 0;

    memset(course, 0, sizeof *course);
    if (result->verdict == CONTRACTIONS_NOT_ASSESSABLE || !span_assessed(trace, &from_s, &to_s))
        return true;
    course->window_s = CONTRACTION_LEAST_S;
    if (result->verdict == CONTRACTIONS_MEASURED)
        course->window_s =
            fmin(fmax(CONTRACTION_LEAST_S, LEAST_WAVES * 60.0 / result->frequency_per_min), LONGEST_S);
    course->window_s = fmin(course->window_s, to_s - from_s);
    n = (size_t)floor((to_s - from_s - course->window_s) / RATE_COURSE_STEP_S + 1e-6) + 1;
    course->window = calloc(n, sizeof *course->window);
    course->power = calloc(n * SPECTROGRAM_FREQUENCIES, sizeof *course->power);
    if (course->window == NULL || course->power == NULL) {
        rate_course_free(course);
        return error_memory(err);
    }
    for (course->n = 0; is_made && course->n < n; course->n++) {
        struct rate_window *window = &course->window[course->n];

        window->from_s = from_s + RATE_COURSE_STEP_S * (double)course->n;
        window->to_s = window->from_s + course->window_s;
        is_made = fill_window(window, course->power + course->n * SPECTROGRAM_FREQUENCIES, &measuring, err);
    }
    if (!is_made)
        rate_course_free(course);
    return is_made;
}

void rate_course_free(struct rate_course *course)
{
    if (course == NULL)
        return;
    free(course->window);
    free(course->power);
    memset(course, 0, sizeof *course);
}
