#include "media/stream_internal.h"

#include "media/backend.h"
#include "media/still.h"

#include <libavutil/pixdesc.h>
#include <math.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdlib.h>

enum {
    N_THREADS = 2,
    MOST_READ_ERRORS = 100, /* in a row, before a damaged container counts as ended */
    MOST_DRAIN_ERRORS = 100,
    NONE = -1,
};

#define TIME_SLACK_S 1e-6 /* so that a time printed with six decimals finds its own frame */
#define EARLY_S                                                                                              \
    0.5 /* the last picture may be shown for longer than the others; common practice, no source              \
         */

/* Pictures that come out later but were sent before `packet` are whole. */
static void note_damage(struct stream *stream, int64_t packet)
{
    stream->n_faults++;
    if (!stream->is_intra_only && (stream->damaged_from == NONE || packet < stream->damaged_from))
        stream->damaged_from = packet;
}

/* What a decoder is asked to look at. Without AV_EF_EXPLODE damage is glossed over without a sign; TIFF would
 * refuse any tag that it does not know. The picture hashes of HEVC (AV_EF_CRCCHECK) would halve the speed. In
 * WMV and MSMPEG4 runs of coefficients that leave their block are forgiven unless AV_EF_BITSTREAM is there.
 */
static int err_recognition(enum AVCodecID codec)
{
    switch (codec) {
    case AV_CODEC_ID_TIFF:
        return 0;
    case AV_CODEC_ID_WMV1:
    case AV_CODEC_ID_WMV2:
    case AV_CODEC_ID_MSMPEG4V1:
    case AV_CODEC_ID_MSMPEG4V2:
    case AV_CODEC_ID_MSMPEG4V3:
        return AV_EF_EXPLODE | AV_EF_BITSTREAM;
    default:
        return AV_EF_EXPLODE;
    }
}

/* FFV1 (a slice whose CRC-32 does not fit: RFC 9043, 4.9), GIF (codes that give too few points), Cinepak and
 * MS Video 1 (data that end early): their decoders tell what they met in their log alone. */
static bool tells_in_log(enum AVCodecID codec)
{
    return codec == AV_CODEC_ID_FFV1 || codec == AV_CODEC_ID_GIF || codec == AV_CODEC_ID_CINEPAK ||
           codec == AV_CODEC_ID_MSVIDEO1;
}

/* Counts the errors of the decoder that a stream owns, and prints nothing. libavutil has one such function
 * for the whole program; it holds no state, and finds the stream by its decoder. */
static void hear(void *from, int level, const char *format, va_list arguments)
{
    (void)format;
    (void)arguments;
    if (level > AV_LOG_ERROR || from == NULL || *(const AVClass **)from != avcodec_get_class())
        return;
    if (((AVCodecContext *)from)->opaque != NULL) /* slices are decoded in threads */
        atomic_fetch_add((atomic_long *)((AVCodecContext *)from)->opaque, 1);
}

static bool open_decoder(struct stream *stream, struct error **err)
{
    AVStream *track = stream->demuxer.track;
    AVCodecContext *decoder = avcodec_alloc_context3(stream->demuxer.codec);
    const AVCodecDescriptor *descriptor = avcodec_descriptor_get(track->codecpar->codec_id);

    stream->decoder = decoder;
    if (decoder == NULL || avcodec_parameters_to_context(decoder, track->codecpar) < 0)
        return error_memory(err);
    stream->is_intra_only = descriptor != NULL && (descriptor->props & AV_CODEC_PROP_INTRA_ONLY) != 0;
    decoder->pkt_timebase = track->time_base;
    decoder->max_pixels = (int64_t)LOOP_MOST_SIDE_PX * LOOP_MOST_SIDE_PX;
    decoder->thread_count = N_THREADS;
    /* No frame threads: they hand out a picture before its damage is known, so that a broken stream gives
     * other frames from run to run; and a packet of pictures without references must give its picture at
     * once. */
    decoder->thread_type = FF_THREAD_SLICE;
    if (!stream->is_lenient && tells_in_log(track->codecpar->codec_id))
        decoder->opaque = &stream->n_heard;
    if (!stream->is_lenient)
        decoder->err_recognition |= err_recognition(track->codecpar->codec_id);
    if (!backend_allows_size(decoder->width > 0 ? decoder->width : 1,
                             decoder->height > 0 ? decoder->height : 1, err))
        return false;
    if (avcodec_open2(decoder, stream->demuxer.codec, NULL) < 0)
        return error_set(err, ERROR_INPUT, "its %s pictures cannot be decoded",
                         avcodec_get_name(track->codecpar->codec_id));
    return true;
}

