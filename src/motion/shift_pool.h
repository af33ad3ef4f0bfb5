#ifndef AFTERFLASH_MOTION_SHIFT_POOL_H
#define AFTERFLASH_MOTION_SHIFT_POOL_H

#include "motion/shift.h"

/** Shifts of one size that threads take for a while and give back: making one plans transforms anew. */
struct shift_pool;

/** Makes an empty pool; NULL when memory ran out. */
struct shift_pool *shift_pool_make(int width_px, int height_px);

/** Ends the pool and the shifts in it; accepts NULL, leaves NULL. */
void shift_pool_free(struct shift_pool **pool);

/** A shift that nobody else uses; give it back. NULL when memory ran out. Any thread may call. */
struct shift *shift_pool_take(struct shift_pool *pool);

/** Gives a shift back (sets it NULL); accepts NULL. Any thread may call. */
void shift_pool_give(struct shift_pool *pool, struct shift **shift);

#endif
