#ifndef AFTERFLASH_MEASURE_USUAL_WAVE_INTERNAL_H
#define AFTERFLASH_MEASURE_USUAL_WAVE_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"
#include "measure/wave_list.h"

/* The usual wave of a loop: what its walls do, place by place, in the time from one wave to the next, as the
 * mean of those that are listed; and what is left of their movement without the listed ones. Nothing is
 * filtered, so a wave that stayed away leaves nothing behind it, and one that an edge of the trace cuts off
 * is seen by its flank. Times are samples of the grid (measure/even.h). */

/* One passing of the middle of the places. */
struct usual_pass {
    double at;
    int way; /* of waves that run either way by turns: 0 toward the os, 1 toward the fundus; of all others
                0; -1: not known */
    size_t listed; /* of the list */
};

enum { USUAL_WAYS = 2 };

struct usual_wave {
    const struct even *even;
    size_t n_ways;             /* that the loop's waves run */
    double *delay[USUAL_WAYS]; /* n_positions: how much later than the middle a place is passed; of waves of
                                  one way [1] is the other; of waves from both ends there is none */
    size_t half;               /* of the time from wave to wave, up to which a wave is taken to reach */
    double interval;           /* from wave to wave */
    double *shape;  /* n_positions x (2 half + 1): change of the wall-to-wall distance, 0 at both ends */
    bool *is_known; /* n_positions: seen of two waves and more */
    double *rest;   /* n_positions x n */
    struct usual_pass *pass; /* n, rising */
    size_t n;
};

/* Room for it, for waves that follow one another so many seconds apart; end with usual_wave_free. False when
 * memory ran out. */
MUST_CHECK bool usual_wave_make(struct usual_wave *usual, const struct even *even, double interval_s,
                                size_t n_listed);

/* Learns it from the list's waves that pass the middle. False where the waves have no way or velocity that is
 * told, or too few of them pass far enough from the edges; nothing is left in rest then. */
MUST_CHECK bool usual_wave_learn(struct usual_wave *usual, const struct wave_list *list, double spacing,
                                 const struct wave_result *result);

/* Frees what it holds and empties it. */
void usual_wave_free(struct usual_wave *usual);

/* Whether a pass lies so far within the trace that it is one of those from which the usual wave is learnt. */
bool usual_wave_is_within(const struct usual_wave *usual, const struct usual_pass *pass);

/* Takes a wave out of the rest, or, share -1, puts it in. */
void usual_wave_take(struct usual_wave *usual, const struct usual_pass *pass, double share);

/* What is looked at for a wave: the rest between two moments, as waves of one way pass the places. */
struct usual_stretch {
    double low, high;
    int way;
};

/* The moment, from one to another in steps of a sample, and the way at which the usual wave (or, is_free, as
 * much of it as fits best) leaves the least of the rest in a stretch. False where the rest shows nothing
 * there.
 *
 *  best   the pass
 *  share  how much of the usual wave is there then: 1 as usual, 0 none */
MUST_CHECK bool usual_wave_find(const struct usual_wave *usual, double from, double to,
                                const struct usual_stretch *stretch, bool is_free, struct usual_pass *best,
                                double *share);

/* How much of the usual wave what is left holds about a pass (about 1; may be below 0), by the middle half of
 * its time alone. Where waves come in a row the walls draw apart between them, farther than they rest; where
 * one is left out they come back to where they rest, which over a whole cycle looks like half a wave. In the
 * middle of it they lie still.
 *
 *  pass  its way is known */
double usual_wave_core(const struct usual_wave *usual, const struct usual_pass *pass);

/* How much of the rest within half of the time from wave to wave about a pass (0..1) the usual wave explains
 * that runs the pass's way, and passes there within so many samples. */
double usual_wave_explains(const struct usual_wave *usual, const struct usual_pass *pass, double off);

#endif
