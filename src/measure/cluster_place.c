#include "measure/cluster_place.h"

#include "base/parallel.h"
#include "base/statistics.h"
#include "measure/echo.h"
#include "measure/strength.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

static const double SHARE = 0.15;        /* of the peak above which a place is cluster */
static const double SHARP_SHARE = 0.4;   /* the same for the second opinion */
static const double SIGHT_S = 0.3;       /* a sight is taken over the frames within */
static const double SAME_PLACE_MM = 2.5; /* as far as they lie in one place */
static const double FIRST_FROM_S = 0.15; /* after the instant */
static const double FIRST_TO_S = 1.2;
static const double LATE_S = 3.0;
static const double TREND_S = 10.0; /* before the end, over which the cluster's last movement is told */
static const double ANYWHERE_MM = 1e3;
/* Standard error that the way of a few bubbles has and none of these shows: each flickers by a decibel or
 * two, slowly (loops of the validation study). */
static const double FLICKER_MM = 0.15;

enum { N_OPINIONS = 4, MOST_SECONDS = 10 };

struct placing {
    struct hunt *hunt;
    const long *way;
    struct echo echo; /* by strength of echo */
    struct echo luma; /* by luma as it is */
};

/* One stretch of time: the centre by four ways of weighing, the first being the answer. */
struct stretch_place {
    double time_s; /* mean of its frames */
    struct echo_centre centre[N_OPINIONS];
};

static void fill_sight(struct bubble_sight *sight, const struct hunt *hunt, const struct echo_centre *centre)
{
    sight->is_seen = centre->is_seen;
    if (!centre->is_seen)
        return;
    sight->along_mm = hunt_along_mm(hunt, centre->row);
    sight->across_mm = hunt_across_mm(hunt, centre->column);
    sight->spread_mm = centre->spread_mm;
    sight->pieces = centre->pieces;
}

static double crest_column(const struct hunt *hunt, size_t frame, long row)
{
    return (double)hunt->crest_column[frame * hunt->n_rows + (size_t)row];
}

/* A place in which the cluster or a piece of it was seen. */
struct glimpse {
    double row, column;
};

static int by_row(const void *a, const void *b)
{
    const struct glimpse *one = a;
    const struct glimpse *other = b;

    return (one->row > other->row) - (one->row < other->row);
}

/* Where the pieces of a cluster lie over the frames of [from, end): the middles of what was seen in a quarter
 * of those in which the cluster was. Its way may hop between them. guess stays as it is where there are no
 * two. */
static bool guess_pieces(struct echo_guess *guess, const struct placing *placing, size_t from, size_t end)
{
    const struct hunt *hunt = placing->hunt;
    struct glimpse *glimpses = malloc((end - from + 1) * ECHO_MOST_PIECES * sizeof *glimpses);
    struct echo_guess pieces = {0};
    size_t n = 0;
    size_t n_whole = 0;

    if (glimpses == NULL)
        return false;
    for (size_t t = from; t < end; t++) {
        if (placing->way[t] < 0)
            continue;
        n_whole++;
        glimpses[n++] = (struct glimpse){(double)placing->way[t], crest_column(hunt, t, placing->way[t])};
        for (size_t i = 0; i < hunt->n_parted; i++)
            if (hunt->parted[i][t] >= 0)
                glimpses[n++] =
                    (struct glimpse){(double)hunt->parted[i][t], crest_column(hunt, t, hunt->parted[i][t])};
    }
    qsort(glimpses, n, sizeof *glimpses, by_row);
    for (size_t first = 0, next = 1; first < n; first = next++) {
        while (next < n && (glimpses[next].row - glimpses[next - 1].row) * FOLLOW_STEP_MM < SAME_PLACE_MM)
            next++;
        if (4 * (next - first) < n_whole || pieces.n == ECHO_MOST_PIECES)
            continue;
        pieces.row[pieces.n] = glimpses[(first + next) / 2].row;
        pieces.column[pieces.n++] = glimpses[(first + next) / 2].column;
    }
    if (pieces.n > 1)
        *guess = pieces;
    free(glimpses);
    return true;
}

