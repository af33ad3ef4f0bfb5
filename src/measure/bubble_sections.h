#ifndef AFTERFLASH_MEASURE_BUBBLE_SECTIONS_INTERNAL_H
#define AFTERFLASH_MEASURE_BUBBLE_SECTIONS_INTERNAL_H

#include "base/contract.h"
#include "image/canvas.h"
#include "measure/cluster.h"
#include "measure/follow.h"
#include "measure/speckle_way.h"
#include "measure/stripe.h"
#include "measure/transfer.h"

#include <stdbool.h>

/* What the sections about the bubbles are made from. */
struct bubble_facts {
    const struct follow *follow;
    const struct cluster *cluster;
    const struct speckle_way *speckle; /* of the cluster, where one is present with both ends seen */
    const struct stripe *stripe;
    const struct canvas *canvas;
    bool fundus_is_first; /* the stripe's first place is the fundus */
    double trust;         /* that this is the stripe, and its fundus as far along it as is told: 0..1 */
    bool fundus_given;    /* marked */
    bool is_sure_of_end;
};

/* Least trust for what rests on which end is the fundus, or on how far along it lies. */
#define BUBBLE_FACTS_LEAST_TRUST 0.75

/* Arc length from the fundus to a place so far from the stripe's first one. */
static inline double bubble_facts_from_fundus(const struct bubble_facts *facts, double at_mm)
{
    return facts->fundus_is_first ? at_mm : facts->stripe->fit.length_mm - at_mm;
}

/* Fills deposit and drift. */
void bubble_sections_fill(struct loop_result *result, const struct bubble_facts *facts);

/* Fills the series, a row an analysed frame; result->motion is filled before. False when memory ran out. */
MUST_CHECK bool bubble_sections_fill_series(struct loop_result *result, const struct bubble_facts *facts);

#endif
