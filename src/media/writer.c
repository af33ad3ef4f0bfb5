#include "media/writer.h"

#include "base/text.h"

#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libavutil/opt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* Limited range of luma: ITU-R BT.601. */
enum { BLACK = 16, WHITE = 235, NO_COLOUR = 128 };

struct container {
    const char *suffix;
    const char *format; /* libavformat's name */
    long stamp_hz;
    unsigned codecs; /* a bit a codec that it takes */
};

static const struct container containers[] = {
    {".mp4", "mp4", 90000, 1u << VIDEO_H264 | 1u << VIDEO_MPEG4},
    {".avi", "avi", 0, 1u << VIDEO_MPEG4 | 1u << VIDEO_MJPEG | 1u << VIDEO_FFV1},
    {".mkv", "matroska", 1000, 1u << VIDEO_H264 | 1u << VIDEO_MPEG4 | 1u << VIDEO_MJPEG | 1u << VIDEO_FFV1},
};

struct codec {
    const char *encoder; /* libavcodec's name */
    enum AVPixelFormat pixels;
    bool is_limited;
};

static const struct codec codecs[] = {
    [VIDEO_H264] = {"libx264", AV_PIX_FMT_YUV420P, true},
    [VIDEO_MPEG4] = {"mpeg4", AV_PIX_FMT_YUV420P, true},
    [VIDEO_MJPEG] = {"mjpeg", AV_PIX_FMT_YUVJ420P, false},
    [VIDEO_FFV1] = {"ffv1", AV_PIX_FMT_GRAY8, false},
};

struct video_writer {
    char *path;
    struct output *out;
    const struct container *container;
    struct video_request request;
    AVFormatContext *format;
    AVCodecContext *codec;
    AVStream *stream;
    AVFrame *frame;
    AVPacket *packet;
    int64_t n_frames;
    int64_t last_stamp;
};

static const struct container *container_of(const char *path)
{
    const char *dot = strrchr(path, '.');

    for (size_t i = 0; dot != NULL && i < sizeof containers / sizeof containers[0]; i++)
        if (strcasecmp(dot, containers[i].suffix) == 0)
            return &containers[i];
    return NULL;
}

long video_writer_stamp_hz(const char *path)
{
    const struct container *container = container_of(path);

    return container == NULL ? -1 : container->stamp_hz;
}

static bool refuse(const struct video_writer *w, struct error **err, int code)
{
    char cause[AV_ERROR_MAX_STRING_SIZE] = "";

    if (code == AVERROR(ENOMEM))
        return error_memory(err);
    (void)av_strerror(code, cause, sizeof cause);
    return error_set(err, ERROR_OUTPUT, "%s: cannot be written (%s)", w->path, cause);
}

/* Unchanging bytes: no dates, no version of the library. One thread: the encoder's choices stay the same. */
static void set_quality(struct video_writer *w, AVDictionary **options)
{
    AVCodecContext *codec = w->codec;

    codec->flags |= AV_CODEC_FLAG_BITEXACT;
    codec->thread_count = 1;
    if (w->request.codec == VIDEO_H264) {
        (void)av_dict_set(options, "preset", "veryfast", 0);
        (void)av_dict_set_int(options, "crf", w->request.quality, 0);
        codec->gop_size = (int)lround(fmax(2.0 * w->request.frames_per_s, 1.0));
    } else if (w->request.codec != VIDEO_FFV1) {
        int quantiser = w->request.codec == VIDEO_MJPEG ? 2 + w->request.quality / 5 : w->request.quality;

        codec->flags |= AV_CODEC_FLAG_QSCALE;
        codec->global_quality = FF_QP2LAMBDA * (quantiser > 31 ? 31 : quantiser);
        codec->gop_size = (int)lround(fmax(w->request.frames_per_s, 1.0));
    }
}

