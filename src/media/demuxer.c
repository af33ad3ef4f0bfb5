#include "media/demuxer.h"

#include <libavutil/mem.h>
#include <stdio.h>
#include <string.h>

enum { IO_BYTES = 1 << 16 };

struct format_row {
    const char *libav; /* first of libavformat's names */
    const char *label;
    bool is_bare;
    bool is_picture;
};

/* Formats that scanners, capture cards and picture archives write; no playlist, no network. */
static const struct format_row formats[] = {
    {"mov", "mp4", false, false},
    {"avi", "avi", false, false},
    {"matroska", "matroska", false, false},
    {"asf", "asf", false, false},
    {"mpeg", "mpeg", false, false},
    {"mpegts", "mpegts", false, false},
    {"gif", "gif", false, false},
    {"dv", "dv", false, false},
    {"mpegvideo", "mpegvideo", true, false},
    {"m4v", "m4v", true, false},
    {"h264", "h264", true, false},
    {"hevc", "hevc", true, false},
    {"mjpeg", "mjpeg", true, false},
    {"png_pipe", "png", false, true},
    {"jpeg_pipe", "jpeg", false, true},
    {"bmp_pipe", "bmp", false, true},
    {"tiff_pipe", "tiff", false, true},
    {"j2k_pipe", "jpeg2000", false, true},
};

/* Software decoders, by name, so that no wrapper of a device is ever picked. */
static const struct {
    enum AVCodecID id;
    const char *decoder;
} codecs[] = {
    {AV_CODEC_ID_H264, "h264"},
    {AV_CODEC_ID_HEVC, "hevc"},
    {AV_CODEC_ID_MPEG4, "mpeg4"},
    {AV_CODEC_ID_MSMPEG4V1, "msmpeg4v1"},
    {AV_CODEC_ID_MSMPEG4V2, "msmpeg4v2"},
    {AV_CODEC_ID_MSMPEG4V3, "msmpeg4"},
    {AV_CODEC_ID_MPEG1VIDEO, "mpeg1video"},
    {AV_CODEC_ID_MPEG2VIDEO, "mpeg2video"},
    {AV_CODEC_ID_MJPEG, "mjpeg"},
    {AV_CODEC_ID_MJPEGB, "mjpegb"},
    {AV_CODEC_ID_WMV1, "wmv1"},
    {AV_CODEC_ID_WMV2, "wmv2"},
    {AV_CODEC_ID_WMV3, "wmv3"},
    {AV_CODEC_ID_VC1, "vc1"},
    {AV_CODEC_ID_MSS2, "mss2"},
    {AV_CODEC_ID_H263, "h263"},
    {AV_CODEC_ID_VP8, "vp8"},
    {AV_CODEC_ID_VP9, "vp9"},
    {AV_CODEC_ID_AV1, "libdav1d"},
    {AV_CODEC_ID_FFV1, "ffv1"},
    {AV_CODEC_ID_RAWVIDEO, "rawvideo"},
    {AV_CODEC_ID_HUFFYUV, "huffyuv"},
    {AV_CODEC_ID_FFVHUFF, "ffvhuff"},
    {AV_CODEC_ID_UTVIDEO, "utvideo"},
    {AV_CODEC_ID_LAGARITH, "lagarith"},
    {AV_CODEC_ID_MAGICYUV, "magicyuv"},
    {AV_CODEC_ID_PRORES, "prores"},
    {AV_CODEC_ID_DNXHD, "dnxhd"},
    {AV_CODEC_ID_DVVIDEO, "dvvideo"},
    {AV_CODEC_ID_CINEPAK, "cinepak"},
    {AV_CODEC_ID_MSVIDEO1, "msvideo1"},
    {AV_CODEC_ID_MSRLE, "msrle"},
    {AV_CODEC_ID_QTRLE, "qtrle"},
    {AV_CODEC_ID_SVQ1, "svq1"},
    {AV_CODEC_ID_SVQ3, "svq3"},
    {AV_CODEC_ID_TSCC, "camtasia"},
    {AV_CODEC_ID_CSCD, "camstudio"},
    {AV_CODEC_ID_PNG, "png"},
    {AV_CODEC_ID_GIF, "gif"},
    {AV_CODEC_ID_BMP, "bmp"},
    {AV_CODEC_ID_TIFF, "tiff"},
    {AV_CODEC_ID_JPEG2000, "libopenjpeg"},
    {AV_CODEC_ID_JPEGLS, "jpegls"},
    {AV_CODEC_ID_INDEO3, "indeo3"},
    {AV_CODEC_ID_INDEO5, "indeo5"},
    {AV_CODEC_ID_V210, "v210"},
};

