#ifndef AFTERFLASH_MEASURE_ECHO_INTERNAL_H
#define AFTERFLASH_MEASURE_ECHO_INTERNAL_H

#include "base/contract.h"
#include "image/raster.h"
#include "measure/hunt.h"

#include <stdbool.h>
#include <stddef.h>

/* Standard deviation of the smoothing of an excess: the width of a bubble or less. */
#define ECHO_SIGMA_MM 0.45

enum { ECHO_MOST_PIECES = HUNT_MOST_PARTED + 1 };

/* What bubbles add to the straightened stripe. Luma is taken back to the strength of the echo, in which
 * bubbles, catheter and tissue add up as they do not in luma; what the place shows without bubbles is taken
 * away. */
struct echo {
    const struct hunt *hunt;
    const long *way; /* the cluster's row in each frame, -1: not there */
    /* Of an echo of that luma, less HUNT_MOST_LIFT; 1 in the middle of the scale. */
    float strength[256 + 2 * HUNT_MOST_LIFT];
    double *steady_tip; /* n_frames: the catheter's row, small holes closed, -1: not there; owned */
    float *rest;        /* rows x columns: without bubbles and catheter; owned */
    float *before;      /* rows x columns: just before the deposit, catheter and all; owned */
    bool has_before;    /* before was seen */
    double before_tip;  /* the catheter's row in it, -1: none */
    double cell_places; /* places of the strip that one grain of speckle covers */
};

/* Roughly where the pieces of a cluster lie. */
struct echo_guess {
    size_t n; /* at least 1 */
    double row[ECHO_MOST_PIECES], column[ECHO_MOST_PIECES];
};

/* A stretch of the strip about the cluster, all columns. */
struct echo_patch {
    struct raster *excess; /* owned */
    long first_row;        /* row of the strip that is its first */
    size_t n;              /* frames in it */
    double cell_places;    /* as the echo's */
};

/* Where an excess has its centre. */
struct echo_centre {
    bool is_seen;
    double row, column; /* of the strip */
    double spread_mm;   /* root mean square distance from the centre */
    double error_mm;    /* along the stripe: what the grain of its brightness leaves open */
    int pieces;
};

/* range_db from black to white; 0: luma as it is. way and tip must outlast it. False when memory ran out; end
 * with echo_free either way. */
MUST_CHECK bool echo_make(struct echo *echo, const struct hunt *hunt, const long *way, const long *tip,
                          double range_db);

/* Mean excess over those frames of [from, end) in which the cluster lies within reach_mm of the guess
 * (several pieces: in which it is seen), smoothed. patch->n is 0 when there are none. False when memory ran
 * out; end with echo_patch_free either way. */
MUST_CHECK bool echo_take(struct echo_patch *patch, const struct echo *echo, size_t from, size_t end,
                          const struct echo_guess *guess, double reach_mm);

/* The brightness-weighted centre of what is brighter than `share` of the peak and than chance, near a first
 * guess: near any of several pieces. False when memory ran out. */
MUST_CHECK bool echo_find_centre(struct echo_centre *centre, const struct echo_patch *patch,
                                 const struct echo_guess *guess, double share);

void echo_patch_free(struct echo_patch *patch);
void echo_free(struct echo *echo);

#endif
