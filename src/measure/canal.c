#include "measure/canal.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

static const double BEYOND_MM = 12.0; /* from the strip's end: 8 mm beyond the stripe's and a little way in */
static const double STANDS_OUT = 2.5; /* spreads of what the end usually shows */
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
    return (during / n_during - middle) / fmax(statistics_spread(scratch, n), 0.15);
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

/* Mean of a trace between two times; NAN where there is no frame. */
static double mean_between(const struct hunt *hunt, const double *trace, double from_s, double to_s)
{
    const double *time_s = hunt->follow->time_s;
    double sum = 0.0;
    double n = 0.0;

    for (size_t t = hunt_frame_at(hunt, from_s); t < hunt->follow->n_frames && time_s[t] <= to_s; t++)
        if (time_s[t] >= from_s) {
            sum += trace[t];
            n += 1.0;
        }
    return n > 0.0 ? sum / n : (double)NAN;
}

/* Whether a catheter lay at an end before the onset and has gone after it; *from_s: since when. scratch holds
 * n_frames values. */
static bool has_left(const struct hunt *hunt, const double *trace, double *scratch, double *from_s)
{
    const double *time_s = hunt->follow->time_s;
    double onset_s = time_s[hunt->cluster->onset];
    double after = mean_between(hunt, trace, onset_s + GONE_FROM_S, onset_s + GONE_TO_S);
    double most = -HUGE_VAL;
    double most_s = 0.0;
    double middle = 0.0;
    double since_s = 0.0;
    double spread = 0.0;

    for (size_t t = 0; t < hunt->follow->n_frames; t++)
        scratch[t] = trace[t];
    middle = statistics_median(scratch, hunt->follow->n_frames);
    spread = fmax(statistics_spread(scratch, hunt->follow->n_frames), 0.15);
    for (double s = fmax(onset_s - BEFORE_S, time_s[0]); s + OVER_S <= onset_s; s += 0.5 * OVER_S) {
        double mean = mean_between(hunt, trace, s, s + OVER_S);

        if (mean > most) {
            most = mean;
            most_s = s;
        }
    }
    if (!(most - middle > LEFT_STANDS_OUT * spread) || !(after - middle < STILL_SHARE * (most - middle)))
        return false;
    for (since_s = most_s; since_s > time_s[0]; since_s -= 0.5 * OVER_S)
        if (mean_between(hunt, trace, since_s - OVER_S, since_s) - middle < STILL_SHARE * (most - middle))
            break;
    *from_s = fmax(since_s - OVER_S, time_s[0]);
    return true;
}

bool canal_tell_leaving(struct hunt *hunt)
{
    double *trace = calloc(2 * hunt->follow->n_frames, sizeof *trace);
    double *scratch = trace != NULL ? trace + hunt->follow->n_frames : NULL;

    if (trace == NULL)
        return false;
    hunt->cluster->has_left = false;
    for (int end = 0; end < 2 && !hunt->cluster->has_left; end++) {
        mean_beyond(hunt, end == 1, trace);
        hunt->cluster->has_left = has_left(hunt, trace, scratch, &hunt->cluster->left_from_s);
    }
    free(trace);
    return true;
}
