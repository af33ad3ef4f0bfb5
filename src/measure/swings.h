#ifndef AFTERFLASH_MEASURE_SWINGS_INTERNAL_H
#define AFTERFLASH_MEASURE_SWINGS_INTERNAL_H

#include <stdbool.h>
#include <stddef.h>

/* What a trace of waves did, swing by swing: a swing is the way from one turn to the next, and a wave has
 * two, to its crest and away from it, however long the walls rest before the next one. */
struct swings {
    double waves; /* that happened, with the parts of waves at either edge; 0 where nothing moves */
    double rest;  /* longest time between two turns, over the time of a wave that follows at once */
};

/* Of n values, n >= 2, in which drift is filtered away. */
struct swings swings_count(const double *value, size_t n);

/* A turn between two swings. */
struct swing_turn {
    size_t at;          /* sample */
    size_t since, till; /* the turns, or edges, before and after it */
    bool is_low;
    double usual; /* swing of the trace */
};

/* The turns by which swings_count counts, in the order of time, the two edges left out; at most `most` are
 * told. Returns how many. n >= 2. */
size_t swings_turns(struct swing_turn *turns, size_t most, const double *value, size_t n);

/* Mean number of samples from crest to crest and from trough to trough, where the waves follow one another at
 * once; 0 where fewer than three turns are seen. `scratch` has room for n. */
double swings_interval(const double *value, double *scratch, size_t n);

#endif
