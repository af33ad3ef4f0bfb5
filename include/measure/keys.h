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

/** Frames put aside while a loop is first read, where keys are likely to be wanted. */
struct keys_aside {
    double duration_s; /* first guess, then what the first two frames make of it; 0: nothing is put aside */
    long n_declared;   /* frames that the loop is said to have; -1: not known */
    double want_s;     /* from which time on the next frame is taken */
    size_t n;
    struct frame *frame[KEYS_MOST]; /* owned; luma only */
};

/** Begins to put frames aside for a loop that says this of itself. */
struct keys_aside keys_expect(const struct loop_facts *facts);

/** Shows a frame, in order from the first; those where keys are expected are copied.
 *  `context` is a struct keys_aside. Errors: ERROR_MEMORY. */
MUST_CHECK bool keys_show(void *context, const struct frame *frame, struct error **err);

/** Frees what was put aside; accepts NULL. */
void keys_aside_free(struct keys_aside *aside);

/** Takes them; frames that repeat the one before are passed over. The keys depend on the survey alone: where
 *  all of them were put aside the loop is not touched, else it is read from its start.
 *  aside's frames are freed on the way. keys is overwritten; end with keys_free.
 *  Errors: those of loop_read; ERROR_MEMORY. */
MUST_CHECK bool keys_take(struct keys *keys, struct loop *loop, struct keys_aside *aside,
                          const struct survey *survey, struct stretch stretch, const struct canvas *canvas,
                          struct error **err);

/** Frees the pictures that nobody took over; accepts NULL. */
void keys_free(struct keys *keys);

#endif
