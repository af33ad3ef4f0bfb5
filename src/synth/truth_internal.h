#ifndef AFTERFLASH_SYNTH_TRUTH_INTERNAL_H
#define AFTERFLASH_SYNTH_TRUTH_INTERNAL_H

#include "synth/truth.h"

/** Waves that really passed the middle of the stripe. */
struct truth_waves {
    long count;     /* narrowings within the loop */
    double per_min; /* mean frequency: waves, parts of waves at both ends included, over the loop's length */
    enum flow flow; /* FLOW_MIXED: waves of both kinds passed */
};
struct truth_waves truth_count_waves(const struct scene *scene);

/** Mean frequency of waves that really passed the middle of the stripe in a part of the loop, parts of waves
 *  at both ends included. */
double truth_rate_per_min(const struct scene *scene, double from_s, double to_s);

struct truth_deposit {
    bool is_there;
    double time_s;                 /* first bubble */
    size_t frame;                  /* first frame with all of them */
    double to_fundus_mm;           /* straight, from the luma-weighted middle */
    double to_fundus_by_echoes_mm; /* the same from the bubbles' own places */
    double tip_to_fundus_mm;       /* NAN: no catheter */
};
struct truth_deposit truth_deposit(const struct truth *truth);

struct truth_drift {
    bool is_there;
    double toward_fundus_mm; /* of the bubbles' own middle, along the centre line of the resting tissue */
    double toward_fundus_as_seen_mm; /* of the luma-weighted middle, brought back to the resting tissue */
    double net_mm, path_mm, farthest_mm;
    double final_to_fundus_mm; /* straight, luma-weighted, in the last frame that shows them */
    size_t final_frame;
    double followed_s;
    double spread_mm;
};
struct truth_drift truth_drift(const struct truth *truth);

#endif
