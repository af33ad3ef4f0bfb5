#ifndef AFTERFLASH_SYNTH_TISSUE_H
#define AFTERFLASH_SYNTH_TISSUE_H

#include "synth/anatomy.h"
#include "synth/recipe.h"

/** How strongly the tissue at a place echoes, dB over plain soft tissue, before shadows.
 *
 *  anatomy  NULL: no uterus, soft tissue everywhere */
double tissue_echo_db(const struct recipe *recipe, const struct anatomy *anatomy, struct place place);

/** Loss beyond the usual along the line of sight, dB per mm (negative behind fluid: enhancement). */
double tissue_loss_db_per_mm(const struct recipe *recipe, const struct anatomy *anatomy, struct place place);

/** 1 where tissue belongs to the uterus, falling to 0 over some mm outside it. */
double tissue_belongs(const struct anatomy *anatomy, struct along along);

#endif
