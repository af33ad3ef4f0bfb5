#ifndef AFTERFLASH_MEASURE_STRIPE_ENDS_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_ENDS_INTERNAL_H

#include "measure/straight.h"
#include "measure/stripe_course.h"
#include "measure/stripe_fit.h"

/* Places both tips of a run (fit->look is known): fit->first and fit->last with all they show. The centre
 * line of the course bends toward them, and its coarse ends move where they ran past them.
 *
 *  raw      the picture along the curve, not smoothed
 *  edge_mm  how much deeper than the walls that were followed the border lies, mean of both ends
 *  False when memory ran out. */
bool stripe_ends_place(struct stripe_fit *fit, struct stripe_course *course, const struct straight *raw,
                       double *edge_mm);

/* Takes the coarse ends of a run as tips; what only a placed tip tells stays 0. */
void stripe_ends_leave(struct stripe_fit *fit, const struct stripe_course *course,
                       const struct straight *straight);

#endif
