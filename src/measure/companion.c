#include "measure/companion.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

static const double LEAST_SPREAD = 0.15; /* standard deviations of a crest (canal.c) */
static const double STANDS_OUT = 2.5;    /* spreads of what the end usually shows (canal.c) */
static const double STILL_SHARE = 0.4;   /* of its brightness: below, it has gone (canal.c) */
static const double CANAL_MM = 12.0;     /* from the strip's end (canal.c) */
static const double LEAST_CANAL_MM = 2.0;
static const double APART_MM = 5.0; /* what lies nearer is weighed as one cluster (cluster_way.c) */
static const double CHAIN_MM = 4.0; /* from sight to sight: farther is another thing (beginning.c) */
enum { LEAST_USUAL = 20 };          /* frames to tell what is usual from */
static const double OVER_S = 2.0;
static const double STEP_S = 0.5;
static const double STAY_S = 30.0; /* a catheter stays for less (common practice, no source) */
/* It passes the canal and a place in the stripe within so long, and bubbles that it leaves come later than
 * it: it is pushed on, rests, and only then is the plunger pressed. */
static const double WITH_S = 3.0;
static const double PLACE_MM = 1.5;

/* Mean crest, in each frame, of the rows beyond an end of the stripe and a little way in, as far as what lies
 * about a row, that may be bubbles, leaves them; false where it leaves too few. */
static bool trace_canal(const struct hunt *hunt, bool is_last, long row, double *mean)
{
    long n_rows = (long)hunt->n_rows;
    long free_rows = (is_last ? n_rows - 1 - row : row) - (long)(APART_MM / FOLLOW_STEP_MM);
    long n = (long)fmin(fmin(CANAL_MM / FOLLOW_STEP_MM, (double)free_rows), (double)n_rows);

    if ((double)n * FOLLOW_STEP_MM < LEAST_CANAL_MM)
        return false;
    for (size_t t = 0; t < hunt->follow->n_frames; t++) {
        const float *crest = hunt->crest + t * hunt->n_rows;

        mean[t] = 0.0;
        for (long i = 0; i < n; i++)
            mean[t] += (double)crest[is_last ? n_rows - 1 - i : i] / (double)n;
    }
    return true;
}

/* Mean of a trace over OVER_S from a time on; NAN where there is no frame. */
static double mean_from(const struct hunt *hunt, const double *trace, double from_s)
{
    return hunt_mean_between(hunt, trace, from_s, from_s + OVER_S);
}

/* The catheter's stay about a time, as an end of the strip shows it. */
struct company {
    double rise; /* above what the end usually shows, standard deviations of a crest */
    bool is_told, has_gone;
    double from_s, to_s;
};

/* scratch holds n_frames values. */
static struct company find_company(const struct hunt *hunt, const double *trace, double at_s, double *scratch)
{
    size_t n = hunt->follow->n_frames;
    const double *time_s = hunt->follow->time_s;
    double first_s = time_s[0];
    double last_s = time_s[n - 1] - OVER_S;
    struct company stay = {.from_s = at_s, .to_s = at_s};
    double most = -HUGE_VAL;
    double middle = 0.0;
    double still = 0.0;
    size_t n_usual = 0;

    for (size_t t = 0; t < n; t++)
        if (time_s[t] < at_s - WITH_S || time_s[t] > at_s + STAY_S)
            scratch[n_usual++] = trace[t];
    if (n_usual < LEAST_USUAL)
        return stay;
    middle = statistics_median(scratch, n_usual);
    for (double s = at_s; s <= fmin(at_s + WITH_S + OVER_S, last_s); s += STEP_S)
        if (mean_from(hunt, trace, s) > most) {
            most = mean_from(hunt, trace, s);
            stay.from_s = stay.to_s = s;
        }
    stay.rise = most - middle;
    stay.is_told =
        most > -HUGE_VAL && stay.rise > STANDS_OUT * fmax(statistics_spread(scratch, n_usual), LEAST_SPREAD);
    if (!stay.is_told)
        return stay;
    still = middle + STILL_SHARE * stay.rise;
    while (stay.from_s > first_s && !(mean_from(hunt, trace, stay.from_s - OVER_S) < still))
        stay.from_s -= STEP_S;
    while (stay.to_s <= last_s && !(mean_from(hunt, trace, stay.to_s) < still))
        stay.to_s += STEP_S;
    stay.has_gone = stay.from_s > first_s && stay.to_s <= last_s && stay.to_s - stay.from_s < STAY_S;
    return stay;
}

static bool goes_dark(const struct hunt *hunt, long row, double at_s)
{
    double before = hunt_crest_about(hunt, row, PLACE_MM, at_s - WITH_S - OVER_S, at_s - WITH_S);
    double after = hunt_crest_about(hunt, row, PLACE_MM, at_s + WITH_S, at_s + WITH_S + OVER_S);

    return after < STILL_SHARE * before;
}

/* Whether a way goes on from place to place until a time: a shaft is there and gone, bubbles that move off
 * go. */
static bool goes_on(const struct hunt *hunt, const long *way, size_t first, double until_s)
{
    const double *time_s = hunt->follow->time_s;
    size_t last = first;

    for (size_t t = first; t < hunt->follow->n_frames && time_s[t] <= until_s; t++) {
        if (way[t] < 0)
            continue;
        if ((double)labs(way[t] - way[last]) * FOLLOW_STEP_MM > CHAIN_MM)
            return false;
        last = t;
    }
    return until_s - time_s[last] < WITH_S;
}

/* The stay by the end of the strip that brightens more. False when memory ran out. */
static bool find_stay(const struct hunt *hunt, long row, double first_s, struct company *stay)
{
    size_t n = hunt->follow->n_frames;
    double *trace = calloc(2 * n, sizeof *trace);

    if (trace == NULL)
        return false;
    for (int is_last = 0; is_last < 2; is_last++) {
        struct company at_end;

        if (!trace_canal(hunt, is_last == 1, row, trace))
            continue;
        at_end = find_company(hunt, trace, first_s - OVER_S, trace + n);
        if (at_end.rise > stay->rise)
            *stay = at_end;
    }
    free(trace);
    return true;
}

bool companion_find(struct hunt *hunt, const long *way, size_t first, bool *is_found)
{
    size_t n = hunt->follow->n_frames;
    const double *time_s = hunt->follow->time_s;
    struct company stay = {0};
    long *strange = NULL;
    double dark_s = 0.0;

    *is_found = false;
    if (first == n || hunt->n_strange == HUNT_MOST_STRANGE)
        return true;
    if (!find_stay(hunt, way[first], time_s[first], &stay))
        return false;
    if (!stay.is_told || !stay.has_gone || fabs(stay.from_s - time_s[first]) > WITH_S ||
        !goes_dark(hunt, way[first], stay.to_s) || goes_on(hunt, way, first, stay.to_s + WITH_S))
        return true;
    strange = malloc(n * sizeof *strange);
    if (strange == NULL)
        return false;
    for (size_t t = 0; t < n; t++) {
        bool is_dark =
            t >= first && time_s[t] < stay.to_s + WITH_S && way[t] >= 0 && goes_dark(hunt, way[t], stay.to_s);

        strange[t] = is_dark ? way[t] : -1;
        dark_s += is_dark && t + 1 < n ? fmin(time_s[t + 1] - time_s[t], 1.0) : 0.0;
    }
    *is_found = dark_s >= OVER_S;
    if (*is_found)
        hunt->strange[hunt->n_strange++] = strange;
    else
        free(strange);
    return true;
}