static void sight_frame(void *context, size_t frame)
{
    struct placing *placing = context;
    struct hunt *hunt = placing->hunt;
    const double *time_s = hunt->follow->time_s;
    struct echo_patch patch = {0};
    struct echo_centre centre = {0};
    struct echo_guess guess = {.n = 1};
    long row = placing->way[frame];
    size_t from = frame;
    size_t end = frame + 1;

    if (row < 0)
        return;
    guess.row[0] = (double)row;
    guess.column[0] = crest_column(hunt, frame, row);
    while (from > 0 && time_s[frame] - time_s[from - 1] <= SIGHT_S)
        from--;
    while (end < hunt->follow->n_frames && time_s[end] - time_s[frame] <= SIGHT_S)
        end++;
    if (!guess_pieces(&guess, placing, from, end) ||
        !echo_take(&patch, &placing->echo, from, end, &guess, SAME_PLACE_MM) ||
        !echo_find_centre(&centre, &patch, &guess, SHARE))
        hunt->is_failed = true;
    fill_sight(&hunt->cluster->sight[frame], hunt, &centre);
    hunt->cluster->sight[frame].strength =
        hunt->noise * (double)hunt->crest[frame * hunt->n_rows + (size_t)row];
    echo_patch_free(&patch);
}

/* Where the cluster lay over the frames of [from, end) that are within reach of a row. */
static bool place_stretch(struct stretch_place *place, const struct placing *placing, size_t from, size_t end,
                          double reach_mm)
{
    const struct echo *by[N_OPINIONS] = {&placing->echo, &placing->echo, &placing->luma, &placing->luma};
    const double share[N_OPINIONS] = {SHARE, SHARP_SHARE, SHARE, SHARP_SHARE};
    const struct hunt *hunt = placing->hunt;
    struct echo_guess guess = {.n = 1};
    double rows[128], columns[128];
    double time_s = 0.0;
    double n_near = 0.0;
    size_t n = 0;
    bool is_made = true;

    for (size_t t = from; t < end; t++)
        if (placing->way[t] >= 0 && n < 128) {
            rows[n] = (double)placing->way[t];
            columns[n++] = crest_column(hunt, t, placing->way[t]);
        }
    if (n == 0)
        return true;
    rows[0] = guess.row[0] = statistics_median(rows, n);
    guess.column[0] = statistics_median(columns, n);
    if (!guess_pieces(&guess, placing, from, end))
        return false;
    for (size_t t = from; t < end; t++)
        if (placing->way[t] >= 0 &&
            (guess.n > 1 || fabs((double)placing->way[t] - rows[0]) * FOLLOW_STEP_MM <= reach_mm)) {
            time_s += hunt->follow->time_s[t];
            n_near += 1.0;
        }
    place->time_s = n_near > 0.0 ? time_s / n_near : hunt->follow->time_s[from];
    for (int i = 0; i < N_OPINIONS && is_made; i++) {
        struct echo_patch patch = {0};

        is_made = echo_take(&patch, by[i], from, end, &guess, reach_mm) &&
                  echo_find_centre(&place->centre[i], &patch, &guess, share[i]);
        echo_patch_free(&patch);
    }
    return is_made;
}

/* Middle slope of all pairs of seconds before the end, mm/s, and the scatter about it: neither is moved by a
 * leap. Theil-Sen: Sen, J. Am. Stat. Assoc. 63:1379-1389, 1968. */
static void tell_trend(const struct hunt *hunt, size_t last, double *slope, double *scatter)
{
    const struct follow *follow = hunt->follow;
    double along[MOST_SECONDS] = {0}, at_s[MOST_SECONDS] = {0}, slopes[MOST_SECONDS * MOST_SECONDS];
    size_t n = 0;
    size_t n_slopes = 0;

    *slope = *scatter = 0.0;
    for (int second = 0; second < MOST_SECONDS; second++) {
        double end_s = follow->time_s[last] - (double)second * TREND_S / MOST_SECONDS;
        double values[64];
        size_t n_values = 0;

        for (size_t t = last + 1; t-- > 0 && follow->time_s[t] > end_s - TREND_S / MOST_SECONDS;)
            if (hunt->cluster->sight[t].is_seen && follow->time_s[t] <= end_s && n_values < 64)
                values[n_values++] = hunt->cluster->sight[t].along_mm;
        if (n_values > 0) {
            along[n] = statistics_median(values, n_values);
            at_s[n++] = end_s;
        }
    }
    for (size_t i = 0; i < n; i++)
        for (size_t k = i + 2; k < n; k++)
            slopes[n_slopes++] = (along[i] - along[k]) / (at_s[i] - at_s[k]);
    if (n_slopes < 6)
        return;
    *slope = statistics_median(slopes, n_slopes);
    for (size_t i = 0; i < n; i++)
        along[i] -= *slope * at_s[i];
    *scatter = statistics_spread(along, n);
}

static double deviation(const double *values, size_t n)
{
    return n > 1 ? gsl_stats_sd(values, 1, n) : 0.0;
}

/* Standard errors of the first place, the last and the way between them. The brightness leaves the centre
 * open by its grain, or by as much as the ways of weighing disagree where that is more; the cluster's own
 * scatter in time comes on top. */
