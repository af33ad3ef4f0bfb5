#ifndef AFTERFLASH_BASE_EXTENTS_H
#define AFTERFLASH_BASE_EXTENTS_H

#include "base/contract.h"
#include "base/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Stretches of one file, read as if they stood in a row: a whole file, or the
 *  fragments of a video inside a DICOM file. Only the bytes asked for are in memory. */
struct extents;

/** Opens a file with no stretch in it. Errors: ERROR_INPUT with a sentence for a missing,
 *  unreadable, empty or foreign (folder, pipe) file; ERROR_MEMORY. End with extents_close. */
MUST_CHECK bool extents_open(struct extents **extents, const char *path, struct error **err);

/** An unnamed file of our own, empty, that goes when it is closed; grows by extents_append.
 *  Errors: ERROR_OUTPUT when there is no room for one; ERROR_MEMORY. */
MUST_CHECK bool extents_open_unnamed(struct extents **extents, struct error **err);

/** Adds bytes at the end of an unnamed file and to its row. */
MUST_CHECK bool extents_append(struct extents *extents, const void *bytes, size_t n, struct error **err);

/** Adds a stretch of the file; what reaches beyond its end is cut off. */
MUST_CHECK bool extents_add(struct extents *extents, uint64_t offset, uint64_t n_bytes, struct error **err);

/** Size of the file. */
uint64_t extents_file_bytes(const struct extents *extents);

/** Size of all stretches together. */
uint64_t extents_bytes(const struct extents *extents);

/** Reads up to n bytes from a place in the row of stretches. Returns how many, 0 at the
 *  end, -1 when the file cannot be read (extents_failed then says so until it is closed). */
ptrdiff_t extents_read(struct extents *extents, uint64_t at, void *bytes, size_t n);

/** Whether a read has failed; sets err then. */
bool extents_failed(const struct extents *extents, struct error **err);

/** Ends it; accepts NULL, leaves NULL. */
void extents_close(struct extents **extents);

#endif
