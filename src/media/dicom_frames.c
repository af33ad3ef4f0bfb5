#include "media/dicom_frames.h"

#include "dicom/fragments.h"
#include "dicom/rle.h"
#include "media/native.h"
#include "media/pixels.h"
#include "media/still.h"

#include <stdlib.h>
#include <string.h>

enum {
    CHUNK_BYTES = 1 << 16,
    MOST_BLIND_FRAMES = 50, /* tried before a loop counts as undecodable */
    CODED_SLACK_BYTES = 1 << 20,
};

struct dicom_frames {
    struct extents *file;  /* borrowed */
    struct extents *spool; /* the inflated pixel data of a deflated file, or NULL */
    struct layout layout;
    enum dataset_coding coding;
    size_t n;
    /* native */
    uint64_t offset;
    uint64_t n_bytes; /* from offset to the end of the pixel data that are there */
    bool is_swapped;  /* 8-bit samples in big-endian words */
    /* encapsulated */
    struct fragments fragments;
    struct fragment_run *runs;
    struct still *still;
    struct pixels_reading reading;
    bool is_lenient;
    int precision; /* bits of a sample in a JPEG or JPEG-LS stream */
    /* room */
    struct native *native;
    uint8_t *coded;
    uint8_t *bytes;
};

static bool tell_count(const struct dicom_frames *frames, bool is_cut, struct text_list *problems)
{
    long said = frames->layout.declared_frames;

    if (is_cut && said > 0)
        return text_list_add(problems,
                             "the file ends early: Number of Frames says %ld, %zu whole frames are there",
                             said, frames->n);
    if (is_cut)
        return text_list_add(problems, "the file ends early: %zu whole frames are there", frames->n);
    if (said >= 0 && (size_t)said != frames->n)
        return text_list_add(problems,
                             "Number of Frames says %ld, %zu whole frames are there; these are read", said,
                             frames->n);
    if (said < 0 && frames->n > 1)
        return text_list_add(problems, "the file does not say how many frames it has; %zu are there",
                             frames->n);
    return true;
}

/* The rest of a deflated file into an unnamed file, so that its frames can be had one by one. */
static bool inflate(struct dicom_frames *frames, struct dataset *dataset, struct error **err)
{
    size_t declared = frames->layout.declared_frames > 0 ? (size_t)frames->layout.declared_frames : 1;
    uint64_t most = (uint64_t)layout_frame_bytes(&frames->layout) * declared;
    uint64_t done = 0;
    uint8_t *chunk = malloc(CHUNK_BYTES);
    bool fits = chunk != NULL && extents_open_unnamed(&frames->spool, err);

    while (fits && done < most) {
        size_t wanted = most - done < CHUNK_BYTES ? (size_t)(most - done) : CHUNK_BYTES;
        size_t got = dataset_inflate(dataset, chunk, wanted);

        if (got == 0)
            break;
        fits = extents_append(frames->spool, chunk, got, err);
        done += got;
    }
    free(chunk);
    frames->n_bytes = done;
    return fits || error_memory(err);
}

static struct extents *native_file(const struct dicom_frames *frames)
{
    return frames->spool != NULL ? frames->spool : frames->file;
}

/* Bytes of a frame, those of 8-bit samples in big-endian words put in order. */
static bool load_native(struct dicom_frames *frames, size_t i, uint8_t **bytes)
{
    size_t n = layout_frame_bytes(&frames->layout);
    uint64_t at = (uint64_t)i * n;
    size_t lead = frames->is_swapped ? (size_t)(at % 2) : 0;
    size_t wanted = n + lead + (frames->is_swapped ? (n + lead) % 2 : 0);

    if (at - lead + wanted > frames->n_bytes)
        wanted = (size_t)(frames->n_bytes - (at - lead));
    if (extents_read(native_file(frames), frames->offset + at - lead, frames->bytes, wanted) !=
        (ptrdiff_t)wanted)
        return false;
    for (size_t k = 0; frames->is_swapped && k + 1 < wanted; k += 2) {
        uint8_t first = frames->bytes[k];

        frames->bytes[k] = frames->bytes[k + 1];
        frames->bytes[k + 1] = first;
    }
    *bytes = frames->bytes + lead;
    return true;
}

