#ifndef AFTERFLASH_IMAGE_PICTURE_H
#define AFTERFLASH_IMAGE_PICTURE_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "image/survey.h"
#include "media/loop.h"

#include <stdbool.h>
#include <stdint.h>

/** Where in the frame the ultrasound picture is. */
struct picture {
    int width_px; /* of the frame */
    int height_px;
    uint8_t *mask;    /* width_px x height_px: 255 inside the picture (sector or rectangle)
                       * and free of text, marks, ruler, grey bar and colour boxes; else 0 */
    uint8_t *outline; /* the same, text and colour boxes NOT cut out: the bare sector or rectangle */
    struct box box;   /* smallest box that holds the outline */
    bool is_found; /* false: no picture could be told from the surroundings; the mask is then the whole frame
                    */
    bool has_colour_box;  /* a Doppler box was found and excluded */
    bool has_apex;        /* the sector's apex is known (convex or phased probe) */
    struct point apex_px; /* where the lines of the sector meet; may lie outside the frame */
};

/** Finds the picture from what the survey saw (moving speckle inside, still text and
 *  bars outside) and, where the file has them, its tissue regions.
 *
 *  picture  caller's; set on success; end with picture_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool picture_find(struct picture **picture, const struct survey *survey,
                             const struct loop_facts *facts, struct error **err);

/** Ends a picture; accepts NULL, leaves NULL. */
void picture_free(struct picture **picture);

#endif
