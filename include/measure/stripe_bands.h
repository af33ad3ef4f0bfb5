#ifndef AFTERFLASH_MEASURE_STRIPE_BANDS_H
#define AFTERFLASH_MEASURE_STRIPE_BANDS_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/mean_picture.h"
#include "measure/stripe_fit.h"

#include <stdbool.h>
#include <stddef.h>

enum {
    STRIPE_MOST_SHIFTED = 36, /* looked for along what came or went */
    STRIPE_MOST_CHOSEN = 32,  /* of all these, by their sketches */
    STRIPE_MOST_AGAIN = 12,   /* looked for again with the middle line lost */
    STRIPE_MOST_BANDS = STRIPE_MOST_CANDIDATES + STRIPE_MOST_SHIFTED + STRIPE_MOST_AGAIN
};

/** What a stripe may look like where its line is known and its look is not. */
struct stripe_guise {
    enum stripe_look look;
    double half_mm; /* 0: any */
};
enum { STRIPE_N_GUISES = 3 };
extern const struct stripe_guise STRIPE_GUISES[STRIPE_N_GUISES];

/** All bands of a mean picture that may be the endometrium. */
struct stripe_bands {
    size_t n;
    struct stripe_fit fits[STRIPE_MOST_BANDS]; /* in millimetres of the mean picture; owned */
    double odds[STRIPE_MOST_BANDS];            /* log odds that it is one, see stripe_odds */
};

/** Searches, sketches every candidate and fits the likeliest. Where something came or went beside a band, it
 * is looked for along that as well. End with stripe_bands_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool stripe_bands_make(struct stripe_bands **bands, const struct mean_picture *mean,
                                  struct error **err);

/** Frees them; accepts NULL, leaves NULL. */
void stripe_bands_free(struct stripe_bands **bands);

#endif
