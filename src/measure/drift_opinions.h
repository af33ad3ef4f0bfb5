#ifndef AFTERFLASH_MEASURE_DRIFT_OPINIONS_INTERNAL_H
#define AFTERFLASH_MEASURE_DRIFT_OPINIONS_INTERNAL_H

#include "image/canvas.h"
#include "measure/transfer.h"

/* How far bubbles went along the stripe, toward the fundus, told twice: by the centre of their brightness and
 * by their pattern. Millimetres, standard errors. */
struct drift_opinions {
    bool has_direction; /* which way the fundus lies is known: else ways have no sign to speak of */
    double centre_mm, centre_error_mm;
    double speckle_mm, speckle_error_mm;
    const char *why_no_speckle; /* the pattern told nothing: why; NULL where it did */
    double shared_error_mm;     /* of both alike: of the tissue's movement and of the stripe */
};

/* Fills toward_fundus and by_speckle. Where both disagree by more than their joint 95 % interval the first's
 * interval holds both; where they disagree grossly nothing is told and the verdict is withdrawn. A reason
 * says so, or why the pattern told nothing. */
void drift_opinions_join(struct drift *drift, const struct canvas *canvas,
                         const struct drift_opinions *opinions);

#endif
