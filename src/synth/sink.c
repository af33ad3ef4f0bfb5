#include "synth/sink.h"

#include "base/text.h"
#include "dicom/writer.h"
#include "media/writer.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

static const long DICOM_STAMP_HZ = 1000000000; /* Frame Time is written in ms with six decimals */

struct sink {
    struct video_writer *video;
    struct dicom_writer *dicom;
};

static bool is_dicom(const char *path)
{
    const char *suffix = strrchr(path, '.');

    return suffix != NULL && (strcasecmp(suffix, ".dcm") == 0 || strcasecmp(suffix, ".dicom") == 0);
}

bool sink_stamp_hz(const char *path, long *stamp_hz, struct error **err)
{
    *stamp_hz = is_dicom(path) ? DICOM_STAMP_HZ : video_writer_stamp_hz(path);
    return *stamp_hz >= 0 ||
           error_set(err, ERROR_USAGE, "%s: the suffix says which file to write: .mp4, .avi, .mkv or .dcm",
                     path);
}

static bool video_codec(const struct recipe *recipe, const char *path, enum video_codec *codec,
                        struct error **err)
{
    static const enum video_codec by_word[] = {[CODEC_H264] = VIDEO_H264,
                                               [CODEC_MPEG4] = VIDEO_MPEG4,
                                               [CODEC_MJPEG] = VIDEO_MJPEG,
                                               [CODEC_FFV1] = VIDEO_FFV1};
    const char *suffix = strrchr(path, '.');

    if (recipe->codec == CODEC_NATIVE || recipe->codec == CODEC_JPEG)
        return error_set(err, ERROR_USAGE, "--codec %s: is for .dcm only", codec_words[recipe->codec]);
    if (recipe->colour)
        return error_set(err, ERROR_USAGE, "--colour yes: is for .dcm only");
    if (recipe->codec != CODEC_AUTO)
        *codec = by_word[recipe->codec];
    else
        *codec = strcasecmp(suffix, ".avi") == 0   ? VIDEO_MJPEG
                 : strcasecmp(suffix, ".mkv") == 0 ? VIDEO_FFV1
                                                   : VIDEO_H264;
    return true;
}

static bool open_video(struct sink *sink, const char *path, enum output_existing existing,
                       const struct recipe *recipe, struct error **err)
{
    struct video_request request = {.width_px = (int)recipe->width_px,
                                    .height_px = (int)recipe->height_px,
                                    .frames_per_s = recipe->frames_per_s,
                                    .quality = (int)lround(recipe->quality)};

    return video_codec(recipe, path, &request.codec, err) &&
           video_writer_open(&sink->video, path, existing, &request, err);
}

#define MIX_NUMBER(field, option, value, low, high, summary) mix(&hash, &recipe->field, sizeof recipe->field);
#define MIX_CHOICE(field, option, value, words, summary) mix(&hash, &recipe->field, sizeof recipe->field);

/* FNV-1a, 64 bits (Fowler, Noll, Vo). */
static void mix(uint64_t *hash, const void *bytes, size_t n)
{
    for (size_t i = 0; i < n; i++)
        *hash = (*hash ^ ((const unsigned char *)bytes)[i]) * UINT64_C(0x100000001b3);
}

static uint64_t digest(const struct recipe *given)
{
    struct recipe copy = *given;
    const struct recipe *recipe = &copy;
    uint64_t hash = UINT64_C(0xcbf29ce484222325);

    copy.threads = 0; /* must not change a byte */
    RECIPE_NUMBERS(MIX_NUMBER)
    RECIPE_INTEGERS(MIX_NUMBER)
    RECIPE_CHOICES(MIX_CHOICE)
    return hash;
}

static bool open_dicom(struct sink *sink, const char *path, enum output_existing existing,
                       const struct recipe *recipe, const struct schedule *schedule,
                       const struct screen *screen, struct error **err)
{
    struct dicom_request request = {.width_px = (int)recipe->width_px,
                                    .height_px = (int)recipe->height_px,
                                    .is_jpeg = recipe->codec == CODEC_JPEG,
                                    .is_colour = recipe->colour,
                                    .jpeg_quality = 100 - (int)lround(recipe->quality),
                                    .n_frames = schedule->n,
                                    .region = screen_box(screen),
                                    .mm_per_px = screen_mm_per_px(screen),
                                    .reference_px = screen_point(screen, (struct place){0.0, 0.0}),
                                    .digest = digest(recipe)};
    double *times_s = NULL;
    char *patient_id = NULL;
    bool is_good;

    if (recipe->codec != CODEC_AUTO && recipe->codec != CODEC_NATIVE && recipe->codec != CODEC_JPEG)
        return error_set(err, ERROR_USAGE, "--codec %s: a DICOM file is written native or jpeg",
                         codec_words[recipe->codec]);
    times_s = calloc(schedule->n, sizeof *times_s);
    patient_id = text_format("SYNTH-%ld", recipe->seed);
    for (size_t i = 0; times_s != NULL && i < schedule->n; i++)
        times_s[i] = schedule->moments[i].stamp_s;
    request.times_s = times_s;
    request.patient_id = patient_id;
    is_good = times_s != NULL && patient_id != NULL
                  ? dicom_writer_open(&sink->dicom, path, existing, &request, err)
                  : error_memory(err);
    free(times_s);
    free(patient_id);
    return is_good;
}

bool sink_open(struct sink **sink, const char *path, enum output_existing existing,
               const struct recipe *recipe, const struct schedule *schedule, const struct screen *screen,
               struct error **err)
{
    struct sink *made = calloc(1, sizeof *made);
    bool is_good;

    if (made == NULL)
        return error_memory(err);
    is_good = is_dicom(path) ? open_dicom(made, path, existing, recipe, schedule, screen, err)
                             : open_video(made, path, existing, recipe, err);
    if (is_good)
        *sink = made;
    else
        sink_abandon(&made);
    return is_good;
}

bool sink_add(struct sink *sink, const uint8_t *luma, double stamp_s, struct error **err)
{
    return sink->dicom != NULL ? dicom_writer_add(sink->dicom, luma, err)
                               : video_writer_add(sink->video, luma, stamp_s, err);
}

bool sink_commit(struct sink **sink, struct error **err)
{
    bool is_good = (*sink)->dicom != NULL ? dicom_writer_commit(&(*sink)->dicom, err)
                                          : video_writer_commit(&(*sink)->video, err);

    sink_abandon(sink);
    return is_good;
}

void sink_abandon(struct sink **sink)
{
    if (sink == NULL || *sink == NULL)
        return;
    video_writer_abandon(&(*sink)->video);
    dicom_writer_abandon(&(*sink)->dicom);
    free(*sink);
    *sink = NULL;
}
