#ifndef AFTERFLASH_BASE_LEFTOVERS_H
#define AFTERFLASH_BASE_LEFTOVERS_H

#include "base/contract.h"

#include <stdbool.h>

#ifdef __cplusplus
extern "C" {
#endif

/* What a run has made and not finished: hidden files, folders for results. When the run is ended from
 * outside, they are taken away. One list for the whole program, safe for several threads. */

/** Keeps leftovers_take_away waiting until leftovers_release, so that what belongs together is made,
 *  noted or renamed without a gap. May be nested; hold it for moments only. */
void leftovers_hold(void);

/** Ends one leftovers_hold. */
void leftovers_release(void);

/** Notes a file or an empty folder. path: copied. False when memory ran out. */
MUST_CHECK bool leftovers_add(const char *path);

/** Forgets a path, because it is finished or gone; does nothing for one that was never noted. */
void leftovers_drop(const char *path);

/** Removes all that is noted from the disk, the newest first, and forgets it. A folder that holds something
 *  stays. */
void leftovers_take_away(void);

#ifdef __cplusplus
}
#endif

#endif
