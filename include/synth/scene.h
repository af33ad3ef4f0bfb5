#ifndef AFTERFLASH_SYNTH_SCENE_H
#define AFTERFLASH_SYNTH_SCENE_H

#include "base/contract.h"
#include "base/error.h"
#include "synth/anatomy.h"
#include "synth/bubbles.h"
#include "synth/imager.h"
#include "synth/movement.h"
#include "synth/recipe.h"
#include "synth/waves.h"

#include <stdbool.h>
#include <stddef.h>

/** Scatterers of the tissue, part by part. */
struct scatterer_block {
    size_t n;
    struct element_block elements;
    float amplitude[ELEMENTS_TOGETHER];           /* negative: echo of opposite sign */
    float turns_per_s[ELEMENTS_TOGETHER];         /* speckle changes: each one's phase runs on by itself */
    float turns_per_elevation[ELEMENTS_TOGETHER]; /* and with the probe's walk out of the plane */
};

/** All that is in front of the probe. The fields may be read by all. */
struct scene {
    struct recipe recipe;    /* settled */
    struct anatomy *anatomy; /* NULL: no uterus */
    struct waves *waves;
    struct movement *movement;
    struct bubbles *bubbles;
    struct scatterer_block *scatterers;
    size_t n_blocks;
};

/** Brightness-weighted middle of the bubbles as the picture shows them. */
struct cluster {
    bool is_seen;
    struct place middle; /* weighted with the luma that the bubbles add */
    double spread_mm;    /* root mean square distance from it */
    double peak_luma;    /* largest luma of the cluster */
    double tissue_luma;  /* mean luma of the same place without the bubbles */
};

/** Makes the scene of a settled recipe; width of the field in mm is what the screen shows.
 *
 *  half_width_mm  nothing farther to the left or right is ever seen
 *  scene          caller's; end with scene_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool scene_make(struct scene **scene, const struct recipe *recipe, double half_width_mm,
                           struct error **err);

/** Ends a scene; accepts NULL, leaves NULL. */
void scene_free(struct scene **scene);

/** Draws the scene at a time onto a cleared canvas and compresses it. Safe for several threads with
 *  a canvas each.
 *
 *  frame    names the noise draw
 *  gain_db  on top of the recipe's
 *  cluster  caller's; set */
void scene_draw(const struct scene *scene, const struct imager *imager, struct canvas *canvas, long frame,
                double time_s, double gain_db, struct cluster *cluster);

/** Where a place of the stripe is in the picture's plane at a moment. */
struct place scene_place(const struct scene *scene, const struct instant *instant, struct along along);

#endif
