#include "measure/stripe_rim.h"

#include "base/statistics.h"
#include "measure/strength.h"

#include <math.h>
#include <stdlib.h>

/* The patch about a tip: outward from it, and across. */
static const double STEP_MM = 0.25;
static const double FROM_MM = -18.0, TO_MM = 7.0;
static const double ACROSS_MM = 10.0;
enum { ROWS = 101, COLUMNS = 81 };

/* Arcs that are tried: ellipses, by the length of the rounded end over its half thickness (one to two are
 * usual, one in seven is drawn out: stripe_tip.c), by how far they lie aside, and by their place. */
static const double LONG[] = {0.5, 0.7, 0.9, 1.15, 1.5, 1.9};
enum { N_LONG = sizeof LONG / sizeof *LONG };
static const double ASIDE_MM = 2.5, ASIDE_STEP_MM = 0.5;
static const double INWARD_MM = -4.5, OUTWARD_MM = 3.0;
static const double ARC =
    0.7; /* of the half thickness to either side: beyond, the line runs along the walls */
/* The line is compared with what lies so far before and behind it: it is about a millimetre thick. */
static const double BESIDE_FROM_MM = 1.25, BESIDE_TO_MM = 2.25;
static const double LEAST_OUTSTANDS = 4.0; /* standard deviations of what arcs elsewhere show */
static const double LEAST_SHARE = 0.4;     /* of what the line stands out along the walls */
static const double LEAST_HALF_MM = 2.0;
static const double LEAST_ERROR_MM = 0.35; /* a pixel of the mean picture, for the crest and for the border */
static const double SECTOR_MM = 1.25;      /* a part of the line lies so near the whole at the most */

/* The line along the walls. */
static const double WALL_FROM_MM = -16.0;
static const double WALL_OFF_MM = 1.5;
static const double ALONG_MM = 1.5; /* to either side: speckle is smoothed over that */
static const double MOST_LINE_MM = 1.5;

struct patch {
    double origin_mm[2], out[2], aside[2]; /* unit vectors */
    float value[ROWS][COLUMNS];
    double half_mm; /* of the stripe, to its border */
};

/* An arc's mean luma by the place of its top. */
struct arc {
    double length, aside_mm;
    double value[ROWS];
};

static int row_of(double outward_mm)
{
    return (int)lround((outward_mm - FROM_MM) / STEP_MM);
}

static double value_at(const struct patch *patch, double outward_mm, double aside_mm)
{
    double row = fmin(fmax((outward_mm - FROM_MM) / STEP_MM, 0.0), ROWS - 1.001);
    double column = fmin(fmax((aside_mm + ACROSS_MM) / STEP_MM, 0.0), COLUMNS - 1.001);
    int i = (int)row;
    int j = (int)column;
    double down = row - i;
    double right = column - j;

    return (1.0 - down) *
               ((1.0 - right) * (double)patch->value[i][j] + right * (double)patch->value[i][j + 1]) +
           down *
               ((1.0 - right) * (double)patch->value[i + 1][j] + right * (double)patch->value[i + 1][j + 1]);
}

static size_t place_of(const struct stripe_fit *fit, bool is_last, double inward_mm)
{
    size_t steps = (size_t)fmin(inward_mm / FIT_STEP_MM, (double)(fit->n - 1));

    return is_last ? fit->n - 1 - steps : steps;
}

static void take_patch(struct patch *patch, const struct mean_picture *mean, const struct stripe_fit *fit,
                       bool is_last)
{
    const double *tip = fit->place_mm[place_of(fit, is_last, 0.0)];
    const double *near = fit->place_mm[place_of(fit, is_last, 3.0)];
    const double *far = fit->place_mm[place_of(fit, is_last, 11.0)];
    double length = fmax(hypot(near[0] - far[0], near[1] - far[1]), 1e-6);

    patch->half_mm = 0.0;
    for (double inward = 5.0; inward <= 14.0; inward += FIT_STEP_MM)
        patch->half_mm = fmax(patch->half_mm, fit->half_mm[place_of(fit, is_last, inward)]);
    for (int k = 0; k < 2; k++) {
        patch->origin_mm[k] = tip[k];
        patch->out[k] = (near[k] - far[k]) / length;
    }
    patch->aside[0] = -patch->out[1];
    patch->aside[1] = patch->out[0];
    for (int i = 0; i < ROWS; i++)
        for (int j = 0; j < COLUMNS; j++) {
            double out = FROM_MM + i * STEP_MM;
            double aside = -ACROSS_MM + j * STEP_MM;
            double x = tip[0] + out * patch->out[0] + aside * patch->aside[0];
            double y = tip[1] + out * patch->out[1] + aside * patch->aside[1];

            patch->value[i][j] = raster_at(mean->picture, x / mean->pixel_mm - 0.5, y / mean->pixel_mm - 0.5);
        }
}

