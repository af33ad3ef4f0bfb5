#include "measure/stripe_crossing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double INSIDE_MM = 2.0; /* half the width of a catheter and what its place is uncertain by */
static const double ASIDE_MM = 8.0;
static const double LEADS_ON_MM = 50.0; /* cervix and some way: common practice, no source */
static const double WIDENS = 0.5;
static const double OUTWARD_MM = 5.0; /* of the line that tells which way it ends */
static const double JOINED_MM = 1.5;  /* a gap so wide does not part a shaft */
static const double ALONG_MM = 3.0;   /* of a line over which what lies beside it is taken together, */
static const double LEAST_MM2 = 0.5;  /* and how much of that tells something */

enum where { NOWHERE, INSIDE, ASIDE, BEYOND_FIRST, BEYOND_LAST, ELSEWHERE };

/* Whether a place lies in the strip that leads on from an end. */
static bool leads_on(const struct stripe_fit *fit, bool is_last, const double place[2])
{
    size_t reach = (size_t)(OUTWARD_MM / FIT_STEP_MM);
    size_t tip = is_last ? fit->n - 1 : 0;
    size_t inner = fit->n <= reach ? fit->n - 1 - tip : is_last ? fit->n - 1 - reach : reach;
    double outward[2] = {fit->place_mm[tip][0] - fit->place_mm[inner][0],
                         fit->place_mm[tip][1] - fit->place_mm[inner][1]};
    double length = fmax(hypot(outward[0], outward[1]), 1e-6);
    double from[2] = {place[0] - fit->place_mm[tip][0], place[1] - fit->place_mm[tip][1]};
    double along = (from[0] * outward[0] + from[1] * outward[1]) / length;
    double across = fabs(from[0] * outward[1] - from[1] * outward[0]) / length;

    return along > -INSIDE_MM && along < LEADS_ON_MM && across < INSIDE_MM + WIDENS * fmax(along, 0.0);
}

/* The place of a band nearest to another; how far that is. */
static size_t nearest_place(const struct stripe_fit *fit, const double place[2], double *nearest_mm)
{
    size_t nearest = 0;

    *nearest_mm = HUGE_VAL;
    for (size_t i = 0; i < fit->n; i += 2) {
        double away_mm = hypot(fit->place_mm[i][0] - place[0], fit->place_mm[i][1] - place[1]);

        if (away_mm < *nearest_mm) {
            *nearest_mm = away_mm;
            nearest = i;
        }
    }
    return nearest;
}

static bool is_between_ends(const struct stripe_fit *fit, size_t place)
{
    return place > 2 && place + 3 < fit->n;
}

static enum where sort_place(const struct stripe_fit *fit, const double place[2])
{
    double nearest_mm = 0.0;
    size_t nearest = nearest_place(fit, place, &nearest_mm);

    if (is_between_ends(fit, nearest) && nearest_mm <= ASIDE_MM)
        return nearest_mm <= INSIDE_MM ? INSIDE : ASIDE;
    if (leads_on(fit, false, place))
        return BEYOND_FIRST;
    return leads_on(fit, true, place) ? BEYOND_LAST : ELSEWHERE;
}

/* A shaft bends: what is joined to what leads on leads on too. */
static void join(char *where, int width, int height, size_t *stack, double pixel_mm)
{
    int reach = (int)(JOINED_MM / pixel_mm);
    size_t n = 0;

    for (size_t i = 0; i < (size_t)width * (size_t)height; i++)
        if (where[i] == BEYOND_FIRST || where[i] == BEYOND_LAST)
            stack[n++] = i;
    while (n > 0) {
        size_t i = stack[--n];
        int row = (int)(i / (size_t)width);
        int column = (int)(i % (size_t)width);

        for (int y = row > reach ? row - reach : 0; y < height && y <= row + reach; y++)
            for (int x = column > reach ? column - reach : 0; x < width && x <= column + reach; x++) {
                size_t j = (size_t)y * (size_t)width + (size_t)x;

                if (where[j] == ELSEWHERE) {
                    where[j] = where[i];
                    stack[n++] = j;
                }
            }
    }
}

