#ifndef AFTERFLASH_TESTS_TRAIN_FIXTURE_H
#define AFTERFLASH_TESTS_TRAIN_FIXTURE_H

#include "measure/contraction.h"

#include <stddef.h>

/* Traces of wall motion with waves at known times. Rates, velocities and noise as in
 * tests/unit/measure/contraction_test.c: waves are raised cosines, noise is 0.05 mm a place and frame, and
 * all places share a slow wander of 0.2 mm. */

enum { TRAIN_FIXTURE_PLACES = 18, TRAIN_FIXTURE_MOST = 100 };
#define TRAIN_FIXTURE_SPACING_MM 2.0

enum train_way { TRAIN_TO_FUNDUS, TRAIN_TO_CERVIX, TRAIN_OPPOSING, TRAIN_AT_ONCE };

/** One wave. */
struct train_wave {
    double middle_s;  /* the walls are closest in the middle of the stripe */
    double lasts_s;   /* at a place; 0: as long as the time to the next wave */
    double height_mm; /* peak to peak; 0: 0.8 */
    enum train_way way;
};

/** What a trace is made of. */
struct train_recipe {
    struct train_wave wave[TRAIN_FIXTURE_MOST]; /* n, in the order of time */
    size_t n;
    double velocity_mm_per_s;      /* 0: 1.5 */
    double duration_s;             /* 0: 120; at 10 frames a second */
    double lost_from_s, lost_to_s; /* no place is trusted in between */
    long seed;
};

struct train_fixture {
    struct wave_trace trace;
    double *time_s, *position_mm, *change_mm;
    float *trust;
};

/** Adds waves from one moment to another at a rate, all of one way. */
void train_fixture_add(struct train_recipe *recipe, double from_s, double to_s, double rate_per_min,
                       enum train_way way);

/** Makes the trace; end with train_fixture_free. */
struct train_fixture train_fixture_make(const struct train_recipe *recipe);

void train_fixture_free(struct train_fixture *made);

/** When a wave's walls are closest at a place, counted from the fundus. */
double train_fixture_crest_s(const struct train_recipe *recipe, size_t wave, double place);

/** For how long a wave lasts at a place. */
double train_fixture_lasts_s(const struct train_recipe *recipe, size_t wave);

/** Parts of waves in a span, as their middle passes tell. */
double train_fixture_waves(const struct train_recipe *recipe, double from_s, double to_s);

#endif
