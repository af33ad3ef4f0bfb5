#ifndef AFTERFLASH_MEDIA_NATIVE_FRAMES_H
#define AFTERFLASH_MEDIA_NATIVE_FRAMES_H

#include "media/dicom_frames.h"

/** Finds the frames of a file whose pixel data are stored sample by sample, perhaps deflated. The frames'
 * file, layout and coding are set; the rest is filled. Errors as of dicom_frames_open. */
MUST_CHECK bool native_frames_open(struct dicom_frames *frames, struct dataset *dataset,
                                   struct text_list *problems, struct error **err);

/** Reads one; as dicom_frames_decode, i below their number. */
MUST_CHECK enum dicom_frame native_frames_decode(struct dicom_frames *frames, size_t i, bool with_colour,
                                                 struct frame **frame, struct error **err);

#endif
