#include "measure/crest_line.h"

#include "base/statistics.h"

#include <math.h>

static const double LEAST_MM = 8.0; /* of a line: as for the velocity (measure/velocity.c), patches that
                                       overlap share their errors */
static const double PATCH_MM = 5.2; /* across: places so far apart see tissue of their own */
static const double LEAST_SCATTER_S = 0.15; /* of crests: the grid's kernel and step, measure/even.c */
static const double SURE_OF_WAY = 3.0;      /* standard errors of the slope */
static const double SURE_OF_SPEED = 5.0;
/* Share of the squares about one line that two lines leave, below which the wave is bent: chance leaves more
 * than half at ten and more places. */
static const double BENT = 0.35;

enum { MOST_PLACES = 256 };

/* The crests that were seen, by place. */
struct points {
    size_t n;
    double place[MOST_PLACES];
    double at_s[MOST_PLACES];
};

static void take_points(struct points *points, const struct crest_track *track)
{
    points->n = 0;
    for (size_t p = track->first; p <= track->last && points->n < MOST_PLACES; p++)
        if (track->crest[p].is_seen) {
            points->place[points->n] = (double)p;
            points->at_s[points->n++] = track->crest[p].at_s;
        }
}

/* Middle of the slopes between points of [from, to) that lie at least two places apart (Theil-Sen: Sen, J.
 * Am. Stat. Assoc. 63:1379-1389, 1968), and the middle time at place 0 with it. */
static void fit_line(const struct points *points, size_t from, size_t to, double *slope, double *at_s)
{
    static const size_t most = 2000;
    double slopes[2000];
    double offsets[MOST_PLACES];
    size_t n = 0;

    for (size_t i = from; i < to; i++)
        for (size_t k = i + 1; k < to && n < most; k++)
            if (points->place[k] - points->place[i] >= 2.0)
                slopes[n++] = (points->at_s[k] - points->at_s[i]) / (points->place[k] - points->place[i]);
    *slope = statistics_median(slopes, n);
    for (size_t i = from; i < to; i++)
        offsets[i - from] = points->at_s[i] - *slope * points->place[i];
    *at_s = statistics_median(offsets, to - from);
}

static double squares_about(const struct points *points, size_t from, size_t to, double slope, double at_s)
{
    double sum = 0.0;

    for (size_t i = from; i < to; i++)
        sum += pow(points->at_s[i] - at_s - slope * points->place[i], 2.0);
    return sum;
}

/* Standard error of the slope of a line: of the scatter, over places that see tissue of their own. */
static double slope_error(const struct points *points, size_t from, size_t to, double squares,
                          double spacing_mm)
{
    double span = points->place[to - 1] - points->place[from];
    double own = 1.0 + span * spacing_mm / PATCH_MM;
    double scatter = sqrt(squares / fmax((double)(to - from) - 2.0, 1.0));

    return hypot(scatter, LEAST_SCATTER_S) * sqrt(12.0 / own) / span;
}

static bool is_long(const struct points *points, size_t from, size_t to, double least_mm, double spacing_mm)
{
    return to > from + 2 && (points->place[to - 1] - points->place[from]) * spacing_mm >= least_mm - 1e-9;
}

/* Two lines, each long enough, that leave least; false where none part the crests better than one line does,
 * or one of the two leans neither way. */
static bool find_bend(const struct points *points, double spacing_mm, double squares, struct crest_line *line)
{
    double best = BENT * squares;
    bool is_bent = false;

    for (size_t k = 3; k + 3 <= points->n; k++) {
        double slope[2];
        double at[2];
        double left = 0.0;
        double error[2];
        bool is_sure[2];

        if (!is_long(points, 0, k, PATCH_MM, spacing_mm) ||
            !is_long(points, k, points->n, PATCH_MM, spacing_mm))
            continue;
        fit_line(points, 0, k, &slope[0], &at[0]);
        fit_line(points, k, points->n, &slope[1], &at[1]);
        error[0] = squares_about(points, 0, k, slope[0], at[0]);
        error[1] = squares_about(points, k, points->n, slope[1], at[1]);
        left = error[0] + error[1];
        error[0] = slope_error(points, 0, k, error[0], spacing_mm);
        error[1] = slope_error(points, k, points->n, error[1], spacing_mm);
        if (left >= best || slope[0] * slope[1] >= 0.0 || fabs(slope[0]) < SURE_OF_WAY * error[0] ||
            fabs(slope[1]) < SURE_OF_WAY * error[1])
            continue;
        best = left;
        is_bent = true;
        line->slope[0] = slope[0];
        line->slope[1] = slope[1];
        line->meeting = fmin(fmax((at[1] - at[0]) / (slope[0] - slope[1]), points->place[0]),
                             points->place[points->n - 1]);
        line->at_s = 0.5 * (at[0] + slope[0] * line->meeting + at[1] + slope[1] * line->meeting);
        is_sure[0] = fabs(slope[0]) > SURE_OF_SPEED * error[0] && is_long(points, 0, k, LEAST_MM, spacing_mm);
        is_sure[1] =
            fabs(slope[1]) > SURE_OF_SPEED * error[1] && is_long(points, k, points->n, LEAST_MM, spacing_mm);
        line->has_speed = is_sure[0] || is_sure[1];
        line->speed_per_s = spacing_mm * (is_sure[0] + is_sure[1]) /
                            fmax(is_sure[0] * fabs(slope[0]) + is_sure[1] * fabs(slope[1]), 1e-12);
    }
    return is_bent;
}

struct crest_line crest_line_fit(const struct crest_track *track, double spacing_mm)
{
    struct points points;
    struct crest_line line = {.direction = DIRECTION_UNDETERMINED};
    double slope = 0.0;
    double at_s = 0.0;
    double squares = 0.0;
    double error = 0.0;

    take_points(&points, track);
    fit_line(&points, 0, points.n, &slope, &at_s);
    squares = squares_about(&points, 0, points.n, slope, at_s);
    if (find_bend(&points, spacing_mm, squares, &line)) {
        line.is_bent = true;
        if (line.slope[0] > 0.0) /* later in the middle; else they part there, which has no word */
            line.direction = DIRECTION_OPPOSING;
        line.has_speed = line.has_speed && line.direction == DIRECTION_OPPOSING;
        line.speed_per_s = line.has_speed ? line.speed_per_s : 0.0;
        return line;
    }
    line.slope[0] = line.slope[1] = slope;
    line.at_s = at_s;
    if (!is_long(&points, 0, points.n, LEAST_MM, spacing_mm))
        return line;
    error = slope_error(&points, 0, points.n, squares, spacing_mm);
    if (fabs(slope) > SURE_OF_WAY * error)
        line.direction = slope > 0.0 ? DIRECTION_FUNDUS_TO_CERVIX : DIRECTION_CERVIX_TO_FUNDUS;
    line.has_speed = fabs(slope) > SURE_OF_SPEED * error;
    line.speed_per_s = line.has_speed ? spacing_mm / fabs(slope) : 0.0;
    return line;
}

double crest_line_at(const struct crest_line *line, double place)
{
    return line->at_s + line->slope[place > line->meeting] * (place - line->meeting);
}
