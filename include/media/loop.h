#ifndef AFTERFLASH_MEDIA_LOOP_H
#define AFTERFLASH_MEDIA_LOOP_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "base/text.h"
#include "media/frame.h"

#include <stdbool.h>
#include <stddef.h>

/* Codes of a region (PS3.3 C.8.5.5.1). */
enum { REGION_FORMAT_2D = 1 };
enum { REGION_TYPE_TISSUE = 1, REGION_TYPE_COLOUR_FLOW = 2 };
enum { REGION_UNITS_CM = 3 };

/** A region that a DICOM file calibrates (PS3.3 C.8.5.5), corners in pixels of the decoded frame. */
struct loop_region {
    struct box box;     /* as declared; may reach outside the picture */
    int spatial_format; /* (0018,6012): 1 = 2D, 2 = M-mode, 3 = spectral, 4 = wave form, 5 = graphics */
    int data_type;      /* (0018,6014): 1 = tissue, 2 = colour flow, others: spectra, curves */
    int units_x;        /* (0018,6024): 3 = cm */
    int units_y;        /* (0018,6026) */
    double delta_x;     /* (0018,602C), units per pixel, may be negative */
    double delta_y;     /* (0018,602E) */
};

/** What a loop says of itself before a frame is read. Owned by the loop. */
struct loop_facts {
    const char *path; /* as given */
    const char *file; /* its last part, the name that outputs may show */
    char sha256[65];  /* of the whole file, lower-case hex; for a numbered sequence, of all its files in order
                       */
    const char *format; /* "dicom", "mp4", "avi", "matroska", "gif", "images" ... */
    const char *codec;  /* "native", "rle", "jpeg", "h264" ... */
    int width_px;
    int height_px;
    long declared_frames;       /* what the header says; -1 where it says nothing */
    double declared_duration_s; /* -1 where it says nothing */
    bool has_clock;      /* false: frame times are not known (see problems); times are then the frame index */
    double pixel_aspect; /* width over height of a pixel; 1 where it says nothing */
    bool is_aspect_assumed; /* it says nothing, and its kind does not mean square pixels by that (DICOM does)
                             */
    struct loop_region *regions;
    size_t n_regions;
    bool has_start; /* start_s is known */
    double start_s; /* the loop's own clock, seconds since 1970 UTC or local, comparable between loops of one
                       machine */
    struct text_list problems; /* sentences; grows while frames are read */
};

enum loop_next { LOOP_FRAME, LOOP_END, LOOP_FAILED };

/** A recording, read front to back as often as wanted. Memory does not grow with its length. */
struct loop;

/** Opens a recording: DICOM (a file with DICM at byte 128, or a bare data set)
 *  through dicom/, a numbered image sequence or any whitelisted container
 *  through libavformat. Reads the headers, hashes the file.
 *
 *  loop  caller's; set on success; end with loop_close
 *  Errors: ERROR_INPUT with a sentence for a missing, empty, foreign, audio-only,
 *  pixel-less, over-large or unsupported file; ERROR_MEMORY. */
MUST_CHECK bool loop_open(struct loop **loop, const char *path, struct error **err);

/** Whether a file is a whole DICOM object of a kind that has no pictures: a directory (DICOMDIR), a
 *  report. False also for what is no DICOM, cannot be read or is broken: loop_open says what is wrong. */
MUST_CHECK bool loop_is_pictureless(const char *path);

/** What the loop says of itself; borrowed, lives as long as the loop. */
const struct loop_facts *loop_facts(const struct loop *loop);

/** Reads on to the first frame not yet passed whose time_s >= from_time_s (0: the next
 *  one). Frames between are skipped, undecoded where the stream allows it. A damaged
 *  frame is skipped and told in problems; a file that ends early ends here with
 *  LOOP_END and the loss told in problems.
 *
 *  with_colour  also fill frame->colour where the loop has colour
 *  frame        caller's; set when LOOP_FRAME is returned; end with frame_free */
MUST_CHECK enum loop_next loop_read(struct loop *loop, double from_time_s, bool with_colour,
                                    struct frame **frame, struct error **err);

/** Back to before the first frame; problems already told are not told again. */
MUST_CHECK bool loop_rewind(struct loop *loop, struct error **err);

/** Ends a loop; accepts NULL, leaves NULL. */
void loop_close(struct loop **loop);

#endif