static bool check_planar(struct dicom_frames *frames, struct text_list *problems, struct error **err)
{
    uint8_t *bytes = NULL;

    if (!load_native(frames, 0, &bytes) || !native_is_planar_wrong(frames->native, bytes))
        return true;
    native_swap_planar(frames->native);
    return text_list_add(
               problems,
               "Planar Configuration says that colours stand %s, the picture shows the contrary; the "
               "picture is believed",
               frames->layout.is_planar ? "plane by plane" : "pixel by pixel") ||
           error_memory(err);
}

/* Mean step between neighbouring samples of the first frame. */
static double roughness(struct dicom_frames *frames)
{
    size_t n = layout_frame_bytes(&frames->layout);
    size_t step = frames->layout.is_planar ? 1 : (size_t)frames->layout.n_samples;
    uint8_t *bytes = NULL;
    double sum = 0.0;

    if (n <= step || !load_native(frames, 0, &bytes))
        return 0.0;
    for (size_t i = 0; i + step < n; i++)
        sum += abs(bytes[i] - bytes[i + step]);
    return sum / (double)(n - step);
}

/* Some writers change the byte order of everything but the pixels. */
static bool check_swap(struct dicom_frames *frames, struct text_list *problems, struct error **err)
{
    double as_said = 0.0;

    if (!frames->is_swapped)
        return true;
    as_said = roughness(frames);
    frames->is_swapped = false;
    if (roughness(frames) < as_said)
        return text_list_add(problems,
                             "the big-endian file has its pixels in plain order; they are read so") ||
               error_memory(err);
    frames->is_swapped = true;
    return true;
}

static bool open_native(struct dicom_frames *frames, struct dataset *dataset, struct text_list *problems,
                        struct error **err)
{
    struct dataset_pixels pixels = dataset_pixel_data(dataset);
    uint64_t file_bytes = extents_file_bytes(frames->file);
    bool is_cut = false;

    if (dataset_is_deflated(dataset)) {
        if (!inflate(frames, dataset, err))
            return false;
    } else {
        if (!pixels.has_length)
            return error_set(err, ERROR_INPUT,
                             "the DICOM file contradicts itself: native pixel data without a length");
        frames->offset = pixels.offset;
        frames->n_bytes = pixels.length;
        is_cut = pixels.offset + pixels.length > file_bytes;
        if (is_cut)
            frames->n_bytes = file_bytes - pixels.offset;
        frames->is_swapped =
            pixels.is_words && dataset_is_big_endian(dataset) && frames->layout.bits_allocated == 8;
    }
    if (frames->layout.colour == LAYOUT_YBR_FULL_422 && frames->layout.declared_frames > 0) {
        struct layout full = frames->layout;

        full.colour = LAYOUT_YBR_FULL; /* some writers do not subsample what they call 422 */
        if (frames->n_bytes / layout_frame_bytes(&full) == (uint64_t)frames->layout.declared_frames)
            frames->layout = full;
    }
    frames->n = (size_t)(frames->n_bytes / layout_frame_bytes(&frames->layout));
    is_cut =
        is_cut || (frames->layout.declared_frames > 0 && frames->n < (size_t)frames->layout.declared_frames);
    if (frames->n == 0)
        return error_set(err, ERROR_INPUT,
                         "not one frame of the DICOM file is whole: a frame needs %zu bytes, %llu are there",
                         layout_frame_bytes(&frames->layout), (unsigned long long)frames->n_bytes);
    frames->bytes = malloc(layout_frame_bytes(&frames->layout) + 4);
    if (frames->bytes == NULL)
        return error_memory(err);
    return (tell_count(frames, is_cut, problems) || error_memory(err)) &&
           native_open(&frames->native, &frames->layout, dataset, err) && check_swap(frames, problems, err) &&
           check_planar(frames, problems, err);
}

static bool find_runs(struct dicom_frames *frames, struct dataset *dataset, struct text_list *problems,
                      struct error **err)
{
    uint64_t *extended = NULL;
    size_t n_extended = 0;
    bool has_bad_table = false;
    bool fits = fragments_read(&frames->fragments, frames->file, dataset_pixel_data(dataset), err);

