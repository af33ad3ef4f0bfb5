#ifndef AFTERFLASH_MEASURE_FOLLOW_H
#define AFTERFLASH_MEASURE_FOLLOW_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "image/canvas.h"
#include "measure/centre_line.h"
#include "measure/stripe.h"
#include "media/loop.h"
#include "motion/tissue.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Everything that one pass along a loop tells about a stripe: how its walls move and what
 *  lies in it. Positions run from the stripe's first place to its last. */
struct follow {
    size_t n_frames;
    size_t *frame; /* index of each analysed frame in the loop */
    double *time_s;
    double *turn_rad; /* rigid motion since key 0 */
    double *shift_px; /* n_frames x 2, canvas pixels */
    float *trust;     /* of the rigid motion, 0..1 */

    size_t n_positions;      /* along the stripe */
    double *position_mm;     /* arc length from the first place */
    double *normal;          /* n_positions x 2, unit, in millimetres */
    struct point *wall;      /* n_frames x n_positions x 2: places of the two walls, canvas pixels */
    float *wall_trust;       /* n_frames x n_positions x 2 */
    float *wall_error_mm;    /* n_frames x n_positions x 2 */
    struct centre_line line; /* rest centre line in millimetres, led on past both tips */
    double line_from_mm;     /* arc length of its first place; the stripe's first place is at 0 */
    struct point *rest;      /* rest places of the walls (n_positions x 2), the two tips and the tissue beside
                                the walls (n_beside x 2), canvas pixels */
    struct point *tip;       /* n_frames x 2: first and last place, carried along by the tissue round them */
    double tip_stray_mm[2][2]; /* how far that tissue lies, on the mean of all keys, from where it lay in the
                                  first one: the mean picture, which shows the tips, shows it there. 0 for
                                  places that were given. */

    /* Tissue FOLLOW_BESIDE_MM outward of the walls, at some positions. */
    size_t n_beside;
    size_t *beside_position; /* n_beside: index of the position */
    struct point *beside;    /* n_frames x n_beside x 2, canvas pixels, as `wall` */
    float *beside_trust;     /* n_frames x n_beside x 2 */

    /* The walls led on beyond the end that is taken for the os, at the spacing of the positions: what is seen
     * of a stripe may end before it does. Laid out as positions, normals, rest places, places and trust of
     * the walls are, outward. */
    size_t n_on;
    bool on_is_last; /* beyond the last place */
    double *on_normal;
    struct point *on_rest; /* n_on x 2 */
    struct point *on;      /* n_frames x n_on x 2 */
    float *on_trust;       /* n_frames x n_on x 2 */

    /* The stripe straightened, in the moving tissue: one byte a place. */
    size_t n_rows;    /* along: row i is at row_from_mm + i * FOLLOW_STEP_MM of arc length */
    size_t n_columns; /* across: middle column on the centre line */
    double row_from_mm;
    uint8_t *strip; /* n_frames x n_rows x n_columns */
};

/** Spacing of rows and columns of the straightened stripe. */
#define FOLLOW_STEP_MM 0.4

/** How far beside the walls their tissue is followed: near enough to move with them, far enough for a patch
 *  there to share little with one on the wall. */
#define FOLLOW_BESIDE_MM 4.5

enum { FOLLOW_MOST_POSITIONS = 64, FOLLOW_ON = 7 };

/** Which frames of a loop to follow a stripe through, and who wants to know how far it is. */
struct follow_span {
    size_t first, end; /* frames [first, end) */
    bool os_is_last;   /* the stripe's last place is taken for the os */
    bool
        is_given[2]; /* its first and last place were marked in the first key, not seen in the mean picture */
    double least_step_s;                          /* at most one frame every so many seconds */
    void (*progress)(void *context, double part); /* called with 0..1 now and then; may be NULL */
    void *progress_context;
};

/** Follows a stripe through a span of a loop.
 *
 *  loop     read from its start
 *  tissue   its keys; its points are set anew and it is settled
 *  follow   overwritten; end with follow_free
 *  Errors: those of loop_read; ERROR_MEMORY. */
MUST_CHECK bool follow_stripe(struct follow *follow, struct loop *loop, const struct follow_span *span,
                              const struct canvas *canvas, struct tissue *tissue,
                              const struct stripe_fit *fit, struct error **err);

/** Place in canvas pixels, at a frame, of the point at arc length along_mm and distance
 *  across_mm from the centre line, carried along by the tissue. */
struct point follow_place(const struct follow *follow, const struct canvas *canvas, size_t frame,
                          double along_mm, double across_mm);

/** Standard error of follow_place along the stripe: how far the walls near arc length along_mm disagree about
 *  their movement along it since rest. */
double follow_carry_error_mm(const struct follow *follow, const struct canvas *canvas, size_t frame,
                             double along_mm);

/** How much of a place's movement along the stripe in a frame is that of bubbles which lie in the patches on
 *  the walls, not of the tissue: to be added to where bubbles at this place are told to be. Millimetres. */
double follow_drag_mm(const struct follow *follow, const struct canvas *canvas, size_t frame, double along_mm,
                      double across_mm);

/** Length of the way along the stripe from arc length from_mm to to_mm, in the resting tissue, at across_mm
 * from the centre line: on the inside of a bend it is shorter than the arc length. Negative when to_mm <
 * from_mm. */
double follow_way_mm(const struct follow *follow, double from_mm, double to_mm, double across_mm);

/** Frees what it holds; accepts NULL. */
void follow_free(struct follow *follow);

#endif
