#ifndef AFTERFLASH_SYNTH_SINK_H
#define AFTERFLASH_SYNTH_SINK_H

#include "base/contract.h"
#include "base/error.h"
#include "base/output.h"
#include "synth/recipe.h"
#include "synth/schedule.h"
#include "synth/screen.h"

/** Where frames go: a video file or a DICOM file, by the path's suffix. */
struct sink;

/** How fine the stamps of that kind of file are, 1/s; 0: it has none. Errors: ERROR_USAGE for an unknown
 * suffix. */
MUST_CHECK bool sink_stamp_hz(const char *path, long *stamp_hz, struct error **err);

/** Begins the file. All is borrowed only during this call. sink: caller's; end with sink_commit or
 *  sink_abandon. Errors: ERROR_USAGE for a coding that the file does not take; ERROR_OUTPUT; ERROR_MEMORY. */
MUST_CHECK bool sink_open(struct sink **sink, const char *path, enum output_existing existing,
                          const struct recipe *recipe, const struct schedule *schedule,
                          const struct screen *screen, struct error **err);

/** Adds a frame. */
MUST_CHECK bool sink_add(struct sink *sink, const uint8_t *luma, double stamp_s, struct error **err);

/** Ends the file, which is then there, whole. Ends the sink in every case. */
MUST_CHECK bool sink_commit(struct sink **sink, struct error **err);

/** Ends a sink without a trace; accepts NULL, leaves NULL. */
void sink_abandon(struct sink **sink);

#endif
