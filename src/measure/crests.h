#ifndef AFTERFLASH_MEASURE_CRESTS_INTERNAL_H
#define AFTERFLASH_MEASURE_CRESTS_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"

/* From place to place, in times between waves: farther off the crest may be the next wave's. */
static const double CRESTS_MOST_STEP = 0.35;

/* The crest of one wave at one place: the moment at which the walls are closest there,
 * half way between half of the way in and half of the way back where both were seen. */
struct crest {
    bool is_seen;
    double at_s;              /* since the first sample */
    double before_s, after_s; /* from when half of the way in is done, and until half of the way back is;
                                 NAN: not seen whole */
    double depth;             /* half of the ways in and back, as the patches read them */
};

/* One narrowing, followed along the stripe. */
struct crest_track {
    struct crest *crest; /* a place each, of those that n_places of the grid are */
    size_t first, last;  /* places that it was seen at, and how many between them, these counted */
    size_t n_seen;
};

struct crest_tracks {
    size_t n;
    struct crest_track *track; /* in no order */
    struct crest *crest;       /* of all of them */
};

/* Follows the narrowings over the places of the grid: from one place to the next the nearest crest in time
 * goes on, where the track's own course leads to it, no farther off than a third of the usual time between
 * waves (per_min); up to two places may show none.
 *
 *  even    its band is filled anew
 *  tracks  overwritten; end with crests_free
 *  False when memory ran out. */
MUST_CHECK bool crests_follow(struct crest_tracks *tracks, struct even *even, double per_min);

/* Frees what it holds and empties it. */
void crests_free(struct crest_tracks *tracks);

#endif
