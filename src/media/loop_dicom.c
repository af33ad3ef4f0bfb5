#include "media/backend.h"

#include "base/extents.h"
#include "dicom/clock.h"
#include "dicom/dataset.h"
#include "dicom/fragments.h"
#include "dicom/layout.h"
#include "media/dicom_frames.h"
#include "media/digest.h"
#include "media/problem.h"
#include "media/stream.h"

#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* DICM at byte 128 (PS3.10, 7.1), or a data set without preamble: a tag of group 0002 or
 * 0008 with an explicit VR or a short implicit length, little or big endian */
static bool is_bare_data_set(const unsigned char *head)
{
    bool is_little = (head[0] == 2 || head[0] == 8) && head[1] == 0 && head[3] == 0;
    bool is_big = head[0] == 0 && (head[1] == 2 || head[1] == 8) && head[2] == 0;
    bool is_explicit = head[4] >= 'A' && head[4] <= 'Z' && head[5] >= 'A' && head[5] <= 'Z';
    bool is_implicit = head[6] == 0 && head[7] == 0 && head[5] == 0;

    return (is_little && (is_explicit || is_implicit)) ||
           (is_big && (is_explicit || (head[4] == 0 && head[5] == 0)));
}

static bool takes(const char *path)
{
    unsigned char head[132] = {0};
    int file = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    ssize_t got = file < 0 ? -1 : pread(file, head, sizeof head, 0);

    if (file >= 0)
        (void)close(file);
    if (got >= 132 && memcmp(head + 128, "DICM", 4) == 0)
        return true;
    return got >= 8 && is_bare_data_set(head);
}

struct dicom {
    struct dataset *dataset;
    struct extents *file;
    struct layout layout;
    struct clock clock;
    struct dicom_frames *frames; /* frames coded one by one, or */
    struct extents *video;       /* the stream inside */
    struct stream *stream;
    size_t next;      /* frame to be read */
    size_t n_damaged; /* met since the beginning */
    struct problem damaged, miscounted;
};

/* SOP classes that ultrasound machines and capture cards write (PS3.4, annex B.5; the first two of US
 * retired) */
static const char *const classes[] = {
    "1.2.840.10008.5.1.4.1.1.6",      "1.2.840.10008.5.1.4.1.1.3",        "1.2.840.10008.5.1.4.1.1.6.1",
    "1.2.840.10008.5.1.4.1.1.3.1",    "1.2.840.10008.5.1.4.1.1.7",        "1.2.840.10008.5.1.4.1.1.7.1",
    "1.2.840.10008.5.1.4.1.1.7.2",    "1.2.840.10008.5.1.4.1.1.7.3",      "1.2.840.10008.5.1.4.1.1.7.4",
    "1.2.840.10008.5.1.4.1.1.77.1.1", "1.2.840.10008.5.1.4.1.1.77.1.1.1", "1.2.840.10008.5.1.4.1.1.77.1.2.1",
    "1.2.840.10008.5.1.4.1.1.77.1.4", "1.2.840.10008.5.1.4.1.1.77.1.4.1",
};

enum { MOST_REGIONS = 64 };

static const uint32_t REGIONS = DICOM_TAG(0x0018, 0x6011);

static bool has_no_pictures(const struct dataset *dataset)
{
    return !dataset_pixel_data(dataset).is_there && dataset_coding(dataset) != CODING_UNKNOWN;
}

static bool is_pictureless(const char *path)
{
    struct dataset *dataset = NULL;
    struct error *err = NULL;
    bool is_so = dataset_open(&dataset, path, &err) && has_no_pictures(dataset);

    error_free(&err);
    dataset_close(&dataset);
    return is_so;
}

