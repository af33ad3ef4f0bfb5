#include "media/stream_internal.h"

#include "media/backend.h"
#include "media/ending.h"

#include <libavutil/display.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static void read_turn(struct stream *stream, bool *is_odd)
{
    size_t n_bytes = 0;
    const int32_t *matrix = (const int32_t *)(const void *)av_stream_get_side_data(
        stream->demuxer.track, AV_PKT_DATA_DISPLAYMATRIX, &n_bytes);
    int part[4];
    const int place[4] = {0, 1, 3, 4};

    *is_odd = false;
    if (matrix == NULL || n_bytes < 9 * sizeof *matrix)
        return;
    for (size_t i = 0; i < 4; i++) {
        part[i] = matrix[place[i]] / (1 << 16);
        if (matrix[place[i]] % (1 << 16) != 0 || abs(part[i]) > 1)
            *is_odd = true;
    }
    if (*is_odd || part[0] * part[3] - part[1] * part[2] == 0 || part[0] * part[1] != 0 ||
        part[0] * part[2] != 0) {
        *is_odd = true;
        return;
    }
    stream->reading.xx = part[0];
    stream->reading.xy = part[1];
    stream->reading.yx = part[2];
    stream->reading.yy = part[3];
}

static double rational(AVRational value)
{
    return value.num > 0 && value.den > 0 ? av_q2d(value) : 0.0;
}

static double declared_duration_s(const struct stream *stream)
{
    const AVFormatContext *context = stream->demuxer.context;
    const AVStream *track = stream->demuxer.track;

    if (stream->facts.is_bare || stream->facts.is_still)
        return -1.0;
    if (track->duration != AV_NOPTS_VALUE && track->duration > 0 &&
        context->duration_estimation_method != AVFMT_DURATION_FROM_BITRATE)
        return (double)track->duration * stream->unit_s;
    if (context->duration != AV_NOPTS_VALUE && context->duration > 0 &&
        context->duration_estimation_method != AVFMT_DURATION_FROM_BITRATE)
        return (double)context->duration / AV_TIME_BASE;
    return -1.0;
}

static void read_clock(struct stream *stream)
{
    AVStream *track = stream->demuxer.track;
    double rate_hz = rational(track->avg_frame_rate);

    if (rate_hz <= 0.0)
        rate_hz = rational(track->r_frame_rate);
    if (stream->facts.is_bare) /* libavformat invents 25/s there: only the stream's own word counts */
        rate_hz = rational(stream->decoder->framerate);
    stream->facts.period_s = rate_hz > 0.0 ? 1.0 / rate_hz : 0.0;
    if (stream->facts.is_bare)
        stream->facts.has_clock = rate_hz > 0.0;
    else
        stream->facts.has_clock = !stream->facts.is_still &&
                                  (stream->picture->best_effort_timestamp != AV_NOPTS_VALUE || rate_hz > 0.0);
}

/* A GIF says nothing of its frames: libavformat has counted those that are there. */
long stream_declared_frames(const struct stream *stream)
{
    const AVStream *track = stream->demuxer.track;
    bool is_said = track->nb_frames > 0 && strcmp(demuxer_format(&stream->demuxer), "gif") != 0;

    return is_said ? (long)track->nb_frames : -1;
}

static bool read_facts(struct stream *stream, struct error **err)
{
    AVStream *track = stream->demuxer.track;
    bool is_swapped = stream->reading.xx == 0;
    double aspect = rational(av_guess_sample_aspect_ratio(stream->demuxer.context, track, stream->picture));

    stream->facts.format = demuxer_format(&stream->demuxer);
    stream->facts.codec = avcodec_get_name(track->codecpar->codec_id);
    stream->facts.width_px = is_swapped ? stream->picture->height : stream->picture->width;
    stream->facts.height_px = is_swapped ? stream->picture->width : stream->picture->height;
    if (!backend_allows_size(stream->facts.width_px, stream->facts.height_px, err))
        return false;
    stream->facts.is_bare = demuxer_is_bare(&stream->demuxer);
    stream->facts.is_still = demuxer_is_picture(&stream->demuxer) || track->nb_frames == 1;
    stream->facts.declared_frames = stream_declared_frames(stream);
    if (stream->facts.is_still)
        stream->facts.declared_frames = 1;
    stream->facts.pixel_aspect = 1.0;
    stream->facts.is_aspect_assumed = !(aspect > 0.0);
    if (aspect > 0.0)
        stream->facts.pixel_aspect = is_swapped ? 1.0 / aspect : aspect;
    stream->facts.declared_duration_s = declared_duration_s(stream);
    stream->reading.untagged_is_limited =
        track->codecpar->codec_id == AV_CODEC_ID_H264 || track->codecpar->codec_id == AV_CODEC_ID_HEVC;
    stream->reading.is_full = pixels_seem_full(stream->picture);
    read_clock(stream);
    return true;
}

/* A coding without fields, such as MJPEG, leaves it to the container to say. */
static bool is_interlaced(const struct stream *stream)
{
    enum AVFieldOrder order = stream->demuxer.track->codecpar->field_order;

    return stream->picture->interlaced_frame || order == AV_FIELD_TT || order == AV_FIELD_BB ||
           order == AV_FIELD_TB || order == AV_FIELD_BT;
}

static bool tell_facts(const struct stream *stream, bool is_turned_oddly, struct text_list *problems)
{
    const struct stream_facts *facts = &stream->facts;
    bool fits = true;

    if (stream->demuxer.n_tracks > 1)
        fits = fits && text_list_add(problems, "the file has %d video tracks; the largest is read",
                                     stream->demuxer.n_tracks);
    if (is_turned_oddly)
        fits = fits && text_list_add(problems, "the file asks to be shown turned or stretched by other than "
                                               "quarter turns; it is read as stored");
    if (stream->reading.is_full)
        fits = fits &&
               text_list_add(problems, "the stream does not state its range of grey; its black shows that it "
                                       "is 0 to 255, and it is read so");
    if (stream->is_lenient)
        fits =
            fits && text_list_add(problems, "no picture of the stream is free of faults: all are read as far "
                                            "as they can be decoded, and damage is not told");
    if (is_interlaced(stream))
        fits =
            fits && text_list_add(problems, "the pictures are interlaced: odd and even lines were taken at "
                                            "different times, so fast motion shows as combs");
    if (fabs(facts->pixel_aspect - 1.0) > 0.001)
        fits = fits && text_list_add(problems, "the pixels are not square: width over height is %.4f",
                                     facts->pixel_aspect);
    return fits;
}

bool stream_facts_read(struct stream *stream, struct text_list *problems, struct error **err)
{
    bool is_turned_oddly = false;

    read_turn(stream, &is_turned_oddly);
    if (!read_facts(stream, err))
        return false;
    if (problems == NULL)
        return true;
    if (!tell_facts(stream, is_turned_oddly, problems))
        return error_memory(err);
    return ending_tell(stream->source, stream->facts.format, problems, err);
}