static bool open_reading(struct stream *stream, struct error **err)
{
    if (!demuxer_open(&stream->demuxer, stream->source, err) || !open_decoder(stream, err))
        return false;
    stream->unit_s = av_q2d(stream->demuxer.track->time_base);
    return true;
}

static void close_reading(struct stream *stream)
{
    avcodec_free_context(&stream->decoder);
    demuxer_close(&stream->demuxer);
    av_frame_unref(stream->picture);
    stream->has_picture = false;
    stream->is_draining = false;
    stream->has_ended = false;
    stream->damaged_from = NONE;
    stream->has_first = false;
    stream->first_stamp = 0;
    stream->last_s = 0.0;
    stream->index = 0;
    stream->n_packets = 0;
    stream->n_faults = 0;
    stream->n_left_out = 0;
    stream->n_restamped = 0;
    stream->n_unstamped = 0;
    stream->n_other_size = 0;
    stream->n_drain_errors = 0;
}

/* Seconds of a time stamp from the first frame's, mended where it is missing or steps back. */
static double time_of_stamp(struct stream *stream, int64_t stamp)
{
    double step_s = stream->facts.period_s > 0.0 ? stream->facts.period_s : 1.0;
    double time_s = 0.0;

    if (stream->time_of != NULL)
        return stream->time_of(stream->owner, stream->index);
    if (!stream->facts.has_clock)
        return (double)stream->index;
    if (stream->facts.is_bare)
        return (double)stream->index * step_s;
    if (!stream->has_first) {
        stream->has_first = true;
        stream->first_stamp = stamp;
        return 0.0;
    }
    if (stamp == AV_NOPTS_VALUE) {
        stream->n_unstamped++;
        return stream->last_s + step_s;
    }
    if (stream->first_stamp == AV_NOPTS_VALUE) /* the first had none: count back from here */
        stream->first_stamp = stamp - (int64_t)llround((stream->last_s + step_s) / stream->unit_s);
    time_s = (double)(stamp - stream->first_stamp) * stream->unit_s;
    if (time_s <= stream->last_s) {
        stream->n_restamped++;
        return stream->last_s + step_s;
    }
    return time_s;
}

/* Whether a packet's picture lies before from_time_s and can be passed over undecoded. */
static bool passes_over(struct stream *stream, double from_time_s)
{
    int64_t stamp = stream->packet->pts != AV_NOPTS_VALUE ? stream->packet->pts : stream->packet->dts;
    double time_s = 0.0;

    if (!stream->is_intra_only || from_time_s <= 0.0 || stream->index == 0)
        return false;
    if (stream->time_of != NULL)
        time_s = stream->time_of(stream->owner, stream->index);
    else if (!stream->facts.has_clock)
        time_s = (double)stream->index;
    else if (stream->facts.is_bare)
        time_s = (double)stream->index * stream->facts.period_s;
    else if (stamp == AV_NOPTS_VALUE || stream->first_stamp == AV_NOPTS_VALUE)
        return false;
    else
        time_s = (double)(stamp - stream->first_stamp) * stream->unit_s;
    if (time_s >= from_time_s - TIME_SLACK_S || time_s <= stream->last_s)
        return false;
    stream->last_s = time_s;
    stream->index++;
    return true;
}

/* After a packet was sent: what the decoder said of it, and whether a GIF picture rests on none before. The
 * decoder of GIF calls none but the first a key. */
static void note_heard(struct stream *stream, bool is_heard)
{
    const AVPacket *packet = stream->packet;

    if (is_heard)
        note_damage(stream, stream->n_packets - 1);
    else if (stream->damaged_from != NONE && stream->demuxer.codec->id == AV_CODEC_ID_GIF &&
             still_gif_covers(packet->data, (size_t)packet->size, stream->decoder->width,
                              stream->decoder->height))
        stream->damaged_from = NONE;
}

/* One packet of the track into the decoder, or the sign that there are no more. */
static bool feed(struct stream *stream, double from_time_s, struct error **err)
{
    int n_errors = 0;

    for (;;) {
        int status = 0;
        long n_heard = 0;

        av_packet_unref(stream->packet);
        status = av_read_frame(stream->demuxer.context, stream->packet);
        if (status == AVERROR(ENOMEM))
            return error_memory(err);
        if (extents_failed(stream->source, err))
            return false;
        if (status < 0 && status != AVERROR_EOF && !avio_feof(stream->demuxer.io) &&
            ++n_errors < MOST_READ_ERRORS)
            continue;
        if (status < 0) {
            stream->is_draining = true;
            (void)avcodec_send_packet(stream->decoder, NULL);
            return true;
        }
        if (stream->packet->stream_index != stream->demuxer.track->index || stream->packet->size == 0)
            continue;
        if ((stream->packet->flags & AV_PKT_FLAG_CORRUPT) != 0) {
            note_damage(stream, stream->n_packets);
            continue;
        }
        stream->decoder->reordered_opaque = stream->n_packets++;
        if (passes_over(stream, from_time_s))
            continue;
        n_heard = atomic_load(&stream->n_heard);
        status = avcodec_send_packet(stream->decoder, stream->packet);
        if (status == AVERROR(ENOMEM))
            return error_memory(err);
        if (status < 0)
            note_damage(stream, stream->n_packets - 1);
        else
            note_heard(stream, atomic_load(&stream->n_heard) != n_heard);
        return true;
    }
}

