#ifndef AFTERFLASH_SYNTH_WAVES_H
#define AFTERFLASH_SYNTH_WAVES_H

#include "base/contract.h"
#include "base/error.h"
#include "synth/recipe.h"

#include <stdbool.h>
#include <stddef.h>

/** One contraction. */
struct wave {
    double starts_s;     /* walls are closest at the end where the wave begins */
    double amplitude_mm; /* half the peak-to-peak change of wall-to-wall distance; 0: it stayed away */
    enum flow flow;      /* never FLOW_MIXED */
};

/** The contractions of a loop, from before its start to after its end. */
struct waves;

/** What waves do at a place of the stripe. */
struct wave_effect {
    double change_mm; /* of the wall-to-wall distance, from the rest; the walls are closest at -amplitude */
    double lengthwise_mm; /* motion along the stripe, + toward growing s */
};

/** Draws the waves of a settled recipe. waves: caller's; end with waves_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool waves_make(struct waves **waves, const struct recipe *recipe, struct error **err);

/** Ends waves; accepts NULL, leaves NULL. */
void waves_free(struct waves **waves);

/** What the waves do at s (mm from the fundus along the centre line) at a time. */
struct wave_effect waves_at(const struct waves *waves, double s_mm, double time_s);

/** How far the count of waves has come at s at a time, in waves (whole number: walls closest). */
double waves_phase(const struct waves *waves, double s_mm, double time_s);

/** The i-th wave; false behind the last. */
bool waves_get(const struct waves *waves, size_t i, struct wave *wave);

/** When the wave's narrowing passes s. */
double waves_passes_s(const struct waves *waves, size_t i, double s_mm);

#endif
