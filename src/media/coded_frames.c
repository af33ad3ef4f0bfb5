#include "media/coded_frames.h"

#include "dicom/rle.h"
#include "media/dicom_frames_internal.h"

#include <stdlib.h>

enum { CODED_SLACK_BYTES = 1 << 20 };

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

bool coded_frames_open(struct dicom_frames *frames, struct dataset *dataset, struct text_list *problems,
                       struct error **err)
{
    const struct layout *layout = &frames->layout;
    size_t n_planes = (size_t)layout->n_samples * (size_t)(layout->bits_allocated / 8);
    uint8_t *bytes = NULL;
    size_t n = 0;

    if (!find_runs(frames, dataset, problems, err) ||
        !(dicom_frames_tell_count(frames, frames->fragments.is_cut, problems) || error_memory(err)))
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
    if (!pixels_samples(picture, frames->bytes))
        return dicom_frames_made(NULL, err);
    for (size_t i = 0; i < n; i++) {
        unsigned value = ((unsigned)frames->bytes[2 * i] | (unsigned)frames->bytes[2 * i + 1] << 8) >> down;

        frames->bytes[2 * i] = (uint8_t)(value & 255U);
        frames->bytes[2 * i + 1] = (uint8_t)(value >> 8);
    }
    *frame = native_to_frame(frames->native, frames->bytes, with_colour);
    return dicom_frames_made(*frame, err);
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
    if (!native_map(frames->native, *frame, with_colour))
        frame_free(frame);
    return dicom_frames_made(*frame, err);
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
    return dicom_frames_made(*frame, err);
}

enum dicom_frame coded_frames_decode(struct dicom_frames *frames, size_t i, bool with_colour,
                                     struct frame **frame, struct error **err)
{
    if (frames->coding == CODING_RLE)
        return decode_run_lengths(frames, i, with_colour, frame, err);
    return decode_still(frames, i, with_colour, frame, err);
}

const AVFrame *coded_frames_first(struct dicom_frames *frames)
{
    size_t n = 0;

    if (frames->still == NULL || load_coded(frames, 0, &n) == NULL)
        return NULL;
    return still_decode(frames->still, true);
}
