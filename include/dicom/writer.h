#ifndef AFTERFLASH_DICOM_WRITER_H
#define AFTERFLASH_DICOM_WRITER_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "base/output.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/** An ultrasound multi-frame image to be written (PS3.3, A.7). All is borrowed during the call. */
struct dicom_request {
    int width_px;
    int height_px;
    bool is_jpeg;          /* JPEG baseline (1.2.840.10008.1.2.4.50), else explicit little endian */
    bool is_colour;        /* RGB, or YBR_FULL_422 in JPEG; else MONOCHROME2 */
    int jpeg_quality;      /* 1..100 */
    const double *times_s; /* of each frame from the first, n_frames; uneven ones are written as a Frame
                              Time Vector, even ones as Frame Time */
    size_t n_frames;
    struct box region;         /* the tissue region, inside the frame */
    double mm_per_px;          /* of it, both axes */
    struct point reference_px; /* the probe's apex, in pixels of the frame; its physical value is 0, 0 */
    const char *patient_id;    /* invented; the name is Synthetic^Loop */
    uint64_t digest;           /* study, series and instance get their UIDs from it */
};

/** A DICOM file that is being written; it appears at dicom_writer_commit. Memory does not grow with
 *  its length. Same frames, same bytes: its dates are fixed. */
struct dicom_writer;

/** Begins a file.
 *
 *  writer  caller's; set on success; end with dicom_writer_commit or dicom_writer_abandon
 *  Errors: ERROR_OUTPUT, also for native pixel data beyond 4 GiB; ERROR_MEMORY. */
MUST_CHECK bool dicom_writer_open(struct dicom_writer **writer, const char *path,
                                  enum output_existing existing, const struct dicom_request *request,
                                  struct error **err);

/** Adds the next frame: height_px x width_px bytes of grey. At most n_frames are taken. */
MUST_CHECK bool dicom_writer_add(struct dicom_writer *writer, const uint8_t *luma, struct error **err);

/** Ends the file; it is there, whole, when true is returned. Ends the writer in every case.
 *  Errors: as above; ERROR_OUTPUT when frames are missing. */
MUST_CHECK bool dicom_writer_commit(struct dicom_writer **writer, struct error **err);

/** Ends a writer without a trace; accepts NULL, leaves NULL. */
void dicom_writer_abandon(struct dicom_writer **writer);

#ifdef __cplusplus
}
#endif

#endif
