#include "measure/beginning.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

/* What is one chain of places: from sight to sight, and after a loss (HUNT_LOST_S). */
static const double CHAIN_MM = 4.0;
static const double FOUND_AGAIN_MM = 2.0;
static const double MOST_CREST = 15.0; /* standard deviations: what is brighter weighs no more */
static const double WEIGHTY = 0.25;    /* of the weightiest chain */
static const double ALIKE = 0.6;       /* of its mean crest: what is fainter is another thing (strangers.c) */
/* What leads up to bubbles: how strong at most, over how long, how much fainter and how far away at least. */
static const double GLINT_STRENGTH = 8.0;
static const double GLINT_S = 4.0;
static const double BRIGHTENS = 1.5;
static const double BRIGHTENS_IN_PLACE = 1.8;
static const double GLINT_MM = 2.0;
/* Shone before: within so long, for so long, as strongly as a cluster. */
static const double LEAD_WITHIN_S = 10.0;
static const double LEAD_S = 2.0;
static const double LEAD_STRENGTH = 8.0;
/* A way that begins on the shaft lies so far behind the tip at first and leaps so far within so short a time;
 * the catheter has gone where no tip was seen for so long. */
static const double BEHIND_MM = 1.5;
static const double LEAP_MM = 4.0;
static const double LEAP_S = 1.0;
static const double TIP_HOLE_S = 1.5;

/* The last frame of the chain of places that begins at a frame: what is lost for a moment and seen again
 * where it was is still the same. */
static size_t chain_end(const struct hunt *hunt, const long *way, size_t begin)
{
    const double *time_s = hunt->follow->time_s;
    size_t last = begin;

    for (size_t t = begin + 1; t < hunt->follow->n_frames; t++) {
        double reach_mm = t == last + 1 ? CHAIN_MM : FOUND_AGAIN_MM;

        if (way[t] < 0 && time_s[t] - time_s[last] <= HUNT_LOST_S)
            continue;
        if (way[t] < 0 || !((double)labs(way[t] - way[last]) * FOLLOW_STEP_MM < reach_mm))
            break;
        last = t;
    }
    return last;
}

/* A chain of places: how long it is seen without a catheter, and how strongly. */
struct chain {
    size_t first, end;
    double alone_s;
    double weight;
    double n;
};

/* The first chain at or after a frame; its first is n_frames when there is none. */
static struct chain next_chain(const struct hunt *hunt, const long *way, const long *tip, size_t from)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    struct chain chain = {0};

    while (from < n && way[from] < 0)
        from++;
    chain.first = chain.end = from;
    if (from == n)
        return chain;
    chain.end = chain_end(hunt, way, from) + 1;
    for (size_t t = from; t < chain.end; t++) {
        if (way[t] < 0)
            continue;
        chain.weight += fmin(hunt_crest(hunt, way, t), MOST_CREST);
        chain.n += 1.0;
        chain.alone_s += tip[t] < 0 && t + 1 < n ? fmin(time_s[t + 1] - time_s[t], 1.0) : 0.0;
    }
    return chain;
}

/* Where the first chain of places begins that carries weight, or that is seen for as long as a cluster must
 * be and shines like the weightiest: a catheter on its way in may be taken for bubbles for an instant.
 * n_frames when there is none. */
static size_t first_chain(const struct hunt *hunt, const long *way, const long *tip)
{
    size_t n = hunt->follow->n_frames;
    struct chain most = {.first = n};

    for (struct chain chain = next_chain(hunt, way, tip, 0); chain.first < n;
         chain = next_chain(hunt, way, tip, chain.end))
        if (chain.weight > most.weight)
            most = chain;
    for (struct chain chain = next_chain(hunt, way, tip, 0); chain.first < n;
         chain = next_chain(hunt, way, tip, chain.end))
        if (chain.weight >= WEIGHTY * most.weight ||
            (chain.alone_s >= HUNT_LEAST_STAY_S && chain.weight / chain.n >= ALIKE * most.weight / most.n))
            return chain.first;
    return n;
}

/* Mean of the crest, and of the place, that a way has between two instants; false when it is hardly there. */
static bool mean_of_way(const struct hunt *hunt, const long *way, double from_s, double to_s, double *crest,
                        double *row)
{
    const struct follow *follow = hunt->follow;
    size_t n_all = 0;
    size_t n = 0;

    *crest = *row = 0.0;
    for (size_t t = 0; t < follow->n_frames; t++) {
        if (follow->time_s[t] < from_s || follow->time_s[t] >= to_s)
            continue;
        n_all++;
        if (way[t] < 0)
            continue;
        *crest += hunt_crest(hunt, way, t);
        *row += (double)way[t];
        n++;
    }
    *crest /= fmax((double)n, 1.0);
    *row /= fmax((double)n, 1.0);
    return n > 0 && 2 * n >= n_all;
}

