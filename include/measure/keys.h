#ifndef AFTERFLASH_MEASURE_KEYS_H
#define AFTERFLASH_MEASURE_KEYS_H

#include "base/contract.h"
#include "base/error.h"
#include "image/canvas.h"
#include "image/survey.h"
#include "media/loop.h"

#include <stddef.h>

enum { KEYS_MOST = 48 };

/** A few dozen frames spread evenly over a stretch of a loop, on the canvas. */
struct keys {
    size_t n;
    struct raster *picture[KEYS_MOST]; /* owned */
    double time_s[KEYS_MOST];
    size_t frame[KEYS_MOST]; /* index in the loop; the first is the stretch's first frame */
};

/** Reads them; frames that repeat the one before are passed over. The loop is read from its
 *  start. keys is overwritten; end with keys_free. Errors: those of loop_read; ERROR_MEMORY. */
MUST_CHECK bool keys_take(struct keys *keys, struct loop *loop, const struct survey *survey,
                          struct stretch stretch, const struct canvas *canvas, struct error **err);

/** Frees the pictures that nobody took over; accepts NULL. */
void keys_free(struct keys *keys);

#endif
