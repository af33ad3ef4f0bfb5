#ifndef AFTERFLASH_SYNTH_MOVEMENT_H
#define AFTERFLASH_SYNTH_MOVEMENT_H

#include "base/contract.h"
#include "base/error.h"
#include "synth/anatomy.h"
#include "synth/recipe.h"
#include "synth/waves.h"

#include <stdbool.h>
#include <stddef.h>

/** Everything that moves tissue in the picture: contractions, breathing, pulse, the probe, bowel. */
struct movement;

enum { MOVEMENT_NODES = 256 }; /* positions along the stripe at which waves are worked out */

/** The movement of one moment, ready to be applied to many elements. */
struct instant {
    double time_s;
    double turn[4];                  /* 2 x 2, row-major: rotation and stretch of the whole picture */
    double shift_x_mm, shift_y_mm;   /* added after the turn */
    float change_mm[MOVEMENT_NODES]; /* of wall-to-wall distance, by position */
    float lengthwise_mm[MOVEMENT_NODES];
    float pulse;                      /* -1..1 */
    float outside_x_mm, outside_y_mm; /* motion of what lies outside the uterus */
    float elevation;                  /* of the probe out of the plane, in beam widths */
};

/** A piece of tissue and how each movement takes it along. */
struct element {
    float x_mm, y_mm;         /* at rest */
    float node;               /* position along the stripe, in nodes */
    float across_x, across_y; /* mm a mm of wall-to-wall change */
    float lengthwise_x, lengthwise_y;
    float pulse_x_mm, pulse_y_mm;
    float outside; /* share of the outside motion */
};

enum { ELEMENTS_TOGETHER = 16 };

/** Elements part by part, so that all of them are carried at once. */
struct element_block {
    float x_mm[ELEMENTS_TOGETHER], y_mm[ELEMENTS_TOGETHER], node[ELEMENTS_TOGETHER];
    float across_x[ELEMENTS_TOGETHER], across_y[ELEMENTS_TOGETHER];
    float lengthwise_x[ELEMENTS_TOGETHER], lengthwise_y[ELEMENTS_TOGETHER];
    float pulse_x_mm[ELEMENTS_TOGETHER], pulse_y_mm[ELEMENTS_TOGETHER];
    float outside[ELEMENTS_TOGETHER];
};

/** Sets the movement up for a settled recipe. anatomy (NULL: no uterus) and waves are borrowed and outlive
 * it. movement: caller's; end with movement_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool movement_make(struct movement **movement, const struct recipe *recipe,
                              const struct anatomy *anatomy, const struct waves *waves, struct error **err);

/** Ends a movement; accepts NULL, leaves NULL. */
void movement_free(struct movement **movement);

/** The movement at a time. */
void movement_at(const struct movement *movement, double time_s, struct instant *instant);

/** Binds a place of the resting tissue. */
struct element movement_bind(const struct movement *movement, struct place place);

/** Binds a place that is known in stripe coordinates; movement must have an anatomy. */
struct element movement_bind_along(const struct movement *movement, struct along along);

/** Where the element is at that moment. */
struct place movement_place(const struct instant *instant, const struct element *element);

/** Puts an element into a block at i (below ELEMENTS_TOGETHER), and reads it back. */
void movement_store(struct element_block *block, size_t i, const struct element *element);
struct element movement_stored(const struct element_block *block, size_t i);

/** Where all elements of a block (unused ones zero) are at that moment: movement_place of each, rounded. x_mm
 * and y_mm: caller's, room for ELEMENTS_TOGETHER each. */
void movement_carry(const struct instant *instant, const struct element_block *block, float *x_mm,
                    float *y_mm);

/** What breathing, the walk of the probe and its rocking do at that moment, for the truth file. */
struct movement_parts {
    double breathing_mm;
    double walk_x_mm, walk_y_mm, walk_deg;
    double rocking_mm;
};
struct movement_parts movement_parts(const struct movement *movement, double time_s);

#endif
