#ifndef AFTERFLASH_MEASURE_HUNT_INTERNAL_H
#define AFTERFLASH_MEASURE_HUNT_INTERNAL_H

#include "base/contract.h"
#include "image/raster.h"
#include "measure/cluster.h"
#include "measure/follow.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { HUNT_MOST_LIFT = 64, HUNT_MOST_PARTED = 3, HUNT_MOST_STRANGE = 3 };

/* Bubbles come to light no farther behind a resting tip than this: deposits lie ahead of it (common practice,
 * no source), and the tip is told to a few millimetres. */
static const double HUNT_LEFT_MM = 10.0;

/* Beyond the stripe's ends, which are told to a few millimetres: bubbles are deposited between them, and in
 * the cervical canal beyond the os the catheter lies. */
static const double HUNT_OUTSIDE_MM = 3.0;

/* A cluster may be lost from sight for so long and still be followed. */
static const double HUNT_LOST_S = 3.0;

/* Bubbles are seen for so long without the catheter. */
static const double HUNT_LEAST_STAY_S = 6.0;

/* A catheter that stays for longer than this has left something (a transfer takes less: common practice, no
 * source). */
static const double HUNT_LATE_S = 40.0;

/* What the search for a cluster works on: the straightened stripe of every frame, told in standard deviations
 * of what the stripe shows without bubbles. */
struct hunt {
    const struct follow *follow;
    struct cluster *cluster; /* what is found so far */
    size_t n_rows, n_columns;
    short *lift;         /* n_frames: grey levels that level out changes of gain, within +-HUNT_MOST_LIFT */
    float *background;   /* rows x columns, luma, levelled out */
    double noise;        /* grey levels of a crest by chance */
    float *crest;        /* frames x rows: best excess across, standard deviations */
    short *crest_column; /* frames x rows */
    uint8_t *crest_luma; /* frames x rows: smoothed luma there */
    /* frames x rows: the same of what is new while the catheter rests, -HUGE_VALF elsewhere; NULL: it did not
     */
    float *fresh;
    /* n_frames: rows of pieces that parted from the cluster, -1 where they are not seen (pieces_find); owned
     */
    long *parted[HUNT_MOST_PARTED];
    size_t n_parted;
    long *strange[HUNT_MOST_STRANGE]; /* n_frames: rows of what is not the cluster (strangers_find); owned */
    size_t n_strange;
    long rest;           /* row about which the catheter's tip stays; -1: it does not, or there is none */
    double bead_luma;    /* how bright its tip is on the way in; 0: not known */
    bool is_steady;      /* looked for: what is there from the first frame to the last */
    bool passes_left;    /* nothing is taken that lies more than HUNT_LEFT_MM behind where the tip rested */
    bool passes_outside; /* nothing is taken that lies beyond the stripe's ends */
    double length_mm;
    bool is_failed; /* memory ran out on the way */
};

/* Fills background and crests of a hunt whose first fields are set; false when memory ran out. */
MUST_CHECK bool hunt_prepare(struct hunt *hunt);

/* Arc length of a row, and distance of a column from the centre line. */
double hunt_along_mm(const struct hunt *hunt, double row);
double hunt_across_mm(const struct hunt *hunt, double column);

/* How far beyond the stripe's nearer end a row lies; negative between the ends. */
double hunt_beyond_mm(const struct hunt *hunt, double row);

/* Crest in a frame at the row of a way there. */
double hunt_crest(const struct hunt *hunt, const long *way, size_t frame);

/* How far behind the tip a row lies, toward where the catheter comes from. */
double hunt_behind_mm(const struct hunt *hunt, long row, long tip);

/* Whether a row lies where only the catheter left something on its way: farther than HUNT_LEFT_MM behind the
 * place where its tip rested. False where it did not rest. */
bool hunt_is_left(const struct hunt *hunt, long row);

/* Last frame at or before a time. */
size_t hunt_frame_at(const struct hunt *hunt, double time_s);

/* Mean of a trace of n_frames values between two times; NAN where there is no frame. */
double hunt_mean_between(const struct hunt *hunt, const double *trace, double from_s, double to_s);

/* Middle one, over a time, of the highest crests within reach of a row; 0 where there are no frames. */
double hunt_crest_about(const struct hunt *hunt, long row, double reach_mm, double from_s, double to_s);

/* Smoothed picture of a frame less background; the caller frees; NULL when memory ran out. */
struct raster *hunt_take_excess(const struct hunt *hunt, size_t frame);

void hunt_free(struct hunt *hunt);

#endif
