#ifndef AFTERFLASH_IMAGE_PICTURE_INTERNAL_H
#define AFTERFLASH_IMAGE_PICTURE_INTERNAL_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "image/picture.h"
#include "image/survey.h"

#include <stdbool.h>
#include <stdint.h>

/** A straight side: the picture lies where normal_x x + normal_y y <= offset. */
struct side {
    bool is_found;
    double normal_x;
    double normal_y;
    double offset_px;
    int votes; /* edge points on it */
};

/** The bare shape of a picture: what is bounded by two sides, two arcs round their
 *  crossing, and a box. What is not found does not bound. */
struct shape {
    struct side left;
    struct side right;
    bool has_apex;
    struct point apex_px;
    double near_px; /* radii of the arcs round the apex */
    double far_px;
    struct box box;
    double likeness; /* area in both the shape and the piece, over the area in either */
    bool is_good;    /* the shape explains the evidence: it may be filled */
};

/** Evidence of a picture: a mask of places that live or shine, on a plane reduced by `reduction`. */
struct evidence {
    int width;
    int height;
    int reduction;  /* full pixels a reduced one, along a side */
    uint8_t *mask;  /* reduced plane */
    bool is_living; /* from change over time, not from brightness alone */
};

/** Gathers evidence: change over time where there is any, else brightness and grain. Errors: ERROR_MEMORY. */
MUST_CHECK bool evidence_gather(struct evidence *evidence, const struct survey *survey, struct error **err);

/** Frees the plane; accepts NULL. */
void evidence_free(struct evidence *evidence);

/** Fits sides and arcs to one connected piece of evidence, in reduced pixels.
 *
 *  piece  width x height mask of the closed piece
 *  grain  the raw evidence, to weigh how well the shape is filled
 *  A piece without two straight sides gives a shape that is not good. Errors: ERROR_MEMORY. */
MUST_CHECK bool shape_fit(struct shape *shape, const uint8_t *piece, const uint8_t *grain, int width,
                          int height, struct error **err);

/** True when the shape holds the point. */
bool shape_holds(const struct shape *shape, double x_px, double y_px);

/** Fills the convex hull of a mask into out (255 inside, 0 else). Errors: ERROR_MEMORY. */
MUST_CHECK bool shape_hull(uint8_t *out, const uint8_t *mask, int width, int height, struct error **err);

/** Cuts text, marks and colour boxes out of picture->mask. Errors: ERROR_MEMORY. */
MUST_CHECK bool picture_cut(struct picture *picture, const struct survey *survey, struct error **err);

#endif
