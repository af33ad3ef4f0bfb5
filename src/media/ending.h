#ifndef AFTERFLASH_MEDIA_ENDING_H
#define AFTERFLASH_MEDIA_ENDING_H

#include "base/contract.h"
#include "base/error.h"
#include "base/extents.h"
#include "base/text.h"

/** Tells when a file is shorter than its container's own words, where libavformat does not pass them on: ASF
 *  (File Size of its File Properties Object; Advanced Systems Format Specification 1.20, 3.2) and GIF (the
 *  trailer; GIF89a, 27).
 *
 *  source  borrowed; the whole file
 *  format  as demuxer_format; others tell nothing
 *  Errors: ERROR_INPUT where reading fails, ERROR_MEMORY. */
MUST_CHECK bool ending_tell(struct extents *source, const char *format, struct text_list *problems,
                            struct error **err);

#endif
