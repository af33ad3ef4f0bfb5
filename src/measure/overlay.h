#ifndef AFTERFLASH_MEASURE_OVERLAY_INTERNAL_H
#define AFTERFLASH_MEASURE_OVERLAY_INTERNAL_H

#include "base/contract.h"
#include "image/canvas.h"
#include "measure/cluster.h"
#include "measure/follow.h"

#include <stdbool.h>

/* A mark or text that is drawn over the picture from some moment on: it stands still on the screen while the
 * tissue moves under it; bubbles go with the tissue. */

/* Whether what was taken for a cluster is drawn over the picture, for most of the time or from some moment
 * on. Then it is taken out of the follow's strip, together with what was drawn at the same moment within 30
 * mm, and filled in from beside it; *is_found: it was. *from_s: since when it is there. may_be_drawn is set:
 * the tissue moves too little to tell. False when memory ran out. */
MUST_CHECK bool overlay_take_out(struct follow *follow, const struct canvas *canvas, struct cluster *cluster,
                                 bool *is_found, double *from_s);

#endif
