#ifndef AFTERFLASH_MEASURE_CLUSTER_H
#define AFTERFLASH_MEASURE_CLUSTER_H

#include "base/contract.h"
#include "base/error.h"
#include "base/text.h"
#include "measure/follow.h"

#include <stdbool.h>
#include <stddef.h>

/** The bubble cluster and the catheter in one analysed frame, in the stripe's own
 *  coordinates: along from the stripe's first place, across from its centre line. */
struct bubble_sight {
    bool is_seen;
    double along_mm, across_mm; /* brightness-weighted centre */
    double spread_mm;           /* root mean square distance of its echoes from the centre */
    int pieces;
    double strength; /* grey levels above the stripe */
    bool has_tip;    /* a catheter is in the stripe */
    double tip_along_mm;
    double tip_across_mm;
};

/** Where the cluster lay at an end of its way. */
struct cluster_end {
    size_t frame;              /* analysed frame */
    struct bubble_sight sight; /* of the second after the deposit, or at the last sight */
    double error_mm;           /* standard error of the centre along the stripe, tissue held still */
};

struct cluster {
    struct bubble_sight *sight; /* n_frames of the follow; owned */
    size_t n;
    bool is_too_sparse;  /* too few frames a second to follow bubbles: none were looked for */
    double frames_per_s; /* as they usually come */
    bool is_doubtful;  /* what was seen may be the bubbles or not; a reason says why. Then none is present. */
    bool is_present;   /* a cluster was seen */
    bool may_be_drawn; /* the tissue moves too little to tell it from a mark that is drawn over the picture */
    bool has_onset;    /* it appeared within the loop */
    size_t onset;      /* analysed frame in which it appeared */
    double onset_error_s; /* how far the instant is open */
    double other_s;       /* something bright appeared then that was not taken for the bubbles; 0: nothing, */
    double other_seen_s;  /* for so long */
    double other_away_mm; /* so far from where they were lost from sight */
    double lost_s;        /* at that time */
    double led_from_s; /* something bright lay elsewhere for some seconds before, from then on; 0: nothing, */
    double led_away_mm; /* so far from the cluster's first place */
    bool has_left; /* a catheter lay in its canal before the cluster appeared, and was gone when it did, */
    double left_from_s; /* from then on */
    double
        elsewhere_mm; /* something shines like it so far from its last place and did not before; 0: nothing */
    double strange_away_mm; /* something as bright was passed over so far from the bubbles; 0: nothing */
    bool has_catheter;
    bool catheter_from_last; /* it came in from the stripe's last place */
    /* Log odds that the catheter came by the last place (then the first is the fundus). */
    double catheter_odds;
    struct cluster_end first, last; /* where is_present and their sight is seen */
    double drift_error_mm;          /* standard error of the way along the stripe between them */
    double gain_swing; /* grey levels by which the stripe's brightness leaves its middle, at the most */
    double noise;      /* grey levels of a smoothed place by chance */
};

/** Finds the cluster: echoes much brighter than the stripe was before, compact (a catheter
 *  is long), appearing at an instant and staying with the tissue or drifting in it.
 *  canvas  that of the follow: what stands still on it while the tissue moves is a mark that is drawn over
 * the picture, and passed over with a reason. NULL: where the strip lies in the picture is not known. cluster
 * is overwritten; end with cluster_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool cluster_find(struct cluster *cluster, const struct follow *follow,
                             const struct canvas *canvas, double length_mm, struct text_list *reasons,
                             struct error **err);

/** Frees what it holds; accepts NULL. */
void cluster_free(struct cluster *cluster);

#endif
