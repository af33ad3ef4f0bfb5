#ifndef AFTERFLASH_MEASURE_STRIPE_H
#define AFTERFLASH_MEASURE_STRIPE_H

#include "base/contract.h"
#include "base/error.h"
#include "base/text.h"
#include "image/canvas.h"
#include "measure/mean_picture.h"
#include "measure/stripe_fit.h"
#include "measure/stripe_tail.h"

#include <stdbool.h>

/** The best stripe of a loop and how far to believe it. */
struct stripe {
    bool is_found;
    struct stripe_fit fit; /* in millimetres of the mean picture (canvas place times mm per pixel) */
    double trust;   /* that there is a stripe and that this is it, 0..1; which end is which not counted */
    bool has_rival; /* another band, elsewhere, is by itself an endometrium with odds of about three to one */
    bool is_marked; /* both its ends are given */
    double fundus_first;     /* log odds, from shape alone, that the first place is the fundus */
    struct stripe_tail tail; /* toward the os; looked for when it is known which end that is */
    struct text_list reasons;
};

/** Searches, fits every candidate and chooses.
 *
 *  probe_mm  place of the probe's face or apex in the mean picture's millimetres (the os tends to lie nearer)
 *  stripe    overwritten; end with stripe_free. Not finding one is an answer.
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool stripe_find(struct stripe *stripe, const struct mean_picture *mean, const double probe_mm[2],
                            struct error **err);

/** What is weighed about a band when it is judged. */
enum stripe_evidence {
    STRIPE_CONTRAST,      /* answer along the band, standard deviations of chance */
    STRIPE_LAYERED,       /* the same, for a triple line, */
    STRIPE_IS_LAYERED,    /* which by itself is rarer by chance */
    STRIPE_EVENNESS,      /* share of the length that answers on its own */
    STRIPE_OVERLONG,      /* centimetres beyond 60 mm */
    STRIPE_SHORT,         /* centimetres short of 30 mm */
    STRIPE_OVERTHICK,     /* millimetres beyond 14 mm */
    STRIPE_UNEVEN_SIDES,  /* spread of what lies beside it, over the band's contrast */
    STRIPE_CLOSED,        /* the end that closes best: what lies beyond it unlike what lies beside */
    STRIPE_OPEN,          /* and the end that closes worst */
    STRIPE_BLURRED,       /* error of the sharper tip, mm */
    STRIPE_OPEN_ENDED,    /* and of the other one */
    STRIPE_DARK_SIDES,    /* no echoes beside it: blood or air, not myometrium */
    STRIPE_BRIGHT_SIDES,  /* brighter beside it than nearly all the picture: fat, bowel */
    STRIPE_CUT_OFF,       /* ends that the edge of the picture hides */
    STRIPE_CROSSED,       /* a catheter or bubbles came or went within it: logarithm of 1 + mm2 */
    STRIPE_CROSSED_ASIDE, /* the same beside its centre line */
    STRIPE_PASSED_BY,     /* and elsewhere, not where it leads on */
    STRIPE_CROSSED_SHARE, /* of all that came or went and is not where it leads on, 0 to 1 */
    STRIPE_N_EVIDENCE
};

/** Fills it in for a fitted band. */
void stripe_weigh(double evidence[STRIPE_N_EVIDENCE], const struct stripe_fit *fit,
                  const struct mean_picture *mean);

/** What is weighed about which end of a band is the fundus; each is positive where it speaks for the first
 * place. The fundal end is thick and blunt, the stripe tapers to the os, the canal leads on from there, the
 * probe lies against the cervix: common practice, no source. */
enum stripe_end_evidence {
    STRIPE_THICKER, /* 4 to 12 mm from the end, logarithm of the ratio */
    STRIPE_LEANING, /* where the bulk lies, -1 to 1 */
    STRIPE_BLUNTER, /* logarithm of the ratio */
    STRIPE_CANAL,   /* a line beyond the other end, robust standard deviations */
    STRIPE_LED_TO,  /* what came or went leads on beyond the other end: difference of logarithms */
    STRIPE_DEEPER,  /* farther from the probe than the other end, centimetres */
    STRIPE_N_END_EVIDENCE
};

/** Fills it in for a fitted band; probe_mm as for stripe_find. */
void stripe_weigh_ends(double evidence[STRIPE_N_END_EVIDENCE], const struct stripe_fit *fit,
                       const struct mean_picture *mean, const double probe_mm[2]);

/** Log odds that a fitted band is the endometrium: from how it looks and, where something came or went in the
 * loop, from where that was. */
double stripe_odds(const struct stripe_fit *fit, const struct mean_picture *mean);

/** The same of a band between two marks: the better of these odds and those from how it looks alone. */
double stripe_marked_odds(const struct stripe_fit *fit, const struct mean_picture *mean);

/** Below this a stripe may well be something else. */
#define STRIPE_SURE_TRUST 0.7

/** Whether the stripe is sure enough, and without a rival, that finding nothing in it means something. */
bool stripe_is_sure(const struct stripe *stripe);

/** Turns the stripe round: first becomes last. */
void stripe_turn(struct stripe *stripe);

/** Frees what it holds; accepts NULL. */
void stripe_free(struct stripe *stripe);

#endif
