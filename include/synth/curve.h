#ifndef AFTERFLASH_SYNTH_CURVE_H
#define AFTERFLASH_SYNTH_CURVE_H

#include "synth/recipe.h"

#include <stdbool.h>
#include <stddef.h>

enum { CURVE_STEPS = 2048 };

/** Log compression and the display curve at one gain. It has steps, so that it can be told by the power at
 * which each begins: no logarithm is taken where many echoes are shown. */
struct curve {
    bool is_made;
    double gain_db;
    float first, per_octave;      /* the step as a line over the logarithm of power: near the right one */
    float least[CURVE_STEPS + 2]; /* the least power of each step; the last is more than any */
    float luma[CURVE_STEPS + 1];  /* of each step */
};

/** Luma (0..255) of an echo's power, soft tissue being 1.
 *
 *  gain_db  on top of the recipe's */
double curve_luma(const struct recipe *recipe, double power, double gain_db);

/** Makes the curve of a settled recipe at a gain, zeroed before the first time; one that is made is only made
 * anew for another gain of the same recipe. */
void curve_make(struct curve *curve, const struct recipe *recipe, double gain_db);

/** Turns n powers (>= 0, finite) into their luma, in place: the same as curve_luma, to the bit. */
void curve_show(const struct curve *curve, float *values, size_t n);

#endif
