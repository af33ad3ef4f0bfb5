#ifndef AFTERFLASH_MEDIA_WRITER_H
#define AFTERFLASH_MEDIA_WRITER_H

#include "base/contract.h"
#include "base/error.h"
#include "base/output.h"

#include <stdbool.h>
#include <stdint.h>

/** How a video is coded. */
enum video_codec {
    VIDEO_H264,  /* libx264, 4:2:0, limited range */
    VIDEO_MPEG4, /* MPEG-4 part 2, 4:2:0, limited range */
    VIDEO_MJPEG, /* 4:2:0, full range */
    VIDEO_FFV1,  /* lossless grey, full range */
};

/** What is to be written. */
struct video_request {
    int width_px; /* even */
    int height_px;
    double frames_per_s; /* usual rate; exact where the container has no stamps (AVI) */
    enum video_codec codec;
    int quality; /* 1 (best) .. 51: rate factor of H.264, quantiser of MPEG-4, scaled for JPEG */
};

/** A video that is being written: grey frames into MP4, AVI or MKV by the path's suffix. The file
 *  appears at writer_commit. Same frames, same bytes. */
struct video_writer;

/** Frames' stamps are rounded to 1/hz s in a file of that suffix: 90000 (MP4), 1000 (MKV); 0 where a
 *  file has no stamps, its frames following each other evenly (AVI); -1 for any other suffix. */
long video_writer_stamp_hz(const char *path);

/** Begins a video.
 *
 *  writer  caller's; set on success; end with video_writer_commit or video_writer_abandon
 *  Errors: ERROR_USAGE for a suffix or a codec that the suffix does not take; ERROR_OUTPUT; ERROR_MEMORY. */
MUST_CHECK bool video_writer_open(struct video_writer **writer, const char *path,
                                  enum output_existing existing, const struct video_request *request,
                                  struct error **err);

/** Adds a frame.
 *
 *  luma    height_px x width_px bytes, full range 0..255
 *  time_s  from the first frame, growing; ignored where the file has no stamps */
MUST_CHECK bool video_writer_add(struct video_writer *writer, const uint8_t *luma, double time_s,
                                 struct error **err);

/** Ends the video; the file is there, whole, when true is returned. Ends the writer in every case. */
MUST_CHECK bool video_writer_commit(struct video_writer **writer, struct error **err);

/** Ends a writer without a trace; accepts NULL, leaves NULL. */
void video_writer_abandon(struct video_writer **writer);

#endif