/* The next picture that the decoder gives, whole or not. */
static enum loop_next decode(struct stream *stream, double from_time_s, struct error **err)
{
    for (;;) {
        int status = avcodec_receive_frame(stream->decoder, stream->picture);

        if (status == 0)
            return LOOP_FRAME;
        if (status == AVERROR_EOF)
            return LOOP_END;
        if (status == AVERROR(ENOMEM)) {
            (void)error_memory(err);
            return LOOP_FAILED;
        }
        if (status != AVERROR(EAGAIN)) {
            note_damage(stream, stream->n_packets - 1);
            if (stream->is_draining && ++stream->n_drain_errors > MOST_DRAIN_ERRORS)
                return LOOP_END;
            if (stream->is_draining)
                continue;
        }
        if (stream->is_draining && status == AVERROR(EAGAIN))
            return LOOP_END;
        if (!feed(stream, from_time_s, err))
            return LOOP_FAILED;
    }
}

static bool is_whole(struct stream *stream)
{
    const AVFrame *picture = stream->picture;
    int64_t packet = picture->reordered_opaque;
    bool is_damaged = (picture->flags & AV_FRAME_FLAG_CORRUPT) != 0 || picture->decode_error_flags != 0;

    if (is_damaged) {
        note_damage(stream, packet);
        stream->n_left_out++;
        return false;
    }
    if (stream->damaged_from == NONE || packet < stream->damaged_from)
        return true;
    if (picture->key_frame) {
        stream->damaged_from = NONE;
        return true;
    }
    stream->n_left_out++;
    return false;
}

/* The next whole picture, into `picture`. */
static enum loop_next decode_whole(struct stream *stream, double from_time_s, struct error **err)
{
    for (;;) {
        enum loop_next next = decode(stream, from_time_s, err);

        if (next != LOOP_FRAME)
            return next;
        if (is_whole(stream))
            return LOOP_FRAME;
        av_frame_unref(stream->picture);
    }
}

/* The header's duration against the last picture, where no count of frames tells more: Matroska and WebM. */
static bool tell_early_end(struct stream *stream, struct text_list *problems)
{
    double declared_s = stream->facts.declared_duration_s;
    bool has_others = stream->demuxer.context->nb_streams > 1; /* the duration may be the sound's */
    bool is_told = stream_declared_frames(stream) > 0 || stream->facts.is_still || has_others ||
                   !stream->facts.has_clock || stream->time_of != NULL;
    double missing_s = declared_s - stream->last_s - stream->facts.period_s;

    if (is_told || declared_s <= 0.0 || missing_s < EARLY_S)
        return true;
    return problem_tell(&stream->early, problems, lround(1e3 * missing_s),
                        "the file ends early: its header says %.1f s, its last picture stands at %.1f s",
                        declared_s, stream->last_s);
}

static bool tell_losses(struct stream *stream, struct text_list *problems)
{
    long declared = stream_declared_frames(stream);
    long missing = declared > stream->n_packets ? declared - (long)stream->n_packets : 0;
    long damaged = stream->n_faults > stream->n_left_out ? stream->n_faults : stream->n_left_out;

    return tell_early_end(stream, problems) &&
           problem_tell(&stream->missing, problems, missing,
                        "the file ends early: its header says %ld frames, %ld are missing at the end",
                        declared, missing) &&
           problem_tell(&stream->damaged, problems, damaged,
                        "at least %ld picture(s) are damaged or rest on damaged ones and are left out",
                        damaged) &&
           problem_tell(
               &stream->restamped, problems, stream->n_restamped,
               "%ld frame(s) have a time stamp that is not after the frame before; each is placed one "
               "frame period (%.4g s) after it",
               stream->n_restamped, stream->facts.period_s > 0.0 ? stream->facts.period_s : 1.0) &&
           problem_tell(
               &stream->unstamped, problems, stream->n_unstamped,
               "%ld frame(s) have no time stamp; each is placed one frame period (%.4g s) after the one "
               "before",
               stream->n_unstamped, stream->facts.period_s > 0.0 ? stream->facts.period_s : 1.0) &&
           problem_tell(&stream->other_size, problems, stream->n_other_size,
                        "%ld frame(s) are of another size than the first and are left out",
                        stream->n_other_size);
}

