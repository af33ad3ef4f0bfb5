#include "media/native_frames.h"

#include "media/dicom_frames_internal.h"

#include <stdlib.h>

enum { CHUNK_BYTES = 1 << 16 };

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

bool native_frames_open(struct dicom_frames *frames, struct dataset *dataset, struct text_list *problems,
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
    return (dicom_frames_tell_count(frames, is_cut, problems) || error_memory(err)) &&
           native_open(&frames->native, &frames->layout, dataset, err) && check_swap(frames, problems, err) &&
           check_planar(frames, problems, err);
}

enum dicom_frame native_frames_decode(struct dicom_frames *frames, size_t i, bool with_colour,
                                      struct frame **frame, struct error **err)
{
    uint8_t *bytes = NULL;

    if (!load_native(frames, i, &bytes))
        return extents_failed(native_file(frames), err) ? DICOM_FRAME_FAILED : DICOM_FRAME_DAMAGED;
    *frame = native_to_frame(frames->native, bytes, with_colour);
    return dicom_frames_made(*frame, err);
}