/* ---- the line along the walls ---- */

/* Mean over a stretch of the stripe, so far aside of its middle. */
static double along_at(const struct patch *patch, double outward_mm, double aside_mm)
{
    double sum = 0.0;
    double n = 0.0;

    for (double at = outward_mm - ALONG_MM; at <= outward_mm + ALONG_MM + 1e-9; at += STEP_MM, n += 1.0)
        sum += value_at(patch, at, aside_mm);
    return sum / n;
}

/* The line along the walls. */
struct wall_line {
    double border_mm; /* how far its outer border lies from its crest: where its energy is half as high */
    double outstands; /* how much brighter its crest is than what lies beside it */
};

/* The mean profile of places along both walls, laid over one another by their crests. */
static struct wall_line wall_line_of(const struct patch *patch)
{
    enum { REACH = 12, BINS = 2 * REACH + 1 }; /* 3 mm to either side, outward last */
    struct wall_line line = {.border_mm = 0.5};
    double profile[BINS] = {0};
    double level = 0.0;
    double beside = 0.0;
    double n = 0.0;
    int from = (int)lround(BESIDE_FROM_MM / STEP_MM);
    int to = (int)lround(BESIDE_TO_MM / STEP_MM);

    for (int side = -1; side <= 1; side += 2)
        for (double at = WALL_FROM_MM; at <= -patch->half_mm; at += ALONG_MM) {
            double crest = patch->half_mm;

            for (double off = patch->half_mm - WALL_OFF_MM - 0.5; off <= patch->half_mm + WALL_OFF_MM - 0.5;
                 off += STEP_MM)
                if (along_at(patch, at, side * off) > along_at(patch, at, side * crest))
                    crest = off;
            for (int k = 0; k < BINS; k++)
                profile[k] += along_at(patch, at, side * (crest + (k - REACH) * STEP_MM));
            n += 1.0;
        }
    for (int k = 0; k < BINS && n > 0.0; k++)
        profile[k] /= n;
    for (int k = from; k <= to; k++)
        beside += profile[REACH + k] + profile[REACH - k];
    line.outstands = profile[REACH] - 0.5 * beside / (to - from + 1);
    level =
        strength_half_way(profile[REACH], (profile[BINS - 1] + profile[BINS - 2] + profile[BINS - 3]) / 3.0);
    for (int k = REACH + 1; k < BINS; k++)
        if (profile[k] <= level) {
            double part = (level - profile[k]) / fmax(profile[k - 1] - profile[k], 1e-9);

            line.border_mm = fmin((k - REACH - part) * STEP_MM, MOST_LINE_MM);
            break;
        }
    return line;
}

/* ---- the line about the tip ---- */

static void fill_arc(struct arc *arc, const struct patch *patch, double half_mm, double from, double to)
{
    for (int row = 0; row < ROWS; row++) {
        double sum = 0.0;
        double n = 0.0;

        for (double off = from * half_mm; off <= to * half_mm + 1e-9; off += STEP_MM, n += 1.0) {
            double share = off / half_mm;
            double sag = arc->length * half_mm * (1.0 - sqrt(1.0 - share * share));

            sum += value_at(patch, FROM_MM + row * STEP_MM - sag, arc->aside_mm + off);
        }
        arc->value[row] = sum / n;
    }
}

/* How much brighter an arc is than what lies before and behind it. */
static double outstands(const struct arc *arc, int row)
{
    int from = (int)lround(BESIDE_FROM_MM / STEP_MM);
    int to = (int)lround(BESIDE_TO_MM / STEP_MM);
    double beside = 0.0;

    for (int k = from; k <= to; k++)
        beside += arc->value[row + k] + arc->value[row - k];
    return (arc->value[row - 1] + arc->value[row] + arc->value[row + 1]) / 3.0 -
           0.5 * beside / (to - from + 1);
}