static bool check_kind(struct dicom *dicom, struct text_list *problems, struct error **err)
{
    const char *uid = dataset_class_uid(dicom->dataset);
    const char *uid_of_syntax = dataset_syntax_uid(dicom->dataset);
    const char *name = dataset_syntax_name(dicom->dataset);
    bool is_named = strcmp(uid_of_syntax, name) != 0;
    bool is_known = false;

    if (has_no_pictures(dicom->dataset))
        return error_set(err, ERROR_INPUT, "the DICOM file holds no pictures (it is of the kind \"%s\")",
                         uid[0] == '\0' ? "unknown" : dataset_class_name(dicom->dataset));
    if (dataset_coding(dicom->dataset) == CODING_UNKNOWN)
        return error_set(
            err, ERROR_INPUT,
            "the DICOM file is coded in the transfer syntax %s%s%s, which is not read; have it exported "
            "or converted to Explicit VR Little Endian (1.2.840.10008.1.2.1)",
            uid_of_syntax, is_named ? ", " : "", is_named ? name : "");
    for (size_t i = 0; i < sizeof classes / sizeof classes[0]; i++)
        is_known = is_known || strcmp(uid, classes[i]) == 0;
    if (!is_known && !text_list_add(problems,
                                    "this is no ultrasound or video object but \"%s\": check that the right "
                                    "file was given",
                                    uid[0] == '\0' ? "a DICOM object of unknown kind"
                                                   : dataset_class_name(dicom->dataset)))
        return error_memory(err);
    if (dataset_is_mended(dicom->dataset) &&
        !text_list_add(problems, "the DICOM header has faults that were passed over"))
        return error_memory(err);
    return true;
}

static int corner(const struct dataset *dataset, size_t item, uint32_t tag)
{
    double value = 0.0;

    (void)dataset_item_number(dataset, REGIONS, item, tag, &value);
    return (int)fmax(-1e9, fmin(1e9, value));
}

/* PS3.3, C.8.5.5 */
static bool read_regions(const struct dataset *dataset, struct loop_facts *facts, struct error **err)
{
    size_t n = dataset_n_items(dataset, REGIONS);

    if (n > MOST_REGIONS)
        n = MOST_REGIONS;
    if (n == 0)
        return true;
    facts->regions = calloc(n, sizeof *facts->regions);
    if (facts->regions == NULL)
        return error_memory(err);
    facts->n_regions = n;
    for (size_t i = 0; i < n; i++) {
        struct loop_region *region = &facts->regions[i];

        region->box.left_px = corner(dataset, i, DICOM_TAG(0x0018, 0x6018));
        region->box.top_px = corner(dataset, i, DICOM_TAG(0x0018, 0x601a));
        region->box.right_px = corner(dataset, i, DICOM_TAG(0x0018, 0x601c));
        region->box.bottom_px = corner(dataset, i, DICOM_TAG(0x0018, 0x601e));
        region->spatial_format = corner(dataset, i, DICOM_TAG(0x0018, 0x6012));
        region->data_type = corner(dataset, i, DICOM_TAG(0x0018, 0x6014));
        region->units_x = corner(dataset, i, DICOM_TAG(0x0018, 0x6024));
        region->units_y = corner(dataset, i, DICOM_TAG(0x0018, 0x6026));
        (void)dataset_item_number(dataset, REGIONS, i, DICOM_TAG(0x0018, 0x602c), &region->delta_x);
        (void)dataset_item_number(dataset, REGIONS, i, DICOM_TAG(0x0018, 0x602e), &region->delta_y);
    }
    return true;
}

static const char *codec_name(enum dataset_coding coding)
{
    static const char *const names[] = {
        [CODING_UNKNOWN] = "unknown",  [CODING_NATIVE] = "native",   [CODING_RLE] = "rle",
        [CODING_JPEG] = "jpeg",        [CODING_JPEG_LS] = "jpeg-ls", [CODING_JPEG_2000] = "jpeg2000",
        [CODING_MPEG2] = "mpeg2video", [CODING_H264] = "h264",       [CODING_HEVC] = "hevc",
    };

    return names[coding];
}

static bool is_video(enum dataset_coding coding)
{
    return coding == CODING_MPEG2 || coding == CODING_H264 || coding == CODING_HEVC;
}

static double time_of(const void *owner, size_t index)
{
    return clock_time_s(owner, index);
}