    (void)dataset_offsets(dataset, DICOM_TAG(0x7fe0, 0x0001), &extended, &n_extended);
    fits = fits && fragments_sort(&frames->fragments, frames->file, frames->layout.declared_frames,
                                  frames->coding == CODING_RLE, extended, n_extended, &frames->runs,
                                  &frames->n, &has_bad_table, err);
    free(extended);
    if (!fits)
        return false;
    if (frames->n == 0)
        return error_set(err, ERROR_INPUT,
                         frames->fragments.is_cut
                             ? "the DICOM file ends before its first frame is whole; copy it again"
                             : "the DICOM file has pixel data without a frame in them");
    if (has_bad_table &&
        !text_list_add(problems, "the offset table does not fit the frames; they are found by their "
                                 "own beginnings"))
        return error_memory(err);
    if (frames->fragments.is_damaged &&
        !text_list_add(problems, "the pixel data are damaged after frame %zu: what follows is not read",
                       frames->n))
        return error_memory(err);
    return true;
}

static enum AVCodecID codec_of(enum dataset_coding coding)
{
    switch (coding) {
    case CODING_JPEG:
        return AV_CODEC_ID_MJPEG;
    case CODING_JPEG_LS:
        return AV_CODEC_ID_JPEGLS;
    default:
        return AV_CODEC_ID_JPEG2000;
    }
}

/* Loads the coded bytes of a frame; those of a still go into the decoder's room. */
static uint8_t *load_coded(struct dicom_frames *frames, size_t i, size_t *n)
{
    uint64_t n_run = fragments_run_bytes(&frames->fragments, frames->runs[i]);
    uint64_t most = 4 * (uint64_t)frames->layout.rows * (uint64_t)frames->layout.columns *
                        (uint64_t)frames->layout.n_samples +
                    CODED_SLACK_BYTES;
    uint8_t *room = NULL;

    if (n_run == 0 || n_run > most)
        return NULL;
    *n = (size_t)n_run;
    if (frames->still != NULL) {
        room = still_room(frames->still, *n);
    } else {
        room = realloc(frames->coded, *n);
        if (room != NULL)
            frames->coded = room;
    }
    if (room == NULL || !fragments_load(&frames->fragments, frames->file, frames->runs[i], room))
        return NULL;
    return room;
}

static bool is_tagged_rgb(const struct layout *layout)
{
    return layout->colour == LAYOUT_RGB || layout->colour == LAYOUT_YBR_WAVELET;
}

/* Whether the three planes are RGB or YCbCr: libavcodec guesses, the stream and the tag know better. */
static bool read_colours(struct dicom_frames *frames, const uint8_t *bytes, size_t n,
                         struct text_list *problems, struct error **err)
{
    enum still_colour told = STILL_COLOUR_UNTOLD;
    bool is_rgb = is_tagged_rgb(&frames->layout);

    frames->reading.is_full = true;
    if (frames->layout.n_samples != 3)
        return true;
    if (frames->coding == CODING_JPEG)
        told = still_jpeg_colour(bytes, n);
    if (told != STILL_COLOUR_UNTOLD && is_rgb != (told == STILL_COLOUR_RGB)) {
        is_rgb = told == STILL_COLOUR_RGB;
        if (!text_list_add(problems,
                           "Photometric Interpretation says %s, the JPEG stream %s; the stream is believed",
                           is_rgb ? "YBR" : "RGB", is_rgb ? "RGB" : "YBR"))
            return error_memory(err);
    }
    frames->reading.is_rgb = is_rgb;
    frames->reading.is_ybr = !is_rgb;
    return true;
}

static bool open_coded(struct dicom_frames *frames, struct dataset *dataset, struct text_list *problems,
                       struct error **err)
{
    const struct layout *layout = &frames->layout;
    size_t n_planes = (size_t)layout->n_samples * (size_t)(layout->bits_allocated / 8);
    uint8_t *bytes = NULL;
    size_t n = 0;

