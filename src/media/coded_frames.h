#ifndef AFTERFLASH_MEDIA_CODED_FRAMES_H
#define AFTERFLASH_MEDIA_CODED_FRAMES_H

#include "media/dicom_frames.h"

#include <libavutil/frame.h>

/** Finds the frames of a file whose pixel data are encapsulated, each coded by itself, run lengths or stills.
 *  The frames' file, layout and coding are set; the rest is filled. Errors as of dicom_frames_open. */
MUST_CHECK bool coded_frames_open(struct dicom_frames *frames, struct dataset *dataset,
                                  struct text_list *problems, struct error **err);

/** Decodes one; as dicom_frames_decode, i below their number. */
MUST_CHECK enum dicom_frame coded_frames_decode(struct dicom_frames *frames, size_t i, bool with_colour,
                                                struct frame **frame, struct error **err);

/** The first picture as the decoder gives it, faults forgiven; borrowed until the next is decoded. NULL when
 *  there is none, or the frames are no stills. */
const AVFrame *coded_frames_first(struct dicom_frames *frames);

#endif