static enum loop_next end(struct stream *stream, struct text_list *problems, struct error **err)
{
    stream->has_ended = true;
    stream->n_seen = (long)stream->index;
    if (problems != NULL && !tell_losses(stream, problems)) {
        (void)error_memory(err);
        return LOOP_FAILED;
    }
    return LOOP_END;
}

static bool has_first_size(const struct stream *stream)
{
    bool is_swapped = stream->reading.xx == 0;
    int width = is_swapped ? stream->picture->height : stream->picture->width;
    int height = is_swapped ? stream->picture->width : stream->picture->height;

    return width == stream->facts.width_px && height == stream->facts.height_px;
}

enum loop_next stream_read(struct stream *stream, double from_time_s, bool with_colour, struct frame **frame,
                           struct text_list *problems, struct error **err)
{
    double time_s = 0.0;
    bool is_made = false;

    if (stream->has_ended)
        return LOOP_END;
    for (;;) {
        enum loop_next next = stream->has_picture ? LOOP_FRAME : decode_whole(stream, from_time_s, err);

        stream->has_picture = false;
        if (next == LOOP_END)
            return end(stream, problems, err);
        if (next != LOOP_FRAME)
            return next;
        if (!has_first_size(stream)) {
            stream->n_other_size++;
            continue;
        }
        time_s = time_of_stamp(stream, stream->picture->best_effort_timestamp);
        stream->last_s = time_s;
        stream->index++;
        if (time_s >= from_time_s - TIME_SLACK_S)
            break;
    }
    is_made = pixels_to_frame(frame, stream->picture, stream->reading, with_colour, err);
    av_frame_unref(stream->picture);
    if (!is_made)
        return LOOP_FAILED;
    (*frame)->index = stream->index - 1;
    (*frame)->time_s = time_s;
    return LOOP_FRAME;
}

static bool first_picture(struct stream *stream, struct error **err)
{
    enum loop_next next = decode_whole(stream, 0.0, err);

    if (next == LOOP_END && !stream->is_lenient) {
        close_reading(stream);
        stream->is_lenient = true;
        if (!open_reading(stream, err))
            return false;
        next = decode_whole(stream, 0.0, err);
    }
    if (next == LOOP_FAILED)
        return false;
    if (next == LOOP_END)
        return error_set(err, ERROR_INPUT, "no picture in it can be decoded; it is damaged or holds none");
    if (!pixels_can_read(stream->picture->format))
        return error_set(err, ERROR_INPUT, "its pictures are of a pixel format that is not read (%s)",
                         av_get_pix_fmt_name((enum AVPixelFormat)stream->picture->format));
    stream->has_picture = true;
    return true;
}

bool stream_open(struct stream **stream, struct extents *source, struct text_list *problems,
                 struct error **err)
{
    CLEANUP(stream_close) struct stream *made = calloc(1, sizeof *made);

    av_log_set_callback(hear);
    if (made == NULL)
        return error_memory(err);
    made->source = source;
    made->n_seen = -1;
    made->damaged_from = NONE;
    made->reading = pixels_as_tagged();
    made->packet = av_packet_alloc();
    made->picture = av_frame_alloc();
    if (made->packet == NULL || made->picture == NULL)
        return error_memory(err); /* NOLINT(clang-analyzer-unix.Malloc): CLEANUP ends it */
    if (!open_reading(made, err) || !first_picture(made, err) || !stream_facts_read(made, problems, err))
        return false;
    *stream = made;
    made = NULL;
    return true;
}

const struct stream_facts *stream_facts(const struct stream *stream)
{
    return &stream->facts;
}

void stream_set_clock(struct stream *stream, double (*time_of)(const void *owner, size_t index),
                      const void *owner)
{
    stream->time_of = time_of;
    stream->owner = owner;
}

bool stream_rewind(struct stream *stream, struct error **err)
{
    if (stream->index == 0 && stream->has_picture)
        return true;
    /* opened anew: not every container can be sought in, and this gives the same frames always */
    close_reading(stream);
    return open_reading(stream, err) && first_picture(stream, err);
}

long stream_frames_seen(const struct stream *stream)
{
    return stream->n_seen;
}

void stream_close(struct stream **stream)
{
    if (stream == NULL || *stream == NULL)
        return;
    close_reading(*stream);
    av_frame_free(&(*stream)->picture);
    av_packet_free(&(*stream)->packet);
    free(*stream);
    *stream = NULL;
}
