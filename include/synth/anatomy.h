#ifndef AFTERFLASH_SYNTH_ANATOMY_H
#define AFTERFLASH_SYNTH_ANATOMY_H

#include "base/contract.h"
#include "base/error.h"
#include "synth/recipe.h"

#include <stdbool.h>
#include <stddef.h>

/** A place in the plane of the picture, mm from the point where the lines of the sector meet; x right, y
 * deeper. */
struct place {
    double x_mm;
    double y_mm;
};

/** A place told by the stripe: s along the centre line from the fundus (0) over the internal os
 *  (length_mm) into the cervix, negative beyond the fundus; n across, positive on the side of the probe. */
struct along {
    double s_mm;
    double n_mm;
};

/** The uterus at rest, in coordinates that are fixed to the tissue. */
struct anatomy;

/** Lays out the uterus of a settled recipe.
 *
 *  anatomy  caller's; set on success; end with anatomy_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool anatomy_make(struct anatomy **anatomy, const struct recipe *recipe, struct error **err);

/** Ends an anatomy; accepts NULL, leaves NULL. */
void anatomy_free(struct anatomy **anatomy);

/** From stripe coordinates to the plane. */
struct place anatomy_place(const struct anatomy *anatomy, struct along along);

/** Unit normal of the centre line at s, pointing to the probe's side. */
struct place anatomy_normal(const struct anatomy *anatomy, double s_mm);

/** Unit tangent of the centre line at s, to growing s. */
struct place anatomy_tangent(const struct anatomy *anatomy, double s_mm);

/** From the plane to stripe coordinates: the nearest point of the centre line, which is extended
 *  straight at both ends. */
struct along anatomy_locate(const struct anatomy *anatomy, struct place place);

/** Distance from the centre line to the wall (where endometrium meets muscle) on one side
 *  (+1: the probe's, -1: the other); that of the canal beyond the os; 0 beyond the fundus. */
double anatomy_wall_mm(const struct anatomy *anatomy, double s_mm, int side);

/** How far inside the endometrium's border a place lies; negative outside. At the rounded end the border is
 * an ellipse, and the distance that to its level line: exact at the border, to first order beside it. */
double anatomy_inside_mm(const struct anatomy *anatomy, struct along along);

/** Distance from the centre line to the outer surface of uterus and cervix; 0 where there is neither. */
double anatomy_surface_mm(const struct anatomy *anatomy, double s_mm, int side);

/** Length of the stripe along its centre line. */
double anatomy_length_mm(const struct anatomy *anatomy);

/** The point of the centre line at a straight distance from the fundus, as s; length_mm + 10 at most. */
double anatomy_s_at_distance_mm(const struct anatomy *anatomy, double straight_mm);

#endif