static bool open_video(struct dicom *dicom, const char *path, struct text_list *problems, struct error **err)
{
    struct fragments fragments = {0};
    bool fits = fragments_read(&fragments, dicom->file, dataset_pixel_data(dicom->dataset), err) &&
                extents_open(&dicom->video, path, err);

    for (size_t i = 0; fits && i < fragments.n; i++)
        fits = extents_add(dicom->video, fragments.items[i].offset, fragments.items[i].n_bytes, err);
    if (fits && fragments.is_cut) {
        uint64_t end = fragments.n == 0 ? fragments.first
                                        : fragments.items[fragments.n - 1].offset +
                                              fragments.items[fragments.n - 1].n_bytes;

        /* what is left of the last fragment: a stream can be read as far as it goes */
        fits = extents_add(dicom->video, end + 8, UINT64_MAX / 2, err);
        if (fits &&
            !text_list_add(problems, "the file ends early: the video inside is read as far as it goes"))
            fits = error_memory(err);
    }
    if (fits && extents_bytes(dicom->video) == 0)
        fits = error_set(err, ERROR_INPUT, "the DICOM file ends before its video begins");
    fragments_free(&fragments);
    return fits && stream_open(&dicom->stream, dicom->video, problems, err);
}

/* The clock of a video inside: DICOM's where it has one, else the stream's own. */
static bool set_video_clock(struct dicom *dicom, struct loop_facts *facts, struct error **err)
{
    const struct stream_facts *inside = stream_facts(dicom->stream);

    facts->codec = inside->codec;
    if (inside->width_px != facts->width_px || inside->height_px != facts->height_px) {
        if (!text_list_add(&facts->problems,
                           "the header says %d x %d pixels, the video inside has %d x %d; the video is "
                           "believed",
                           facts->width_px, facts->height_px, inside->width_px, inside->height_px))
            return error_memory(err);
        facts->width_px = inside->width_px;
        facts->height_px = inside->height_px;
    }
    if (facts->has_clock) {
        double step_s = clock_time_s(&dicom->clock, 1);

        if (inside->has_clock && fabs(inside->period_s - step_s) > 0.02 * step_s &&
            dicom->clock.times_s == NULL &&
            !text_list_add(&facts->problems,
                           "the header says %.4g ms between frames, the video inside %.4g ms; the "
                           "header is believed",
                           1e3 * step_s, 1e3 * inside->period_s))
            return error_memory(err);
        stream_set_clock(dicom->stream, time_of, &dicom->clock);
        return true;
    }
    facts->has_clock = inside->has_clock;
    if (inside->has_clock &&
        !text_list_add(&facts->problems,
                       "the DICOM header gives no frame times; those of the video inside are used: "
                       "check them"))
        return error_memory(err);
    return true;
}

static bool open_parts(struct dicom *dicom, const char *path, struct loop_facts *facts, struct error **err)
{
    struct text_list *problems = &facts->problems;
    size_t n_frames = 0;

    if (!extents_open(&dicom->file, path, err) ||
        !extents_add(dicom->file, 0, extents_file_bytes(dicom->file), err) ||
        !dataset_open(&dicom->dataset, path, err) || !check_kind(dicom, problems, err) ||
        !layout_read(&dicom->layout, dicom->dataset, err) ||
        !backend_allows_size(dicom->layout.columns, dicom->layout.rows, err))
        return false;
    facts->format = "dicom";
    facts->codec = codec_name(dataset_coding(dicom->dataset));
    facts->width_px = (int)dicom->layout.columns;
    facts->height_px = (int)dicom->layout.rows;
    facts->declared_frames = dicom->layout.declared_frames;
    facts->pixel_aspect = dicom->layout.pixel_aspect;
    if (is_video(dataset_coding(dicom->dataset))) {
        if (!open_video(dicom, path, problems, err))
            return false;
        n_frames = dicom->layout.declared_frames > 0 ? (size_t)dicom->layout.declared_frames : 2;
    } else {
        if (!dicom_frames_open(&dicom->frames, dicom->dataset, &dicom->layout, dicom->file, problems, err))
            return false;
        n_frames = dicom_frames_count(dicom->frames);
    }
    if (!clock_read(&dicom->clock, dicom->dataset, n_frames, facts->declared_frames, problems, err))
        return false;
    facts->has_clock = dicom->clock.is_known;
    facts->declared_duration_s = dicom->clock.declared_duration_s;
    facts->has_start = dicom->clock.has_start;
    facts->start_s = dicom->clock.start_s;
    if (n_frames == 1 &&
        !text_list_add(problems, facts->declared_frames > 1
                                     ? "only one picture of this loop is there: it has no time"
                                     : "this is one still picture: it has no time"))
        return error_memory(err);
    if (fabs(facts->pixel_aspect - 1.0) > 0.001 &&
        !text_list_add(problems, "the pixels are not square: width over height is %.4f", facts->pixel_aspect))
        return error_memory(err);
    if (!read_regions(dicom->dataset, facts, err) ||
        (dicom->stream != NULL && !set_video_clock(dicom, facts, err)))
        return false;
    if (n_frames > 1 && !facts->has_clock &&
        !text_list_add(problems,
                       "the file does not say when its frames were taken: frames are counted, times are "
                       "not known"))
        return error_memory(err);
    return true;
}

