#ifndef AFTERFLASH_MEASURE_LOOP_SECTIONS_INTERNAL_H
#define AFTERFLASH_MEASURE_LOOP_SECTIONS_INTERNAL_H

#include "image/survey.h"
#include "measure/cluster.h"
#include "measure/keys.h"
#include "measure/loop_measure.h"
#include "measure/stripe.h"

/* Finds the stripe, or makes it from the marks that were given. */
bool stripe_search_or_mark(struct stripe *stripe, const struct mean_picture *mean, const double probe_mm[2],
                           const struct canvas *canvas, const struct loop_request *request,
                           struct error **err);

/* The cavity of a loop; decides which end is the fundus (the bubbles' and the catheter's word
 * counted) and turns nothing: sections_fundus_is_first says the same again. A follow that
 * was not filled is empty. */
void sections_fill_cavity(struct cavity *cavity, const struct stripe *stripe, const struct cluster *cluster,
                          const struct canvas *canvas, const struct keys *keys, const struct follow *follow,
                          const struct loop_request *request);

/* Contractions, deposit, drift, series and wall motion of a loop whose stripe was followed. Errors:
 * ERROR_MEMORY. */
bool sections_fill_motion(struct loop_result *result, const struct follow *follow,
                          const struct cluster *cluster, const struct stripe *stripe,
                          const struct canvas *canvas, const struct survey *survey, struct error **err);

/* Log odds that the stripe's first place is the fundus, all evidence joined. */
double sections_fundus_odds(const struct stripe *stripe, const struct cluster *cluster);

/* Least chance that the fundus is the fundus for numbers that rest on it. */
#define SECTIONS_SURE_OF_END 0.95

/* How far a distance from the fundus may be trusted, 0..1: that this is the stripe, that this end of it is
 * the fundus (by the log odds that its first place is), and that it lies within 2 mm along it. */
double sections_trust_along(const struct stripe *stripe, double odds);

/* The chance that goes with log odds of either sign: 0.5 to 1. */
double sections_certainty(double odds);

#endif
