#ifndef AFTERFLASH_MEDIA_DICOM_FRAMES_H
#define AFTERFLASH_MEDIA_DICOM_FRAMES_H

#include "base/contract.h"
#include "base/error.h"
#include "base/extents.h"
#include "base/text.h"
#include "dicom/dataset.h"
#include "dicom/layout.h"
#include "media/frame.h"

#include <stdbool.h>
#include <stddef.h>

/** The frames of a DICOM file whose frames are coded one by one (all but video), each to be had
 *  without the others. */
struct dicom_frames;

enum dicom_frame { DICOM_FRAME_WHOLE, DICOM_FRAME_DAMAGED, DICOM_FRAME_FAILED };

/** Finds the frames that are there and decodes the first.
 *
 *  file      the whole file as one stretch; borrowed, must outlive it
 *  dataset   borrowed for the call
 *  problems  gains what is missing, doubtful or contradictory
 *  Errors: ERROR_INPUT, ERROR_OUTPUT (no room to inflate), ERROR_MEMORY. End with dicom_frames_close. */
MUST_CHECK bool dicom_frames_open(struct dicom_frames **frames, struct dataset *dataset,
                                  const struct layout *layout, struct extents *file,
                                  struct text_list *problems, struct error **err);

/** How many whole frames are there. */
size_t dicom_frames_count(const struct dicom_frames *frames);

/** Decodes one. frame is set when DICOM_FRAME_WHOLE is returned; index and time_s stay 0. */
MUST_CHECK enum dicom_frame dicom_frames_decode(struct dicom_frames *frames, size_t i, bool with_colour,
                                                struct frame **frame, struct error **err);

/** Ends it; accepts NULL, leaves NULL. */
void dicom_frames_close(struct dicom_frames **frames);

#endif
