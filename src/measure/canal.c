#include "measure/canal.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

static const double BEYOND_MM = 12.0; /* from the strip's end: 8 mm beyond the stripe's and a little way in */
static const double STANDS_OUT = 2.5; /* spreads of what the end usually shows */
static const double LEAST_SPREAD = 0.15; /* standard deviations of a crest */
/* A catheter is looked for so long before the onset (it stays for less: common practice, no source), over so
 * much at a time, and after it from when to when. */
static const double BEFORE_S = 30.0;
static const double OVER_S = 2.0;
static const double GONE_FROM_S = 1.0, GONE_TO_S = 3.0;
static const double LEFT_STANDS_OUT = 3.5; /* the greatest of many windows: more than STANDS_OUT */
static const double STILL_SHARE = 0.4;     /* of its brightness: below, it has gone */

/* Mean crest of the rows beyond an end of the stripe and a little way in, in each frame. */
static void mean_beyond(const struct hunt *hunt, bool is_last, double *mean)
{
    size_t n_rows = (size_t)(BEYOND_MM / FOLLOW_STEP_MM);

    for (size_t t = 0; t < hunt->follow->n_frames; t++) {
        const float *crest = hunt->crest + t * hunt->n_rows;

        mean[t] = 0.0;
        for (size_t i = 0; i < n_rows && i < hunt->n_rows; i++)
            mean[t] += (double)crest[is_last ? hunt->n_rows - 1 - i : i] / (double)n_rows;
    }
}

/* By how much a trace stands out about the instant of the deposit, in its own usual scatter;
 * scratch holds n_frames values. */
static double stands_out(const struct follow *follow, const double *trace, size_t onset, double *scratch)
{
    double during = 0.0;
    double n_during = 0.0;
    double middle = 0.0;
    size_t n = 0;

    for (size_t t = 0; t < follow->n_frames; t++) {
        double away_s = follow->time_s[t] - follow->time_s[onset];

        if (away_s >= -1.0 && away_s <= 1.0) {
            during += trace[t];
            n_during += 1.0;
        } else if (away_s < -15.0 || away_s > 25.0) {
            scratch[n++] = trace[t];
        }
    }
    if (n < 20 || n_during < 1.0)
        return 0.0;
    middle = statistics_median(scratch, n);
    return (during / n_during - middle) / fmax(statistics_spread(scratch, n), LEAST_SPREAD);
}

/* The catheter lies in its canal while the bubbles leave it: the end of the stripe that it
 * passes is brighter then than before and after. */
bool canal_tell_side(struct hunt *hunt)
{
    struct cluster *cluster = hunt->cluster;
    double *trace = calloc(2 * hunt->follow->n_frames, sizeof *trace);
    double *scratch = trace != NULL ? trace + hunt->follow->n_frames : NULL;
    double first = 0.0;
    double last = 0.0;

    if (trace == NULL)
        return false;
    mean_beyond(hunt, false, trace);
    first = stands_out(hunt->follow, trace, cluster->onset, scratch);
    mean_beyond(hunt, true, trace);
    last = stands_out(hunt->follow, trace, cluster->onset, scratch);
    free(trace);
    cluster->catheter_odds =
        fmax(first, last) > STANDS_OUT ? fmin(fmax(1.0 * (last - first), -5.0), 5.0) : 0.0;
    return true;
}

/* What came to an end before the onset. */
struct visit {
    double rise;       /* above what the end usually shows, standard deviations of a crest */
    double stands_out; /* the same in spreads of what the end shows */
    bool has_gone;     /* after the onset */
    double from_s;     /* since then it was there */
};

/* scratch holds n_frames values. */
static struct visit find_visit(const struct hunt *hunt, const double *trace, double *scratch)
{
    const double *time_s = hunt->follow->time_s;
    double onset_s = time_s[hunt->cluster->onset];
    struct visit visit = {.from_s = onset_s};
    double most = -HUGE_VAL;
    double middle = 0.0;
    double still = 0.0;

    for (size_t t = 0; t < hunt->follow->n_frames; t++)
        scratch[t] = trace[t];
    middle = statistics_median(scratch, hunt->follow->n_frames);
    for (double s = fmax(onset_s - BEFORE_S, time_s[0]); s + OVER_S <= onset_s; s += 0.5 * OVER_S) {
        double mean = hunt_mean_between(hunt, trace, s, s + OVER_S);

        if (mean > most) {
            most = mean;
            visit.from_s = s;
        }
    }
    visit.rise = most - middle;
    visit.stands_out = visit.rise / fmax(statistics_spread(scratch, hunt->follow->n_frames), LEAST_SPREAD);
    still = middle + STILL_SHARE * visit.rise;
    visit.has_gone = hunt_mean_between(hunt, trace, onset_s + GONE_FROM_S, onset_s + GONE_TO_S) < still;
    while (visit.from_s > time_s[0] &&
           !(hunt_mean_between(hunt, trace, visit.from_s - OVER_S, visit.from_s) < still))
        visit.from_s -= 0.5 * OVER_S;
    visit.from_s = fmax(visit.from_s - OVER_S, time_s[0]);
    return visit;
}

/* The catheter came by the end that brightens more; a passing glint at the other one says nothing. */
bool canal_tell_leaving(struct hunt *hunt)
{
    double *trace = calloc(2 * hunt->follow->n_frames, sizeof *trace);
    double *scratch = trace != NULL ? trace + hunt->follow->n_frames : NULL;
    struct visit first = {0};
    struct visit last = {0};
    struct visit *visit = NULL;

    if (trace == NULL)
        return false;
    mean_beyond(hunt, false, trace);
    first = find_visit(hunt, trace, scratch);
    mean_beyond(hunt, true, trace);
    last = find_visit(hunt, trace, scratch);
    free(trace);
    visit = first.rise > last.rise ? &first : &last;
    hunt->cluster->has_left = visit->stands_out > LEFT_STANDS_OUT && visit->has_gone;
    hunt->cluster->left_from_s = visit->from_s;
    return true;
}
