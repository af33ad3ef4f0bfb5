#ifndef AFTERFLASH_MEASURE_BEGINNING_INTERNAL_H
#define AFTERFLASH_MEASURE_BEGINNING_INTERNAL_H

#include "measure/hunt.h"

#include <stddef.h>

/* The frame in which a cluster's way (the row of each frame, -1: nothing) begins in earnest: after what a
 * catheter shows for an instant on its way in, after a faint glint that led up to it, and after what shone on
 * the shaft behind the tip. n_frames where it never does. tip as from shaft_find. */
size_t beginning_find(const struct hunt *hunt, const long *way, const long *tip);

#endif