    if (!find_runs(frames, dataset, problems, err) ||
        !(tell_count(frames, frames->fragments.is_cut, problems) || error_memory(err)))
        return false;
    if (frames->coding == CODING_RLE) {
        if (layout->colour == LAYOUT_YBR_FULL_422)
            frames->layout.colour = LAYOUT_YBR_FULL; /* run-length coded planes are never subsampled */
        frames->bytes = malloc(n_planes * (size_t)layout->rows * (size_t)layout->columns);
        if (frames->bytes == NULL)
            return error_memory(err);
        return native_open(&frames->native, layout, dataset, err);
    }
    if (layout->colour == LAYOUT_PALETTE && layout->bits_allocated != 8 && frames->coding == CODING_JPEG_2000)
        return error_set(err, ERROR_INPUT, "JPEG 2000 pictures with a 16-bit colour palette are not read");
    if (layout->bits_allocated == 16) {
        frames->bytes = malloc(2 * (size_t)layout->rows * (size_t)layout->columns);
        if (frames->bytes == NULL)
            return error_memory(err);
    }
    if (!still_open(&frames->still, codec_of(frames->coding), err) ||
        !native_open(&frames->native, layout, dataset, err))
        return false;
    frames->reading = pixels_as_tagged();
    bytes = load_coded(frames, 0, &n);
    if (bytes != NULL && frames->coding != CODING_JPEG_2000)
        frames->precision = still_precision(bytes, n);
    return bytes == NULL || read_colours(frames, bytes, n, problems, err);
}

/* One sample of more than 8 bits: libavcodec moves the samples of a JPEG stream to the top of 16 bits; down
 * again they are what a native frame would hold. */
static enum dicom_frame map_samples(struct dicom_frames *frames, const AVFrame *picture, bool with_colour,
                                    struct frame **frame, struct error **err)
{
    size_t n = (size_t)frames->layout.rows * (size_t)frames->layout.columns;
    int down = pixels_depth(picture->format) - frames->precision;

    if (frames->precision < 1 || down < 0)
        return DICOM_FRAME_DAMAGED;
    if (pixels_samples(picture, frames->bytes)) {
        for (size_t i = 0; i < n; i++) {
            unsigned value =
                ((unsigned)frames->bytes[2 * i] | (unsigned)frames->bytes[2 * i + 1] << 8) >> down;

            frames->bytes[2 * i] = (uint8_t)(value & 255U);
            frames->bytes[2 * i + 1] = (uint8_t)(value >> 8);
        }
        *frame = native_to_frame(frames->native, frames->bytes, with_colour);
        if (*frame != NULL)
            return DICOM_FRAME_WHOLE;
    }
    (void)error_memory(err);
    return DICOM_FRAME_FAILED;
}

/* A picture whose size is not what the header says was never meant for it: PS3.5, 8.2.1 */
static enum dicom_frame decode_still(struct dicom_frames *frames, size_t i, bool with_colour,
                                     struct frame **frame, struct error **err)
{
    size_t n = 0;
    const AVFrame *picture = NULL;

    if (load_coded(frames, i, &n) == NULL)
        return DICOM_FRAME_DAMAGED;
    picture = still_decode(frames->still, frames->is_lenient);
    if (picture == NULL || picture->width != frames->layout.columns ||
        picture->height != frames->layout.rows || !pixels_can_read(picture->format))
        return DICOM_FRAME_DAMAGED;
    if (frames->layout.n_samples == 1 && frames->layout.bits_allocated == 16 &&
        frames->coding != CODING_JPEG_2000)
        return map_samples(frames, picture, with_colour, frame, err);
    if (!pixels_to_frame(frame, picture, frames->reading, with_colour, err))
        return DICOM_FRAME_FAILED;
    if (native_map(frames->native, *frame, with_colour))
        return DICOM_FRAME_WHOLE;
    frame_free(frame);
    (void)error_memory(err);
    return DICOM_FRAME_FAILED;
}

static enum dicom_frame decode_run_lengths(struct dicom_frames *frames, size_t i, bool with_colour,
                                           struct frame **frame, struct error **err)
{
    const struct layout *layout = &frames->layout;
    size_t n_planes = (size_t)layout->n_samples * (size_t)(layout->bits_allocated / 8);
    size_t n = 0;
    const uint8_t *coded = load_coded(frames, i, &n);

    if (coded == NULL ||
        !rle_decode(coded, n, frames->bytes, n_planes, (size_t)layout->rows * (size_t)layout->columns))
        return DICOM_FRAME_DAMAGED;
    *frame = native_from_planes(frames->native, frames->bytes, with_colour);
    if (*frame != NULL)
        return DICOM_FRAME_WHOLE;
    (void)error_memory(err);
    return DICOM_FRAME_FAILED;
}

