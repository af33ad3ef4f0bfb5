#ifndef AFTERFLASH_MEASURE_STRIPE_FIT_H
#define AFTERFLASH_MEASURE_STRIPE_FIT_H

#include "base/contract.h"
#include "base/error.h"
#include "image/raster.h"
#include "measure/stripe_search.h"

#include <stdbool.h>
#include <stddef.h>

/** One end of a fitted stripe. */
struct stripe_end {
    double at_mm;          /* arc length of the tip along the fit's line, from its first place */
    double error_mm;       /* standard error of the tip along the line */
    double aside_error_mm; /* and across it */
    double bluntness;      /* half thickness over length of the rounded end: high = blunt, low = drawn out */
    double beyond;      /* brightness of 2 to 8 mm beyond the tip, less that beside the body, grey levels */
    double line_beyond; /* contrast of a thin line that leads on beyond the tip, robust standard deviations */
    bool is_at_edge;    /* the picture ends before the stripe does */
};

/** A stripe fitted to a mean picture; places in its millimetres, FIT_STEP_MM apart along the centre line. */
struct stripe_fit {
    enum stripe_look look;
    size_t n;              /* places, tip to tip */
    double (*place_mm)[2]; /* owned */
    double *half_mm;       /* n, half thickness; owned */
    struct stripe_end first, last;
    double contrast; /* mean answer of the matched cross profile, in standard deviations of what chance gives
                        at one place */
    double evenness; /* share of the length that answers on its own, 0..1 */
    double inside;   /* mean luma between the walls */
    double upper_near,
        upper_far; /* mean luma 0.5 to 4 mm and 4 to 8 mm outside the wall on the normal's far side */
    double lower_near, lower_far; /* and on its other side */
    double side_spread; /* standard deviation of luma 1 to 6 mm outside both walls, both sides together */
    double
        detail; /* grey levels between the bright parts (all, or the lines) and the dark ones beside them */
    double grey_contrast; /* grey levels between inside (or lines) and outside (or dark) */
    double length_mm;     /* tip to tip along the line */
    double thickness_mm;  /* twice the half thickness where it is thickest */
};

#define FIT_STEP_MM 0.5

/** Fits a stripe along a candidate: straightens the picture along it, follows centre and
 *  walls by dynamic programming on a matched cross profile, then places both tips: the
 *  mean of the rounded ends, with the body's own layers, that the picture leaves likely.
 *
 *  picture, window  mean picture and where there is picture, square pixels of `pixel_mm`
 *  is_found         false: the candidate does not hold up; fit is then empty
 *  fit              overwritten; end with stripe_fit_free
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool stripe_fit_make(struct stripe_fit *fit, bool *is_found, const struct raster *picture,
                                const struct raster *window, double pixel_mm,
                                const struct stripe_candidate *candidate, struct error **err);

/** The same at a third of the cost, for choosing among candidates: the tips lie where the profile ceases to
 *  answer, and what only a placed tip tells (errors, bluntness, what lies beyond) is 0. */
MUST_CHECK bool stripe_fit_sketch(struct stripe_fit *fit, bool *is_found, const struct raster *picture,
                                  const struct raster *window, double pixel_mm,
                                  const struct stripe_candidate *candidate, struct error **err);

/** Share of the places of fit a that lie within 5 mm of one of fit b, 0 to 1. */
double stripe_fit_share_near(const struct stripe_fit *a, const struct stripe_fit *b);

/** Frees what a fit holds; accepts NULL. */
void stripe_fit_free(struct stripe_fit *fit);

#endif
