#ifndef AFTERFLASH_MEASURE_STRIPE_PATCH_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_PATCH_INTERNAL_H

#include "measure/stripe_layers.h"

/* What is tried for a rounded end: where it is, how far its centre line leans off the
 * body's straight one, logs of its width and length over the body's half thickness, and
 * (three lines) how far inside the tip the middle line ends, in half thicknesses. */
enum { TRIAL_AT, TRIAL_LEAN, TRIAL_WIDTH, TRIAL_CAP, TRIAL_MIDDLE, TRIAL_N };

enum { PATCH_ROWS = 48, PATCH_COLUMNS = 60, PATCH_SIZE = PATCH_ROWS * PATCH_COLUMNS };
enum { PATCH_FIXED = 3, PATCH_SHELL = PATCH_FIXED, PATCH_LINE, PATCH_MIDDLE, PATCH_PARTS };
enum { PATCH_FINE = 400 };

#define PATCH_FROM_MM (-12.0)     /* first row, from the coarse end */
#define PATCH_FINE_MM 0.05        /* between the entries of the layers */
#define PATCH_FINE_FROM_MM (-6.0) /* depth of the first one */

/* Rows [first, end). */
struct patch_rows {
    int first, end;
};

/* The picture around one end, and the parts that are fitted to it. */
struct stripe_patch {
    int n_rows, n_columns;
    double row_mm, column_mm;
    double first_mm;         /* across, of the first column */
    double offset_mm, slope; /* of the body's centre line: across = offset + slope * outward */
    double half_mm;          /* of the body */
    double contrast;         /* grey levels */
    int n_parts;
    float value[PATCH_SIZE];
    float scale[PATCH_SIZE];              /* what a sample counts: 0 where there is no picture */
    float along, across;                  /* likeness of neighbours that is taken out */
    float part[PATCH_PARTS][PATCH_SIZE];  /* of the trial last looked at */
    float white[PATCH_PARTS][PATCH_SIZE]; /* the same, neighbours' likeness taken out */
    struct patch_rows rows[PATCH_PARTS];  /* outside them a part is 0 */
    float white_value[PATCH_SIZE];
    double fixed[PATCH_FIXED][PATCH_PARTS]; /* products of the parts that no trial moves */
    double fixed_value[PATCH_FIXED];
    double square;            /* of the whitened picture */
    float shell[PATCH_FINE];  /* layers by depth */
    float line[PATCH_FINE];   /* outer line alone, by depth */
    float middle[PATCH_FINE]; /* middle line by distance from the centre line */
    double noise;             /* variance of what is left, per independent sample */
};

/* Cuts out the picture around the coarse end. False when memory ran out. */
bool stripe_patch_take(struct stripe_patch *patch, const struct stripe_view *view,
                       const struct stripe_layers *layers);

/* Lets rows count the less the farther they are from a tip. */
void stripe_patch_look_near(struct stripe_patch *patch, double tip_mm);

/* Learns variance and likeness of what a trial leaves unexplained. */
void stripe_patch_learn_noise(struct stripe_patch *patch, const double trial[TRIAL_N]);

/* Log likelihood of a trial, up to a constant. */
double stripe_patch_level(struct stripe_patch *patch, const double trial[TRIAL_N]);

/* Share (0..1, more beyond the tip) of the lean that is reached at inward_mm from the tip. */
double stripe_patch_ramp(double inward_mm);

#endif