static enum dicom_frame decode_native(struct dicom_frames *frames, size_t i, bool with_colour,
                                      struct frame **frame, struct error **err)
{
    uint8_t *bytes = NULL;

    if (!load_native(frames, i, &bytes))
        return extents_failed(native_file(frames), err) ? DICOM_FRAME_FAILED : DICOM_FRAME_DAMAGED;
    *frame = native_to_frame(frames->native, bytes, with_colour);
    if (*frame != NULL)
        return DICOM_FRAME_WHOLE;
    (void)error_memory(err);
    return DICOM_FRAME_FAILED;
}

enum dicom_frame dicom_frames_decode(struct dicom_frames *frames, size_t i, bool with_colour,
                                     struct frame **frame, struct error **err)
{
    enum dicom_frame result = DICOM_FRAME_DAMAGED;

    if (i >= frames->n)
        return DICOM_FRAME_DAMAGED;
    if (frames->coding == CODING_NATIVE)
        result = decode_native(frames, i, with_colour, frame, err);
    else if (frames->coding == CODING_RLE)
        result = decode_run_lengths(frames, i, with_colour, frame, err);
    else
        result = decode_still(frames, i, with_colour, frame, err);
    if (result == DICOM_FRAME_DAMAGED && extents_failed(frames->file, err))
        result = DICOM_FRAME_FAILED;
    return result;
}

/* Why not one of the first frames can be decoded. */
static bool refuse_undecodable(struct dicom_frames *frames, struct error **err)
{
    size_t n = 0;
    const AVFrame *picture = NULL;

    if (frames->still != NULL && load_coded(frames, 0, &n) != NULL)
        picture = still_decode(frames->still, true);
    if (picture != NULL &&
        (picture->width != frames->layout.columns || picture->height != frames->layout.rows))
        return error_set(
            err, ERROR_INPUT,
            "the DICOM file contradicts itself: its header says %ld x %ld pixels, its pictures have %d x %d",
            frames->layout.columns, frames->layout.rows, picture->width, picture->height);
    return error_set(err, ERROR_INPUT,
                     "no picture in the DICOM file can be decoded; it is damaged, or its pictures are "
                     "of a kind that is not read");
}

static bool try_first(struct dicom_frames *frames, struct error **err)
{
    size_t n_tries = frames->n < MOST_BLIND_FRAMES ? frames->n : MOST_BLIND_FRAMES;

    for (int k = 0; k < 2; k++) {
        frames->is_lenient = k == 1;
        for (size_t i = 0; i < n_tries; i++) {
            CLEANUP(frame_free) struct frame *frame = NULL;
            enum dicom_frame result = dicom_frames_decode(frames, i, false, &frame, err);

            if (result != DICOM_FRAME_DAMAGED)
                return result == DICOM_FRAME_WHOLE;
        }
    }
    return refuse_undecodable(frames, err);
}

bool dicom_frames_open(struct dicom_frames **frames, struct dataset *dataset, const struct layout *layout,
                       struct extents *file, struct text_list *problems, struct error **err)
{
    CLEANUP(dicom_frames_close) struct dicom_frames *made = calloc(1, sizeof *made);
    bool fits = false;

    if (made == NULL)
        return error_memory(err);
    made->file = file;
    made->layout = *layout;
    made->coding = dataset_coding(dataset);
    if (made->coding == CODING_NATIVE)
        fits = open_native(made, dataset, problems, err);
    else
        fits = open_coded(made, dataset, problems, err);
    if (!fits || !try_first(made, err))
        return false; /* NOLINT(clang-analyzer-unix.Malloc): CLEANUP ends it */
    *frames = made;
    made = NULL;
    return true;
}

size_t dicom_frames_count(const struct dicom_frames *frames)
{
    return frames->n;
}

void dicom_frames_close(struct dicom_frames **frames)
{
    if (frames == NULL || *frames == NULL)
        return;
    extents_close(&(*frames)->spool);
    fragments_free(&(*frames)->fragments);
    free((*frames)->runs);
    still_close(&(*frames)->still);
    native_close(&(*frames)->native);
    free((*frames)->coded);
    free((*frames)->bytes);
    free(*frames);
    *frames = NULL;
}