static void tell_errors(struct cluster *cluster, const struct stretch_place *first,
                        const struct stretch_place *last, double first_scatter_mm, double last_scatter_mm)
{
    double at_first[N_OPINIONS], at_last[N_OPINIONS], between[N_OPINIONS];
    double first_grain = first->centre[0].error_mm;
    double last_grain = last->centre[0].error_mm;
    size_t n = 0;

    for (int i = 0; i < N_OPINIONS; i++)
        if (first->centre[i].is_seen && last->centre[i].is_seen) {
            at_first[n] = first->centre[i].row * FOLLOW_STEP_MM;
            at_last[n] = last->centre[i].row * FOLLOW_STEP_MM;
            between[n] = at_last[n] - at_first[n];
            n++;
        }
    cluster->first.error_mm = hypot(fmax(first_grain, deviation(at_first, n)), first_scatter_mm);
    cluster->last.error_mm = hypot(fmax(last_grain, deviation(at_last, n)), last_scatter_mm);
    cluster->drift_error_mm = hypot(fmax(hypot(first_grain, last_grain), deviation(between, n)),
                                    hypot(first_scatter_mm, last_scatter_mm));
    cluster->drift_error_mm = hypot(cluster->drift_error_mm, FLICKER_MM);
    /* A piece after all? The middle of all would lie so much farther. */
    cluster->drift_error_mm =
        hypot(cluster->drift_error_mm, fmax(cluster->strange_away_mm, cluster->elsewhere_mm) /
                                           (cluster->last.sight.pieces + 1.0) / 1.96);
}

static bool find_ends(const struct hunt *hunt, size_t *first, size_t *last)
{
    size_t n = hunt->follow->n_frames;

    *first = 0;
    while (*first < n && !hunt->cluster->sight[*first].is_seen)
        ++*first;
    *last = n;
    while (*last > 0 && !hunt->cluster->sight[*last - 1].is_seen)
        --*last;
    if (*last == 0)
        return false;
    --*last;
    return true;
}

static bool fill_ends(struct placing *placing)
{
    struct hunt *hunt = placing->hunt;
    struct cluster *cluster = hunt->cluster;
    struct stretch_place at_first = {0};
    struct stretch_place at_last = {0};
    double first_s = 0.0;
    double last_s = 0.0;
    double slope = 0.0;
    double scatter = 0.0;
    double first_slope = 0.0;
    double first_scatter = 0.0;
    size_t first = 0;
    size_t last = 0;

    if (!find_ends(hunt, &first, &last))
        return true;
    first_s = hunt->follow->time_s[first];
    last_s = hunt->follow->time_s[last];
    if (!place_stretch(&at_first, placing, hunt_frame_at(hunt, first_s + FIRST_FROM_S) + 1,
                       hunt_frame_at(hunt, first_s + FIRST_TO_S) + 1, ANYWHERE_MM) ||
        (!at_first.centre[0].is_seen &&
         !place_stretch(&at_first, placing, first, hunt_frame_at(hunt, first_s + 5.0) + 1, ANYWHERE_MM)) ||
        !place_stretch(&at_last, placing, hunt_frame_at(hunt, fmax(last_s - LATE_S, first_s)), last + 1,
                       SAME_PLACE_MM))
        return false;
    tell_trend(hunt, last, &slope, &scatter);
    fill_sight(&cluster->first.sight, hunt, &at_first.centre[0]);
    fill_sight(&cluster->last.sight, hunt, &at_last.centre[0]);
    cluster->last.sight.along_mm += slope * (last_s - at_last.time_s);
    cluster->first.frame = first;
    cluster->last.frame = last;
    first_scatter = scatter;
    if (hunt->n_parted > 0) /* pieces far apart pull their centre to and fro, which one cluster does not */
        tell_trend(hunt, hunt_frame_at(hunt, fmin(first_s + TREND_S, last_s)), &first_slope, &first_scatter);
    tell_errors(cluster, &at_first, &at_last, first_scatter, scatter);
    return true;
}

bool cluster_place_fill(struct hunt *hunt, const long *way, const long *tip)
{
    struct placing placing = {.hunt = hunt, .way = way};
    bool is_made = echo_make(&placing.echo, hunt, way, tip, STRENGTH_RANGE_DB);

    is_made = echo_make(&placing.luma, hunt, way, tip, 0.0) && is_made;
    if (is_made) {
        parallel_run(hunt->follow->n_frames, 0, sight_frame, &placing);
        is_made = !hunt->is_failed && fill_ends(&placing);
    }
    echo_free(&placing.echo);
    echo_free(&placing.luma);
    return is_made;
}
