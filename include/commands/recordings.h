#ifndef AFTERFLASH_COMMANDS_RECORDINGS_H
#define AFTERFLASH_COMMANDS_RECORDINGS_H

#include "base/contract.h"
#include "base/error.h"
#include "base/text.h"

#include <stdbool.h>
#include <stddef.h>

/** Puts the recordings that the operands of a command line stand for into a list.
 *
 *  A folder stands for the recordings directly in it, sorted by their names (numbers in them by
 *  value, the rest by bytes): files whose name ends like a recording's (.dcm, .mp4, .avi ...
 *  whatever the case), and files of another name that have DICM at byte 128. Where there are none,
 *  its pictures (.png, .jpg ...): several that differ only in a number are one recording, given as
 *  a pattern (frame%04d.png).
 *  Hidden files are passed over. Anything else is taken as it is, so that loop_open can say what
 *  is wrong with it. A file that is named twice counts once.
 *
 *  recordings  an empty list; the caller ends it with text_list_free, also on failure
 *  Errors: ERROR_INPUT for a folder that cannot be read or holds no recording; ERROR_MEMORY. */
MUST_CHECK bool recordings_expand(struct text_list *recordings, char *const *operands, size_t n_operands,
                                  struct error **err);

#endif