static bool dicom_open(void **state, const char *path, struct loop_facts *facts, struct error **err)
{
    struct dicom *dicom = calloc(1, sizeof *dicom);

    if (dicom == NULL)
        return error_memory(err);
    *state = dicom;
    return open_parts(dicom, path, facts, err);
}

static enum loop_next end_frames(struct dicom *dicom, struct text_list *problems, struct error **err)
{
    if (problem_tell(&dicom->damaged, problems, (long)dicom->n_damaged,
                     "%zu frame(s) are damaged and left out; the times of the others are kept",
                     dicom->n_damaged))
        return LOOP_END;
    (void)error_memory(err);
    return LOOP_FAILED;
}

static enum loop_next read_frames(struct dicom *dicom, double from_time_s, bool with_colour,
                                  struct frame **frame, struct text_list *problems, struct error **err)
{
    size_t n = dicom_frames_count(dicom->frames);

    for (;;) {
        enum dicom_frame result = DICOM_FRAME_DAMAGED;

        while (dicom->next < n && clock_time_s(&dicom->clock, dicom->next) < from_time_s - 1e-6)
            dicom->next++;
        if (dicom->next >= n)
            return end_frames(dicom, problems, err);
        result = dicom_frames_decode(dicom->frames, dicom->next, with_colour, frame, err);
        if (result == DICOM_FRAME_FAILED)
            return LOOP_FAILED;
        if (result == DICOM_FRAME_WHOLE) {
            (*frame)->index = dicom->next - dicom->n_damaged;
            (*frame)->time_s = clock_time_s(&dicom->clock, dicom->next);
            dicom->next++;
            return LOOP_FRAME;
        }
        dicom->next++;
        dicom->n_damaged++;
    }
}

static enum loop_next dicom_read(void *state, struct loop_facts *facts, double from_time_s, bool with_colour,
                                 struct frame **frame, struct error **err)
{
    struct dicom *dicom = state;
    enum loop_next next = LOOP_END;
    long seen = 0;

    if (dicom->stream == NULL)
        return read_frames(dicom, from_time_s, with_colour, frame, &facts->problems, err);
    next = stream_read(dicom->stream, from_time_s, with_colour, frame, &facts->problems, err);
    seen = stream_frames_seen(dicom->stream);
    if (next != LOOP_END || facts->declared_frames < 0 || seen == facts->declared_frames ||
        problem_tell(&dicom->miscounted, &facts->problems, 1,
                     "Number of Frames says %ld, the video inside has %ld whole frames",
                     facts->declared_frames, seen))
        return next;
    (void)error_memory(err);
    return LOOP_FAILED;
}

static bool dicom_rewind(void *state, struct loop_facts *facts, struct error **err)
{
    struct dicom *dicom = state;

    (void)facts;
    dicom->next = 0;
    dicom->n_damaged = 0;
    return dicom->stream == NULL || stream_rewind(dicom->stream, err);
}

static bool dicom_hash(void *state, char hex[65], struct error **err)
{
    struct dicom *dicom = state;

    return digest_extents(dicom->file, hex, err);
}

static void dicom_close(void *state)
{
    struct dicom *dicom = state;

    if (dicom == NULL)
        return;
    stream_close(&dicom->stream);
    extents_close(&dicom->video);
    dicom_frames_close(&dicom->frames);
    clock_free(&dicom->clock);
    dataset_close(&dicom->dataset);
    extents_close(&dicom->file);
    free(dicom);
}

const struct backend dicom_backend = {
    .takes = takes,
    .is_pictureless = is_pictureless,
    .open = dicom_open,
    .read = dicom_read,
    .rewind = dicom_rewind,
    .hash = dicom_hash,
    .close = dicom_close,
};
