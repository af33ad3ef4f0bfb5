#ifndef AFTERFLASH_TESTS_CLUSTER_FIXTURE_H
#define AFTERFLASH_TESTS_CLUSTER_FIXTURE_H

#include "measure/cluster.h"

/* A made straightened stripe: speckle that stays with the tissue and renews itself a little from frame to
 * frame, bubbles, a catheter and drawn marks in it. Lengths and brightness of bubbles (about 2 to 3 mm
 * across, much brighter than the stripe) and of a catheter: common practice, no source. The tissue moves with
 * breath, 0.4 mm either way along the stripe and 0.3 mm across it. */

enum { CLUSTER_FIXTURE_PER_S = 8, CLUSTER_FIXTURE_MOST = 480 };
#define CLUSTER_FIXTURE_LENGTH_MM 38.0
#define CLUSTER_FIXTURE_NEVER_S 1e9

/** What lies in the stripe. Along is told from the first place, which is the fundus; the catheter comes by
 * the last. */
struct cluster_fixture_contents {
    double bubbles_from_s; /* CLUSTER_FIXTURE_NEVER_S: none */
    double bubbles_along_mm, bubbles_across_mm;
    double drift_mm; /* toward the last place, evenly from 4 s after they appear to 14 s after */
    double gone_from_s, gone_to_s;
    double other_from_s, other_along_mm;   /* another bright thing, from then on; 0: none */
    double other_to_s;                     /* until then; 0: for good */
    double other_grey;                     /* how bright; 0: 90 */
    double catheter_from_s, catheter_to_s; /* both 0: none; it takes 2 s to come and 2 s to go */
    double pause_mm; /* it rests so far short of that place for 3 s, and is pushed on at 2.5 mm/s; 0: it is
                        not */
    double tip_along_mm;               /* where it rests */
    double shaft_grey;                 /* how bright its shaft is; 0: 70 */
    double hidden_from_s, hidden_to_s; /* its shaft is not seen then; both 0: it always is */
    double bead_grey;                  /* its tip carries a bead as bright as this; 0: it does not */
    double glint_mm;                   /* behind the resting tip its shaft shines; 0: it does not */
    double dimmed_from_s, dimmed_by;   /* the gain is turned down from then on, grey levels; 0: it is not */
    double parted_mm; /* the cluster parts into two that lie so far apart in the end, as it drifts; 0: not */
    double mark_from_s;                /* a cross is drawn on the screen from then on; 0: none */
    double mark_along_mm;              /* of the tissue at rest */
    double text_from_s, text_along_mm; /* four letters, likewise; 0: none */
    bool holds_breath;                 /* the tissue moves a tenth as much */
    double lasts_s;                    /* the loop; 0: 37.5 s */
    double per_s;                      /* frames; 0: CLUSTER_FIXTURE_PER_S */
    long seed;
};

struct cluster_fixture {
    struct follow follow;
    struct canvas canvas;
    struct cluster cluster;
    struct text_list reasons;
};

/** Makes the strip of 37.5 s and finds what is in it; end with cluster_fixture_free. Fails the test on an
 *  error. */
struct cluster_fixture *cluster_fixture_find(const struct cluster_fixture_contents *contents);

void cluster_fixture_free(struct cluster_fixture *made);

/** Mean place along over a second from a time on; the cluster must be seen in most of it. */
double cluster_fixture_along_at(const struct cluster_fixture *made, double from_s);

#endif
