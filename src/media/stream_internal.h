#ifndef AFTERFLASH_MEDIA_STREAM_INTERNAL_H
#define AFTERFLASH_MEDIA_STREAM_INTERNAL_H

#include "media/demuxer.h"
#include "media/pixels.h"
#include "media/problem.h"
#include "media/stream.h"

#include <stdatomic.h>

/* A track and where its reading stands: shared by stream.c, which reads, and stream_facts.c, which
 * looks at the opened track. */
struct stream {
    struct extents *source; /* borrowed */
    struct demuxer demuxer;
    AVCodecContext *decoder;
    atomic_long n_heard; /* errors in the decoder's log, where these tell damage */
    AVPacket *packet;
    AVFrame *picture;
    struct stream_facts facts;
    struct pixels_reading reading;
    double unit_s; /* of a time stamp */
    double (*time_of)(const void *owner, size_t index);
    const void *owner;
    bool is_intra_only;
    bool is_lenient; /* the first picture cannot be had without forgiving the stream its faults */
    /* where the reading stands */
    bool has_picture; /* `picture` is decoded and not handed out */
    bool is_draining;
    bool has_ended;
    int64_t damaged_from; /* packet from which on pictures may rest on damage, until a key frame; NONE: no */
    bool has_first;
    int64_t first_stamp;
    double last_s;
    size_t index; /* of the next frame */
    int64_t n_packets;
    long n_faults;   /* met by the demuxer and the decoder */
    long n_left_out; /* pictures that came out but rest on damage; a fault often is one of them */
    long n_restamped;
    long n_unstamped;
    long n_other_size;
    int n_drain_errors;
    long n_seen;
    /* what has been told */
    struct problem missing, early, damaged, restamped, unstamped, other_size;
};

/** Fills the facts and the reading of a track whose first picture is decoded. False, with a sentence, for a
 *  size that is not allowed. */
MUST_CHECK bool stream_facts_read(struct stream *stream, struct text_list *problems, struct error **err);

/** How many frames the container says; -1 where it does not. */
long stream_declared_frames(const struct stream *stream);

#endif
