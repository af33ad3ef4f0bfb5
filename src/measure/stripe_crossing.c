#include "measure/stripe_crossing.h"

#include <math.h>
#include <stdlib.h>

static const double INSIDE_MM = 2.0; /* half the width of a catheter and what its place is uncertain by */
static const double ASIDE_MM = 8.0;
static const double LEADS_ON_MM = 50.0; /* cervix and some way: common practice, no source */
static const double WIDENS = 0.5;
static const double OUTWARD_MM = 5.0; /* of the line that tells which way it ends */
static const double JOINED_MM = 1.5;  /* a gap so wide does not part a shaft */

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

static enum where sort_place(const struct stripe_fit *fit, const double place[2], double *across_mm)
{
    double nearest_mm = HUGE_VAL;
    size_t nearest = 0;

    for (size_t i = 0; i < fit->n; i += 2) {
        double away_mm = hypot(fit->place_mm[i][0] - place[0], fit->place_mm[i][1] - place[1]);

        if (away_mm < nearest_mm) {
            nearest_mm = away_mm;
            nearest = i;
        }
    }
    if (nearest > 2 && nearest + 3 < fit->n && nearest_mm <= ASIDE_MM) {
        const double *before = fit->place_mm[nearest - 2];
        const double *after = fit->place_mm[nearest + 2];

        *across_mm = (after[0] - before[0]) * (place[1] - before[1]) -
                     (after[1] - before[1]) * (place[0] - before[0]) > 0.0 ? nearest_mm : -nearest_mm;
        return nearest_mm <= INSIDE_MM ? INSIDE : ASIDE;
    }
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

/* Square millimetres of full strength that a pixel stands for. */
static double strength(const struct transients *transients, size_t pixel)
{
    double level = (double)transients->level->value[pixel];

    return fmin((level - TRANSIENTS_LEAST) / (TRANSIENTS_FULL - TRANSIENTS_LEAST), 1.0) *
           transients->pixel_mm * transients->pixel_mm;
}

struct stripe_crossing stripe_crossing_of(const struct stripe_fit *fit, const struct transients *transients)
{
    const struct raster *level = transients->level;
    double mass[ELSEWHERE + 1] = {0};
    double moment = 0.0;
    size_t n = level == NULL ? 0 : (size_t)level->width_px * (size_t)level->height_px;
    char *where = calloc(n + 1, sizeof *where);
    size_t *stack = malloc((n + 1) * sizeof *stack);

    if (n > 0 && where != NULL && stack != NULL) {
        for (size_t i = 0; i < n; i++) {
            double place[2] = {((double)(i % (size_t)level->width_px) + 0.5) * transients->pixel_mm,
                               ((double)(i / (size_t)level->width_px) + 0.5) * transients->pixel_mm};
            double across_mm = 0.0;

            if ((double)level->value[i] > TRANSIENTS_LEAST)
                where[i] = (char)sort_place(fit, place, &across_mm);
            if (where[i] == ASIDE)
                moment += strength(transients, i) * across_mm;
        }
        join(where, level->width_px, level->height_px, stack, transients->pixel_mm);
        for (size_t i = 0; i < n; i++)
            if (where[i] != NOWHERE)
                mass[(int)where[i]] += strength(transients, i);
    }
    free(where);
    free(stack);
    return (struct stripe_crossing){.inside = mass[INSIDE],
                                    .aside = mass[ASIDE],
                                    .aside_mm = mass[ASIDE] > 0.0 ? moment / mass[ASIDE] : 0.0,
                                    .beyond_first = mass[BEYOND_FIRST],
                                    .beyond_last = mass[BEYOND_LAST],
                                    .elsewhere = mass[ELSEWHERE]};
}