static bool open_codec(struct video_writer *w, struct error **err)
{
    const struct codec *wanted = &codecs[w->request.codec];
    const AVCodec *encoder = avcodec_find_encoder_by_name(wanted->encoder);
    AVRational rate = av_d2q(w->request.frames_per_s, 1000000);
    AVDictionary *options = NULL;
    int code;

    if (encoder == NULL)
        return error_set(err, ERROR_OUTPUT, "%s: this build of libavcodec has no encoder %s", w->path,
                         wanted->encoder);
    w->codec = avcodec_alloc_context3(encoder);
    if (w->codec == NULL)
        return error_memory(err);
    w->codec->width = w->request.width_px;
    w->codec->height = w->request.height_px;
    w->codec->pix_fmt = wanted->pixels;
    w->codec->color_range = wanted->is_limited ? AVCOL_RANGE_MPEG : AVCOL_RANGE_JPEG;
    w->codec->framerate = rate;
    w->codec->time_base = w->container->stamp_hz == 0 || w->request.codec == VIDEO_MPEG4
                              ? av_inv_q(rate)
                              : (AVRational){1, (int)w->container->stamp_hz};
    if (w->format->oformat->flags & AVFMT_GLOBALHEADER)
        w->codec->flags |= AV_CODEC_FLAG_GLOBAL_HEADER;
    set_quality(w, &options);
    code = avcodec_open2(w->codec, encoder, &options);
    av_dict_free(&options);
    return code >= 0 || refuse(w, err, code);
}

static bool open_format(struct video_writer *w, struct error **err)
{
    int code = avformat_alloc_output_context2(&w->format, NULL, w->container->format, NULL);

    if (code < 0)
        return refuse(w, err, code);
    w->format->flags |= AVFMT_FLAG_BITEXACT;
    w->stream = avformat_new_stream(w->format, NULL);
    return w->stream != NULL || error_memory(err);
}

static bool begin_file(struct video_writer *w, struct error **err)
{
    int code = avcodec_parameters_from_context(w->stream->codecpar, w->codec);

    if (code < 0)
        return refuse(w, err, code);
    w->stream->time_base = w->codec->time_base;
    w->stream->avg_frame_rate = w->codec->framerate;
    code = avio_open(&w->format->pb, output_partial_path(w->out), AVIO_FLAG_WRITE);
    if (code >= 0)
        code = avformat_write_header(w->format, NULL);
    return code >= 0 || refuse(w, err, code);
}

static bool make_frame(struct video_writer *w, struct error **err)
{
    w->frame = av_frame_alloc();
    w->packet = av_packet_alloc();
    if (w->frame == NULL || w->packet == NULL)
        return error_memory(err);
    w->frame->format = w->codec->pix_fmt;
    w->frame->width = w->request.width_px;
    w->frame->height = w->request.height_px;
    w->frame->color_range = w->codec->color_range;
    return av_frame_get_buffer(w->frame, 0) >= 0 || error_memory(err);
}

bool video_writer_open(struct video_writer **writer, const char *path, enum output_existing existing,
                       const struct video_request *request, struct error **err)
{
    const struct container *container = container_of(path);
    struct video_writer *w = NULL;

    if (container == NULL)
        return error_set(err, ERROR_USAGE, "%s: the suffix says which file to write: .mp4, .avi or .mkv",
                         path);
    if ((container->codecs >> request->codec & 1u) == 0)
        return error_set(err, ERROR_USAGE, "%s: a file of this suffix does not hold %s", path,
                         codecs[request->codec].encoder);
    w = calloc(1, sizeof *w);
    if (w == NULL)
        return error_memory(err);
    w->request = *request;
    w->container = container;
    w->last_stamp = -1;
    w->path = text_copy(path);
    av_log_set_level(AV_LOG_QUIET);
    if (w->path == NULL || !output_begin(&w->out, path, existing, err) || !open_format(w, err) ||
        !open_codec(w, err) || !make_frame(w, err) || !begin_file(w, err)) {
        video_writer_abandon(&w);
        return error_memory(err); /* keeps the first error */
    }
    *writer = w;
    return true;
}

