#include "synth/sink.h"

#include "media/writer.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

struct sink {
    struct video_writer *video;
};

bool sink_stamp_hz(const char *path, long *stamp_hz, struct error **err)
{
    *stamp_hz = video_writer_stamp_hz(path);
    return *stamp_hz >= 0 ||
           error_set(err, ERROR_USAGE, "%s: the suffix says which file to write: .mp4, .avi, .mkv or .dcm",
                     path);
}

static enum video_codec codec_of(const struct recipe *recipe, const char *path)
{
    const char *suffix = strrchr(path, '.');

    switch ((enum recipe_codec)recipe->codec) {
    case CODEC_MPEG4:
        return VIDEO_MPEG4;
    case CODEC_MJPEG:
        return VIDEO_MJPEG;
    case CODEC_FFV1:
        return VIDEO_FFV1;
    case CODEC_AUTO:
        break;
    default:
        return VIDEO_H264;
    }
    return strcasecmp(suffix, ".avi") == 0   ? VIDEO_MJPEG
           : strcasecmp(suffix, ".mkv") == 0 ? VIDEO_FFV1
                                             : VIDEO_H264;
}

bool sink_open(struct sink **sink, const char *path, enum output_existing existing,
               const struct recipe *recipe, const struct schedule *schedule, const struct screen *screen,
               struct error **err)
{
    struct video_request request = {(int)recipe->width_px, (int)recipe->height_px, recipe->frames_per_s,
                                    codec_of(recipe, path), (int)recipe->quality};
    struct sink *made = calloc(1, sizeof *made);

    (void)schedule;
    (void)screen;
    if (made == NULL)
        return error_memory(err);
    if (!video_writer_open(&made->video, path, existing, &request, err)) {
        free(made);
        return false;
    }
    *sink = made;
    return true;
}

bool sink_add(struct sink *sink, const uint8_t *luma, double stamp_s, struct error **err)
{
    return video_writer_add(sink->video, luma, stamp_s, err);
}

bool sink_commit(struct sink **sink, struct error **err)
{
    bool is_good = video_writer_commit(&(*sink)->video, err);

    sink_abandon(sink);
    return is_good;
}

void sink_abandon(struct sink **sink)
{
    if (sink == NULL || *sink == NULL)
        return;
    video_writer_abandon(&(*sink)->video);
    free(*sink);
    *sink = NULL;
}
