#include "media/dicom_frames.h"

#include "media/coded_frames.h"
#include "media/dicom_frames_internal.h"
#include "media/native_frames.h"

#include <stdlib.h>

enum { MOST_BLIND_FRAMES = 50 }; /* tried before a loop counts as undecodable */

bool dicom_frames_tell_count(const struct dicom_frames *frames, bool is_cut, struct text_list *problems)
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

enum dicom_frame dicom_frames_made(const struct frame *frame, struct error **err)
{
    if (frame != NULL)
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
        result = native_frames_decode(frames, i, with_colour, frame, err);
    else
        result = coded_frames_decode(frames, i, with_colour, frame, err);
    if (result == DICOM_FRAME_DAMAGED && extents_failed(frames->file, err))
        result = DICOM_FRAME_FAILED;
    return result;
}

/* Why not one of the first frames can be decoded. */
static bool refuse_undecodable(struct dicom_frames *frames, struct error **err)
{
    const AVFrame *picture = coded_frames_first(frames);

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
        fits = native_frames_open(made, dataset, problems, err);
    else
        fits = coded_frames_open(made, dataset, problems, err);
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
