#ifndef AFTERFLASH_MEASURE_WAVE_LIST_H
#define AFTERFLASH_MEASURE_WAVE_LIST_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/contraction.h"

#include <stdbool.h>
#include <stddef.h>

/** Most waves that are listed: an hour of 8 per min. */
enum { WAVE_LIST_MOST = 500 };

/** One wave: one narrowing of the wall-to-wall distance that runs along the stripe. Times on the clock of
 *  the trace, lengths in its unit. */
struct wave_one {
    bool has_start, has_end; /* else the wave was under way when the looking began, or ended */
    bool has_middle;
    bool is_led_on; /* has_middle of a wave that was followed up to an edge of the trace, short of the middle:
                       as waves run on */
    bool has_speed;
    enum wave_direction direction; /* never mixed */
    double start_s;                /* the walls begin to draw together at the first place that it passes */
    double end_s;                  /* they are back at the last one */
    double middle_s;               /* they are closest in the middle of the places */
    double crest_s;                /* they are closest at the first place that was seen of it */
    double speed_per_s;
    double strength; /* half peak-to-peak of the wall-to-wall distance, at the walls where result->is_at_walls
                        is, else as the patches read it */
    double along;    /* length of stripe along which it was followed */
};

struct wave_list {
    struct wave_one *wave; /* n, by crest_s; owned */
    size_t n;
    double n_middle;     /* of them pass the middle of the places */
    double from_s, to_s; /* looked at */
    double interval_s;   /* from wave to wave, while they come */
    double *beside_s; /* n_beside, owned: when waves pass the middle that are not listed as passing it, within
                         what was looked at or so near to its edges that they reach in */
    size_t n_beside;
    size_t n_doubtful;    /* waves that hold so little of a usual one that they may be none */
    size_t n_faint;       /* between waves: what holds still less of one, and may be a wave */
    bool has_other_way;   /* of waves of one way, one clearly runs the other */
    bool has_either_way;  /* or one might as well */
    bool is_edge_told[2]; /* whether one passes beside the first (last) of the list was looked for there */
};

/** Lists the waves one by one, as they are counted by eye: narrowings that were followed along at least a
 *  quarter of the places, and three.
 *
 *  trace   that result was measured from; half_mm and patch_sigma_mm are read where result->is_at_walls is
 *  result  of contraction_measure; none is listed where its verdict is not CONTRACTIONS_MEASURED or it has no
 *          frequency
 *  list    overwritten; end with wave_list_free
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool wave_list_make(struct wave_list *list, const struct wave_trace *trace,
                               const struct wave_result *result, struct error **err);

/** How many waves passed the middle of the places while they were looked at: those that are listed as passing
 *  it, and those that pass beside them. Where the edges could not be looked at, and waves come without pauses
 *  and not from both ends by turns, also those for which the rhythm has room before the first and after the
 *  last of them (near an edge a crest is not told from the way to it).
 *
 *  result  that the list was made from */
double wave_list_count(const struct wave_list *list, const struct wave_result *result);

/** Frees what it holds and empties it; accepts NULL. */
void wave_list_free(struct wave_list *list);

#endif