struct source {
    struct extents *extents;
    uint64_t at;
};

static int read_source(void *opaque, uint8_t *bytes, int n)
{
    struct source *source = opaque;
    ptrdiff_t got = extents_read(source->extents, source->at, bytes, (size_t)n);

    if (got < 0)
        return AVERROR(EIO);
    if (got == 0)
        return AVERROR_EOF;
    source->at += (uint64_t)got;
    return (int)got;
}

static int64_t seek_source(void *opaque, int64_t to, int whence)
{
    struct source *source = opaque;
    int64_t size = (int64_t)extents_bytes(source->extents);
    int64_t at = to;

    whence &= ~AVSEEK_FORCE;
    if (whence == AVSEEK_SIZE)
        return size;
    if (whence == SEEK_CUR)
        at = (int64_t)source->at + to;
    else if (whence == SEEK_END)
        at = size + to;
    else if (whence != SEEK_SET)
        return AVERROR(EINVAL);
    if (at < 0)
        return AVERROR(EINVAL);
    source->at = (uint64_t)at;
    return at;
}

static int refuse_open(AVFormatContext *context, AVIOContext **io, const char *url, int flags,
                       AVDictionary **options)
{
    (void)context;
    (void)io;
    (void)url;
    (void)flags;
    (void)options;
    return AVERROR(EACCES);
}

static const struct format_row *format_row(const AVInputFormat *format)
{
    size_t n = strcspn(format->name, ",");

    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++) {
        if (strlen(formats[i].libav) == n && strncmp(formats[i].libav, format->name, n) == 0)
            return &formats[i];
    }
    return NULL;
}

const AVCodec *demuxer_decoder(enum AVCodecID id)
{
    for (size_t i = 0; i < sizeof codecs / sizeof codecs[0]; i++) {
        if (codecs[i].id == id)
            return avcodec_find_decoder_by_name(codecs[i].decoder);
    }
    return NULL;
}

static bool io_begin(struct demuxer *demuxer, struct extents *extents, struct error **err)
{
    struct source *source = av_mallocz(sizeof *source);
    unsigned char *room = av_malloc(IO_BYTES);

    if (source != NULL)
        source->extents = extents;
    if (source != NULL && room != NULL)
        demuxer->io = avio_alloc_context(room, IO_BYTES, 0, source, read_source, NULL, seek_source);
    if (demuxer->io == NULL) {
        av_free(source);
        av_free(room);
        return error_memory(err);
    }
    return true;
}

/* Whether the top-level boxes of an ISO base media file (ISO/IEC 14496-12, 4.2) lack `moov`. */
static bool lacks_index(struct extents *source)
{
    uint64_t at = 0;

    for (int i = 0; i < 1000; i++) {
        uint8_t head[16] = {0};
        uint64_t size = 0;

        if (extents_read(source, at, head, sizeof head) < 8)
            return true;
        if (memcmp(head + 4, "moov", 4) == 0 || memcmp(head + 4, "moof", 4) == 0)
            return false;
        size = (uint64_t)head[0] << 24 | (uint64_t)head[1] << 16 | (uint64_t)head[2] << 8 | head[3];
        if (size == 1) {
            size = 0;
            for (int k = 8; k < 16; k++)
                size = size << 8 | head[k];
        }
        if (size < 8 || size > UINT64_MAX - at)
            return true;
        at += size;
    }
    return true;
}

static bool refuse_damaged(const struct demuxer *demuxer, const AVInputFormat *format, struct extents *source,
                           struct error **err)
{
    (void)demuxer;
    if (strncmp(format->name, "mov", 3) == 0 && lacks_index(source))
        return error_set(err, ERROR_INPUT,
                         "the recording was not finished: its index (moov) is missing, so no picture can be "
                         "found in it; export it again");
    return error_set(err, ERROR_INPUT, "the %s file is damaged at its start and cannot be opened",
                     format_row(format)->label);
}

