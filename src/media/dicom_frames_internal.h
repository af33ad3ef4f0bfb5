#ifndef AFTERFLASH_MEDIA_DICOM_FRAMES_INTERNAL_H
#define AFTERFLASH_MEDIA_DICOM_FRAMES_INTERNAL_H

#include "dicom/fragments.h"
#include "media/dicom_frames.h"
#include "media/native.h"
#include "media/pixels.h"
#include "media/still.h"

/* The frames of a DICOM file: shared by dicom_frames.c, which hands them out, native_frames.c, which reads
 * those that are stored sample by sample, and coded_frames.c, which decodes the others. */
struct dicom_frames {
    struct extents *file;  /* borrowed */
    struct extents *spool; /* the inflated pixel data of a deflated file, or NULL */
    struct layout layout;
    enum dataset_coding coding;
    size_t n;
    /* native */
    uint64_t offset;
    uint64_t n_bytes; /* from offset to the end of the pixel data that are there */
    bool is_swapped;  /* 8-bit samples in big-endian words */
    /* encapsulated */
    struct fragments fragments;
    struct fragment_run *runs;
    struct still *still;
    struct pixels_reading reading;
    bool is_lenient;
    int precision; /* bits of a sample in a JPEG or JPEG-LS stream */
    /* room */
    struct native *native;
    uint8_t *coded;
    uint8_t *bytes;
};

/** Says what Number of Frames and the frames that are there leave in doubt; false when memory ran out. */
MUST_CHECK bool dicom_frames_tell_count(const struct dicom_frames *frames, bool is_cut,
                                        struct text_list *problems);

/** Whole for a frame; without one, which is for want of memory, failed with that error. */
enum dicom_frame dicom_frames_made(const struct frame *frame, struct error **err);

#endif