/* The row that stands out most of those within reach of one. */
static int best_row(const struct arc *arc, double from_mm, double to_mm)
{
    int best = row_of(from_mm);

    for (int row = best; row <= row_of(to_mm); row++)
        if (outstands(arc, row) > outstands(arc, best))
            best = row;
    return best;
}

/* Outward, between the rows. */
static double refined_mm(const struct arc *arc, int row)
{
    double one = outstands(arc, row - 1);
    double here = outstands(arc, row);
    double other = outstands(arc, row + 1);
    double bend = one + other - 2.0 * here;
    double off = bend < 0.0 ? 0.5 * (one - other) / bend : 0.0;

    return FROM_MM + (row + fmin(fmax(off, -1.0), 1.0)) * STEP_MM;
}

/* What arcs show where there is no rim: beyond the tip and well inside. */
static double chance_of(const struct arc *arc, double *scratch)
{
    size_t n = 0;

    for (int row = row_of(FROM_MM + BESIDE_TO_MM + STEP_MM); row <= row_of(INWARD_MM - 2.0); row++)
        scratch[n++] = outstands(arc, row);
    for (int row = row_of(OUTWARD_MM); row <= row_of(TO_MM - BESIDE_TO_MM - STEP_MM); row++)
        scratch[n++] = outstands(arc, row);
    return statistics_spread(scratch, n);
}

/* Standard error of the place: three parts of the line tell it each for itself. */
static double error_of(const struct patch *patch, const struct arc *whole, double half_mm, double at_mm)
{
    static const double from[3] = {-0.7, -0.25, 0.25};
    static const double to[3] = {-0.25, 0.25, 0.7};
    double squares = 0.0;

    for (int part = 0; part < 3; part++) {
        struct arc arc = {.length = whole->length, .aside_mm = whole->aside_mm};
        int row = 0;

        fill_arc(&arc, patch, half_mm, from[part], to[part]);
        row = best_row(&arc, at_mm - SECTOR_MM, at_mm + SECTOR_MM);
        squares += pow(refined_mm(&arc, row) - at_mm, 2.0);
    }
    return hypot(LEAST_ERROR_MM, sqrt(squares / 6.0));
}

bool stripe_rim_find(struct stripe_rim *rim, const struct mean_picture *mean, const struct stripe_fit *fit,
                     bool is_last)
{
    struct patch *patch = malloc(sizeof *patch);
    double scratch[ROWS];
    struct arc best = {0};
    double most = 0.0;
    double at_mm = 0.0;
    struct wall_line line;
    double half_mm = 0.0;

    *rim = (struct stripe_rim){0};
    if (patch == NULL)
        return false;
    take_patch(patch, mean, fit, is_last);
    line = wall_line_of(patch);
    half_mm = patch->half_mm - line.border_mm;
    for (int k = 0; k < N_LONG && half_mm >= LEAST_HALF_MM; k++)
        for (double aside = -ASIDE_MM; aside <= ASIDE_MM + 1e-9; aside += ASIDE_STEP_MM) {
            struct arc arc = {.length = LONG[k], .aside_mm = aside};
            int row = 0;

            fill_arc(&arc, patch, half_mm, -ARC, ARC);
            row = best_row(&arc, INWARD_MM, OUTWARD_MM);
            if (outstands(&arc, row) > most) {
                most = outstands(&arc, row);
                at_mm = refined_mm(&arc, row);
                best = arc;
            }
        }
    if (most > 0.0 && most >= LEAST_OUTSTANDS * chance_of(&best, scratch) &&
        most >= LEAST_SHARE * line.outstands && at_mm > INWARD_MM + STEP_MM && at_mm < OUTWARD_MM - STEP_MM) {
        rim->is_seen = true;
        rim->error_mm = error_of(patch, &best, half_mm, at_mm);
        rim->aside_error_mm = ASIDE_STEP_MM;
        for (int k = 0; k < 2; k++)
            rim->place_mm[k] = patch->origin_mm[k] + (at_mm + line.border_mm) * patch->out[k] +
                               best.aside_mm * patch->aside[k];
    }
    free(patch);
    return true;
}