struct stripe_crossing stripe_crossing_of(const struct stripe_fit *fit, const struct transients *transients)
{
    const struct raster *level = transients->level;
    double mass[ELSEWHERE + 1] = {0};
    size_t n = level == NULL ? 0 : (size_t)level->width_px * (size_t)level->height_px;
    char *where = calloc(n + 1, sizeof *where);
    size_t *stack = malloc((n + 1) * sizeof *stack);

    if (n > 0 && where != NULL && stack != NULL) {
        for (size_t i = 0; i < n; i++) {
            double place[2];

            transients_place(transients, i, place);
            if ((double)level->value[i] > TRANSIENTS_LEAST)
                where[i] = (char)sort_place(fit, place);
        }
        join(where, level->width_px, level->height_px, stack, transients->pixel_mm);
        for (size_t i = 0; i < n; i++)
            if (where[i] != NOWHERE)
                mass[(int)where[i]] += transients_strength_mm2(transients, i);
    }
    free(where);
    free(stack);
    return (struct stripe_crossing){.inside = mass[INSIDE],
                                    .aside = mass[ASIDE],
                                    .beyond_first = mass[BEYOND_FIRST],
                                    .beyond_last = mass[BEYOND_LAST],
                                    .elsewhere = mass[ELSEWHERE]};
}

/* Mass, and mass times its distance to the right, at each place of a band. */
static void gather(const struct stripe_fit *fit, const struct transients *transients, double *mass,
                   double *moment)
{
    size_t n = (size_t)transients->level->width_px * (size_t)transients->level->height_px;

    for (size_t i = 0; i < n; i++) {
        double place[2];
        double away_mm = 0.0;
        size_t at = 0;
        const double *before = NULL;
        const double *after = NULL;
        bool is_right = false;

        if ((double)transients->level->value[i] <= TRANSIENTS_LEAST)
            continue;
        transients_place(transients, i, place);
        at = nearest_place(fit, place, &away_mm);
        if (!is_between_ends(fit, at) || away_mm > ASIDE_MM)
            continue;
        before = fit->place_mm[at - 2];
        after = fit->place_mm[at + 2];
        is_right = (after[0] - before[0]) * (place[1] - before[1]) -
                       (after[1] - before[1]) * (place[0] - before[0]) >
                   0.0;
        mass[at] += transients_strength_mm2(transients, i);
        moment[at] += transients_strength_mm2(transients, i) * (is_right ? away_mm : -away_mm);
    }
}

/* Fills what is not known (NAN) from the known values about it; false when nothing is known. */
static bool bridge(double *value, size_t n)
{
    size_t known = n;

    for (size_t i = 0; i < n; i++) {
        if (!isfinite(value[i]))
            continue;
        for (size_t k = known < n ? known + 1 : 0; k < i; k++)
            value[k] = known < n ? value[known] +
                                       (value[i] - value[known]) * (double)(k - known) / (double)(i - known)
                                 : value[i];
        known = i;
    }
    for (size_t k = known + 1; known < n && k < n; k++)
        value[k] = value[known];
    return known < n;
}

double stripe_crossing_aside(const struct stripe_fit *fit, const struct transients *transients,
                             double *aside_mm)
{
    size_t reach = (size_t)(0.5 * ALONG_MM / FIT_STEP_MM);
    double *mass = calloc(fit->n, sizeof *mass);
    double *moment = calloc(fit->n, sizeof *moment);
    double most_mm = 0.0;

    memset(aside_mm, 0, fit->n * sizeof *aside_mm);
    if (mass != NULL && moment != NULL && transients->level != NULL) {
        gather(fit, transients, mass, moment);
        for (size_t i = 0; i < fit->n; i++) {
            double sum = 0.0;
            double turn = 0.0;

            for (size_t k = i > reach ? i - reach : 0; k < fit->n && k <= i + reach; k++) {
                sum += mass[k];
                turn += moment[k];
            }
            aside_mm[i] = sum > LEAST_MM2 ? turn / sum : NAN;
        }
        if (!bridge(aside_mm, fit->n))
            memset(aside_mm, 0, fit->n * sizeof *aside_mm);
        for (size_t i = 0; i < fit->n; i++)
            most_mm = fmax(most_mm, fabs(aside_mm[i]));
    }
    free(mass);
    free(moment);
    return most_mm;
}