/* A glint of the stripe or a catheter's tip may lead up to the bubbles: where the way is faint at first and
 * then, elsewhere, half as bright again within a few seconds, or nearly twice as bright where it is, it
 * begins there. */
static size_t skip_glint(const struct hunt *hunt, const long *way, size_t first)
{
    const struct follow *follow = hunt->follow;
    double best = 1.0;      /* over what it must be */
    double brightest = 0.0; /* that it has been */
    size_t start = first;

    for (size_t t = first; t < follow->n_frames; t++) {
        double time_s = follow->time_s[t];
        double before = 0.0, after = 0.0, row_before = 0.0, row_after = 0.0;
        double least = 0.0;
        double away = 0.0;

        if (way[t] < 0 ||
            !mean_of_way(hunt, way, fmax(time_s - GLINT_S, follow->time_s[first]), time_s, &before,
                         &row_before) ||
            !mean_of_way(hunt, way, time_s, time_s + GLINT_S, &after, &row_after))
            continue;
        brightest = fmax(brightest, before);
        away = fmin(fabs(row_after - row_before) * FOLLOW_STEP_MM / GLINT_MM, 1.0);
        least = BRIGHTENS_IN_PLACE + away * (BRIGHTENS - BRIGHTENS_IN_PLACE);
        if (before < GLINT_STRENGTH && after > best * least * brightest) {
            best = after / (least * brightest);
            start = t;
        }
    }
    return start;
}

/* Bubbles leave by the tip. What shines behind it from the first is the shaft; where the way leaps from there
 * past the tip while the catheter rests, it begins after the leap. */
static size_t skip_shaft(const struct hunt *hunt, const long *way, const long *tip, size_t first)
{
    const struct follow *follow = hunt->follow;
    double tip_s = follow->time_s[first];
    double behind_s = 0.0; /* when the way was last behind the tip */
    long behind = -1;      /* its first row there */

    for (size_t t = first; t < follow->n_frames && follow->time_s[t] - tip_s < TIP_HOLE_S; t++) {
        double behind_mm = 0.0;

        if (tip[t] < 0)
            continue;
        tip_s = follow->time_s[t];
        if (way[t] < 0)
            continue;
        behind_mm = hunt_behind_mm(hunt, way[t], tip[t]);
        if (behind_mm > BEHIND_MM) {
            behind = behind < 0 ? way[t] : behind;
            behind_s = follow->time_s[t];
        } else if (behind < 0 ? behind_mm < 0.0 : follow->time_s[t] - behind_s > LEAP_S) {
            return first;
        } else if (behind_mm < 0.0 && (double)labs(way[t] - behind) * FOLLOW_STEP_MM > LEAP_MM) {
            return t;
        }
    }
    return first;
}

/* What shone elsewhere for some time shortly before the way is taken to begin may have been the bubbles,
 * under the catheter. */
static void note_lead(const struct hunt *hunt, const long *way, size_t start)
{
    const double *time_s = hunt->follow->time_s;
    double rows[128];
    double crest = 0.0;
    double after = 0.0;
    double row_after = 0.0;
    size_t n = 0;
    double from_s = time_s[start];
    double seen_s = 0.0;

    hunt->cluster->led_from_s = hunt->cluster->led_away_mm = 0.0;
    for (size_t t = start; t-- > 0 && time_s[start] - time_s[t] <= LEAD_WITHIN_S && n < 128;)
        if (way[t] >= 0) {
            rows[n++] = (double)way[t];
            crest += hunt_crest(hunt, way, t);
            from_s = time_s[t];
            seen_s += fmin(time_s[t + 1] - time_s[t], 1.0);
        }
    if (seen_s < LEAD_S || crest / (double)n < LEAD_STRENGTH ||
        !mean_of_way(hunt, way, time_s[start], time_s[start] + GLINT_S, &after, &row_after))
        return;
    row_after -= statistics_median(rows, n);
    if (fabs(row_after) * FOLLOW_STEP_MM <= GLINT_MM)
        return;
    hunt->cluster->led_from_s = from_s;
    hunt->cluster->led_away_mm = fabs(row_after) * FOLLOW_STEP_MM;
}

size_t beginning_find(const struct hunt *hunt, const long *way, const long *tip)
{
    size_t first = first_chain(hunt, way, tip);
    size_t start = 0;

    if (first == hunt->follow->n_frames)
        return first;
    start = skip_glint(hunt, way, first);
    note_lead(hunt, way, start);
    return skip_shaft(hunt, way, tip, start);
}
