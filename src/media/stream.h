#ifndef AFTERFLASH_MEDIA_STREAM_H
#define AFTERFLASH_MEDIA_STREAM_H

#include "base/contract.h"
#include "base/error.h"
#include "base/extents.h"
#include "base/text.h"
#include "media/frame.h"
#include "media/loop.h"

#include <stdbool.h>

/** The video track of one container, demuxed and decoded by libav*, front to back. */
struct stream;

/** What the container says of the track. */
struct stream_facts {
    const char *format; /* "mp4", "avi", ... */
    const char *codec;  /* libavcodec's name */
    int width_px;       /* upright */
    int height_px;
    long declared_frames;       /* -1: not said */
    double declared_duration_s; /* -1: not said */
    bool has_clock;
    bool is_still; /* one picture */
    bool is_bare;  /* an elementary stream: no time stamps of its own */
    double pixel_aspect;
    bool is_aspect_assumed; /* nothing says it: 1 is taken */
    double period_s;        /* nominal time between frames; 0: not said */
};

/** Opens the largest video track and decodes its first picture.
 *
 *  source    borrowed; must outlive the stream
 *  problems  gains what the track's header tells
 *  Errors: ERROR_INPUT with a sentence; ERROR_MEMORY. End with stream_close. */
MUST_CHECK bool stream_open(struct stream **stream, struct extents *source, struct text_list *problems,
                            struct error **err);

/** Borrowed; lives as long as the stream. */
const struct stream_facts *stream_facts(const struct stream *stream);

/** Replaces the container's times by `time_of(owner, index)`, seconds, not decreasing. */
void stream_set_clock(struct stream *stream, double (*time_of)(const void *owner, size_t index),
                      const void *owner);

/** As loop_read; counted losses go to problems. */
MUST_CHECK enum loop_next stream_read(struct stream *stream, double from_time_s, bool with_colour,
                                      struct frame **frame, struct text_list *problems, struct error **err);

/** Back to before the first frame. */
MUST_CHECK bool stream_rewind(struct stream *stream, struct error **err);

/** Pictures that were there, decoded or passed over, up to the end last reached; -1 before any end. */
long stream_frames_seen(const struct stream *stream);

/** Ends it; accepts NULL, leaves NULL. */
void stream_close(struct stream **stream);

#endif
