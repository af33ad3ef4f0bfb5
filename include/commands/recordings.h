#ifndef AFTERFLASH_COMMANDS_RECORDINGS_H
#define AFTERFLASH_COMMANDS_RECORDINGS_H

#include "base/contract.h"
#include "base/error.h"
#include "base/text.h"

#include <stdbool.h>
#include <stddef.h>

/** What the operands of a command line stand for. {0} is an empty one. */
struct recordings {
    struct text_list paths;       /* to be measured, in order */
    struct text_list passed_over; /* files in folders that hold no pictures */
};

/** Puts the recordings that the operands of a command line stand for into a list.
 *
 *  A folder stands for the recordings directly in it, sorted by their names (numbers in them by
 *  value, the rest by bytes): files whose name ends like a recording's (.dcm, .mp4, .avi ...
 *  whatever the case), and files of another name that have DICM at byte 128. Where there are none,
 *  its pictures (.png, .jpg ...): several that differ only in a number are one recording, given as
 *  a pattern (frame%04d.png).
 *  DICOM files of a folder that hold no pictures (DICOMDIR, reports) are passed over and named.
 *  Hidden files are passed over. Anything else is taken as it is, so that loop_open can say what
 *  is wrong with it. A file that is named twice counts once.
 *
 *  recordings  an empty one; the caller ends it with recordings_free, also on failure
 *  Errors: ERROR_INPUT for a folder that cannot be read or holds no recording; ERROR_MEMORY. */
MUST_CHECK bool recordings_expand(struct recordings *recordings, char *const *operands, size_t n_operands,
                                  struct error **err);

/** The sentence that names what was passed over; the caller frees it. NULL when memory ran out.
 *  There must be something that was. */
char *recordings_passed_over(const struct recordings *recordings);

/** Frees what they hold and empties them; accepts NULL. */
void recordings_free(struct recordings *recordings);

#endif