static bool open_context(struct demuxer *demuxer, struct extents *source, struct error **err)
{
    const AVInputFormat *format = NULL;
    int status = av_probe_input_buffer2(demuxer->io, &format, "", NULL, 0, 0);

    if (extents_failed(source, err))
        return false;
    if (status < 0 || format == NULL || format_row(format) == NULL)
        return error_set(
            err, ERROR_INPUT,
            "this is neither DICOM nor a video or picture of a kind that is read (MP4, MOV, AVI, "
            "MKV, WMV, MPEG, GIF, PNG, JPEG, BMP, TIFF)");
    demuxer->context = avformat_alloc_context();
    if (demuxer->context == NULL)
        return error_memory(err);
    demuxer->context->pb = demuxer->io;
    demuxer->context->flags |= AVFMT_FLAG_CUSTOM_IO;
    demuxer->context->io_open = refuse_open;
    status = avformat_open_input(&demuxer->context, "", format, NULL);
    if (status == AVERROR(ENOMEM))
        return error_memory(err);
    if (extents_failed(source, err))
        return false;
    if (status < 0)
        return refuse_damaged(demuxer, format, source, err);
    return true;
}

static bool is_moving(const AVStream *track)
{
    return track->codecpar->codec_type == AVMEDIA_TYPE_VIDEO &&
           (track->disposition & (AV_DISPOSITION_ATTACHED_PIC | AV_DISPOSITION_TIMED_THUMBNAILS)) == 0;
}

static bool pick_track(struct demuxer *demuxer, struct error **err)
{
    int64_t most = -1;
    bool has_sound = false;

    for (unsigned i = 0; i < demuxer->context->nb_streams; i++) {
        AVStream *track = demuxer->context->streams[i];
        int64_t area = (int64_t)track->codecpar->width * track->codecpar->height;

        has_sound = has_sound || track->codecpar->codec_type == AVMEDIA_TYPE_AUDIO;
        if (!is_moving(track))
            continue;
        demuxer->n_tracks++;
        if (area > most) {
            most = area;
            demuxer->track = track;
        }
    }
    if (demuxer->track == NULL)
        return error_set(err, ERROR_INPUT,
                         has_sound ? "the file holds sound but no pictures" : "the file holds no pictures");
    for (unsigned i = 0; i < demuxer->context->nb_streams; i++) {
        if (demuxer->context->streams[i] != demuxer->track)
            demuxer->context->streams[i]->discard = AVDISCARD_ALL;
    }
    demuxer->codec = demuxer_decoder(demuxer->track->codecpar->codec_id);
    if (demuxer->codec == NULL)
        return error_set(err, ERROR_INPUT,
                         "its pictures are coded as \"%s\", which is not read; convert it to H.264",
                         avcodec_get_name(demuxer->track->codecpar->codec_id));
    return true;
}

/* libavformat opens decoders of its own to look at the tracks: only those of the list */
static char *decoder_names(void)
{
    char names[2048] = "";
    size_t n = 0;

    for (size_t i = 0; i < sizeof codecs / sizeof codecs[0]; i++)
        n += (size_t)snprintf(names + n, sizeof names - n, "%s%s", i == 0 ? "" : ",", codecs[i].decoder);
    return av_strdup(names);
}

bool demuxer_open(struct demuxer *demuxer, struct extents *source, struct error **err)
{
    *demuxer = (struct demuxer){0};
    if (!io_begin(demuxer, source, err) || !open_context(demuxer, source, err))
        return false;
    demuxer->context->codec_whitelist = decoder_names();
    if (demuxer->context->codec_whitelist == NULL)
        return error_memory(err);
    if (avformat_find_stream_info(demuxer->context, NULL) < 0 && demuxer->context->nb_streams == 0)
        return error_set(err, ERROR_INPUT, "the %s file is damaged: nothing in it can be recognised",
                         demuxer_format(demuxer));
    return !extents_failed(source, err) && pick_track(demuxer, err);
}

const char *demuxer_format(const struct demuxer *demuxer)
{
    const struct format_row *row = format_row(demuxer->context->iformat);
    const AVDictionaryEntry *brand = av_dict_get(demuxer->context->metadata, "major_brand", NULL, 0);

    if (strcmp(row->libav, "mov") == 0 && brand != NULL && strncmp(brand->value, "qt", 2) == 0)
        return "mov";
    return row->label;
}

bool demuxer_is_bare(const struct demuxer *demuxer)
{
    return format_row(demuxer->context->iformat)->is_bare;
}

bool demuxer_is_picture(const struct demuxer *demuxer)
{
    return format_row(demuxer->context->iformat)->is_picture;
}

void demuxer_close(struct demuxer *demuxer)
{
    avformat_close_input(&demuxer->context);
    if (demuxer->io != NULL) {
        av_free(demuxer->io->opaque);
        av_freep(&demuxer->io->buffer);
    }
    avio_context_free(&demuxer->io);
    *demuxer = (struct demuxer){0};
}
