#ifndef AFTERFLASH_MEASURE_STRIPE_COURSE_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_COURSE_INTERNAL_H

#include "measure/straight.h"
#include "measure/stripe_profile.h"

#include <stdbool.h>
#include <stddef.h>

/* What following a stripe's centre and walls along a straightened picture gives, one entry a row. */
struct stripe_course {
    size_t n;
    double *centre_mm; /* from the curve; owned */
    double *half_mm;   /* half thickness; owned */
    double *answer;    /* of the matched cross profile, standard deviations of chance; owned */
    size_t from, to;   /* rows of the run that is stripe, both included */
    double body;       /* typical answer within the run */
};

/* Follows centre and walls by dynamic programming over n_centres places across (odd, a
 * quarter of a millimetre apart); the run is not yet set. False when memory ran out. */
bool stripe_course_follow(struct stripe_course *course, const struct straight *straight,
                          const struct stripe_kind *kind, int n_centres);
void stripe_course_free(struct stripe_course *course);

/* Sets the run: the stretch of rows around the strongest that answers like the body does.
 * False when nothing answers or the run is too short for a stripe. */
bool stripe_course_find_run(struct stripe_course *course, double row_mm);

/* Leads the centre on straight from the body near and beyond both ends of the run, where walls give none. */
void stripe_course_calm(struct stripe_course *course, double row_mm);

#endif
