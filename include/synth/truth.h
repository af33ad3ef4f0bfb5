#ifndef AFTERFLASH_SYNTH_TRUTH_H
#define AFTERFLASH_SYNTH_TRUTH_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "synth/scene.h"
#include "synth/schedule.h"

#include <stdbool.h>

/** What was seen in one written frame. */
struct truth_frame {
    double mm_per_px;
    struct point fundus_px, os_px;
    struct cluster cluster;  /* as drawn */
    struct point cluster_px; /* its middle */
    bool has_tip;
    struct point tip_px;
};

/** What the whole loop was made from. All borrowed. */
struct truth {
    const struct scene *scene;
    const struct schedule *schedule;
    const struct truth_frame *frames; /* schedule->n */
    struct point centre_line_px[33];  /* fundus to os, in the first frame; evenly spaced */
    struct box picture;
    const char *file; /* the loop's name without folder */
};

/** The truth as JSON text: parameters, geometry and what really happened, worked out from where the
 *  tissue was, not from the parameters. The caller frees; NULL when memory ran out. */
char *truth_text(const struct truth *truth);

/** Half the peak-to-peak change of wall-to-wall distance that the tissue really made: median over the
 *  waves that pass and over the stripe from 15 to 80 % of its length; 0 when quiet.
 *
 *  upper_share  caller's; share of it that the wall on the probe's side made */
double truth_amplitude_mm(const struct scene *scene, double *upper_share);

#endif