/* The quotient by 255 as sums and shifts, which is exact for all 256 values: a step of 16 bits for many at
 * once. */
static void limit_row(uint8_t *restrict row, const uint8_t *restrict luma, int n)
{
#pragma omp simd
    for (int x = 0; x < n; x++) {
        uint16_t scaled = (uint16_t)(luma[x] * (WHITE - BLACK) + 127);
        uint16_t share = (uint16_t)((scaled + 1u + (scaled >> 8)) >> 8);

        row[x] = (uint8_t)(BLACK + share);
    }
}

static void fill_frame(struct video_writer *w, const uint8_t *luma)
{
    size_t width = (size_t)w->request.width_px;

    for (int y = 0; y < w->request.height_px; y++) {
        uint8_t *row = w->frame->data[0] + (ptrdiff_t)y * w->frame->linesize[0];

        if (codecs[w->request.codec].is_limited)
            limit_row(row, luma + (size_t)y * width, w->request.width_px);
        else
            memcpy(row, luma + (size_t)y * width, width);
    }
    for (int plane = 1; plane < 3 && w->frame->data[plane] != NULL; plane++)
        for (int y = 0; y < w->request.height_px / 2; y++)
            memset(w->frame->data[plane] + (ptrdiff_t)y * w->frame->linesize[plane], NO_COLOUR,
                   (size_t)w->request.width_px / 2);
}

/* Writes what the encoder has ready; frame NULL: all that is left. */
static bool encode(struct video_writer *w, const AVFrame *frame, struct error **err)
{
    int code = avcodec_send_frame(w->codec, frame);

    while (code >= 0) {
        code = avcodec_receive_packet(w->codec, w->packet);
        if (code == AVERROR(EAGAIN) || code == AVERROR_EOF)
            return true;
        if (code < 0)
            break;
        if (w->packet->duration == 0)
            w->packet->duration = av_rescale_q(1, av_inv_q(w->codec->framerate), w->codec->time_base);
        av_packet_rescale_ts(w->packet, w->codec->time_base, w->stream->time_base);
        w->packet->stream_index = 0;
        code = av_interleaved_write_frame(w->format, w->packet);
    }
    return refuse(w, err, code);
}

bool video_writer_add(struct video_writer *w, const uint8_t *luma, double time_s, struct error **err)
{
    int64_t stamp = w->n_frames;
    int code = av_frame_make_writable(w->frame);

    if (code < 0)
        return refuse(w, err, code);
    if (w->container->stamp_hz != 0)
        stamp = llround(time_s / av_q2d(w->codec->time_base));
    if (stamp <= w->last_stamp)
        return error_set(err, ERROR_OUTPUT,
                         "%s: two frames have the same time; ask for fewer frames per second", w->path);
    fill_frame(w, luma);
    w->frame->pts = stamp;
    w->frame->quality = w->codec->global_quality;
    w->last_stamp = stamp;
    w->n_frames++;
    return encode(w, w->frame, err);
}

bool video_writer_commit(struct video_writer **writer, struct error **err)
{
    struct video_writer *w = *writer;
    bool is_good = encode(w, NULL, err);
    int code = is_good ? av_write_trailer(w->format) : 0;

    if (code < 0)
        is_good = refuse(w, err, code);
    code = avio_closep(&w->format->pb);
    if (is_good && code < 0)
        is_good = refuse(w, err, code);
    is_good = is_good && output_commit(&w->out, err);
    video_writer_abandon(writer);
    return is_good;
}

void video_writer_abandon(struct video_writer **writer)
{
    struct video_writer *w = writer == NULL ? NULL : *writer;

    if (w == NULL)
        return;
    if (w->format != NULL)
        (void)avio_closep(&w->format->pb);
    avformat_free_context(w->format);
    avcodec_free_context(&w->codec);
    av_frame_free(&w->frame);
    av_packet_free(&w->packet);
    output_abandon(&w->out);
    free(w->path);
    free(w);
    *writer = NULL;
}
