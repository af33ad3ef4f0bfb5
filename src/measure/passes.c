#include "measure/passes.h"

#include "base/statistics.h"

#include <math.h>

/* Over the usual time from a pass to an edge of the trace: so near the edge (0.3 of the time:
 * measure/wave_list.c) a crest is not told. */
static const double EDGE_GAP = 1.3;
static const double CREST_S = 0.25;   /* error of a pass: a step of the grid, measure/even.c */
static const double UNEVEN_FEW = 0.3; /* taken where too few intervals are seen to tell: as above */
/* Between the usual times of the whole and near an edge: the median of three intervals that are uneven by 30
 * % differs by less, but for one in a hundred. */
static const double CHANGED = 1.5;
enum { FEW_INTERVALS = 3 };

static double interval_s(const struct passes *passes, size_t i)
{
    return passes->at_s[i + 1] - passes->at_s[i];
}

/* Mean and scatter of the intervals in which no wave is missing. */
static void set_usual(struct passes *passes, double rhythm_s)
{
    double all_s[PASSES_MOST];
    size_t n_all = passes->n - 1;
    size_t n = 0;
    double most_s = 0.0;
    double sum = 0.0;
    double square = 0.0;

    for (size_t i = 0; i < n_all; i++)
        all_s[i] = interval_s(passes, i);
    most_s = PASSES_GAP * (n_all < FEW_INTERVALS && rhythm_s > 0.0
                               ? fmax(rhythm_s, statistics_quantile(all_s, n_all, 0.0))
                               : statistics_median(all_s, n_all));
    for (size_t i = 0; i < n_all; i++) {
        double one = interval_s(passes, i);

        passes->n_gaps += one >= most_s;
        if (one < most_s) {
            sum += one;
            square += one * one;
            n++;
        }
    }
    passes->usual_s = sum / (double)n; /* the median is among them, or one below it */
    passes->uneven = n < FEW_INTERVALS ? UNEVEN_FEW
                                       : sqrt(fmax(square - sum * sum / (double)n, 0.0) / ((double)n - 1.0)) /
                                             passes->usual_s;
}

/* The usual time near an edge: that of the whole, or, where the rate changed, the median of the few intervals
 * next to it. */
static double near_edge_s(const struct passes *passes, bool is_first)
{
    double near_s[FEW_INTERVALS];
    double middle_s = 0.0;
    size_t n = passes->n - 1;

    if (n < FEW_INTERVALS)
        return passes->usual_s;
    for (size_t i = 0; i < FEW_INTERVALS; i++)
        near_s[i] = interval_s(passes, is_first ? i : n - 1 - i);
    middle_s = statistics_median(near_s, FEW_INTERVALS);
    return middle_s > CHANGED * passes->usual_s || passes->usual_s > CHANGED * middle_s ? middle_s
                                                                                        : passes->usual_s;
}

static void add_pass(struct passes *passes, double at_s)
{
    size_t at = passes->n++;

    for (; at > 0 && passes->at_s[at - 1] > at_s; at--)
        passes->at_s[at] = passes->at_s[at - 1];
    passes->at_s[at] = at_s;
}

struct passes passes_of(const struct wave_list *list)
{
    struct passes passes = {.from_s = list->from_s, .to_s = list->to_s};

    for (size_t i = 0; i < list->n; i++)
        if (list->wave[i].has_middle)
            add_pass(&passes, list->wave[i].middle_s);
    for (size_t i = 0; i < list->n_beside; i++)
        add_pass(&passes, list->beside_s[i]);
    if (passes.n >= 2) {
        double first_s = passes.at_s[0] - passes.from_s;
        double last_s = passes.to_s - passes.at_s[passes.n - 1];

        set_usual(&passes, list->interval_s);
        passes.at_first_s = near_edge_s(&passes, true);
        passes.at_last_s = near_edge_s(&passes, false);
        passes.lacks_first =
            first_s > 0.0 && (list->is_edge_told[0] || first_s > EDGE_GAP * passes.at_first_s);
        passes.lacks_last = last_s > 0.0 && (list->is_edge_told[1] || last_s > EDGE_GAP * passes.at_last_s);
    }
    return passes;
}

/* Waves from the first pass until a moment; before it, less than none. */
static double waves_until(const struct passes *passes, double time_s)
{
    size_t last = passes->n - 1;
    size_t i = 0;
    bool is_cut = false;

    if (time_s < passes->at_s[0]) {
        double waves = (passes->at_s[0] - time_s) / passes->at_first_s;

        return -(passes->lacks_first ? fmin(waves, 0.5) : waves);
    }
    if (time_s >= passes->at_s[last]) {
        double waves = (time_s - passes->at_s[last]) / passes->at_last_s;

        return (double)last + (passes->lacks_last ? fmin(waves, 0.5) : waves);
    }
    while (passes->at_s[i + 1] <= time_s)
        i++;
    is_cut = passes->at_s[i] < passes->from_s || passes->at_s[i + 1] > passes->to_s;
    if (is_cut &&
        interval_s(passes, i) >= PASSES_GAP * passes->usual_s) /* half of a wave beside either pass */
        return (double)i + fmin((time_s - passes->at_s[i]) / passes->usual_s, 0.5) +
               fmax(0.5 - (passes->at_s[i + 1] - time_s) / passes->usual_s, 0.0);
    return (double)i + (time_s - passes->at_s[i]) / interval_s(passes, i);
}

double passes_waves(const struct passes *passes, double from_s, double to_s)
{
    return waves_until(passes, to_s) - waves_until(passes, from_s);
}

/* Of the usual time, what of an edge's interval is seen: from the pass beside it. */
static double seen_part(const struct passes *passes, bool is_first)
{
    size_t i = is_first ? 0 : passes->n - 1;
    double away_s = is_first ? passes->at_s[0] - passes->from_s : passes->to_s - passes->at_s[i];

    if (away_s < 0.0) /* it passes beyond the edge: the next one */
        away_s = is_first ? passes->at_s[1] - passes->from_s : passes->to_s - passes->at_s[i - 1];
    return fmin(away_s / (is_first ? passes->at_first_s : passes->at_last_s), 1.0);
}

double passes_error(const struct passes *passes)
{
    double crest = CREST_S / passes->usual_s;

    return sqrt(2.0 * crest * crest + pow(passes->uneven, 2.0) * (pow(seen_part(passes, true), 2.0) +
                                                                  pow(seen_part(passes, false), 2.0)));
}
