#ifndef AFTERFLASH_MEASURE_NORMS_H
#define AFTERFLASH_MEASURE_NORMS_H

#include "measure/transfer.h"

#include <stddef.h>

/* Published figures to show beside a measured number. Each row says what was measured, in
 * whom, and where it stands in print. Findings conflict: a row is a neighbour to compare
 * with, never a limit of the normal and never a forecast. */

/** What a row is about; each goes with the field of struct transfer in brackets. */
enum norms_quantity {
    NORMS_FREQUENCY_PER_MIN,   /* contractions.frequency_per_min */
    NORMS_AMPLITUDE_MM,        /* contractions.amplitude_mm */
    NORMS_VELOCITY_MM_PER_S,   /* contractions.velocity_mm_per_s */
    NORMS_DEPTH_MM,            /* deposit.to_fundus_mm */
    NORMS_RELATIVE_DEPTH,      /* deposit.relative_depth */
    NORMS_MIGRATION_MM,        /* drift.net_mm, drift.farthest_mm */
    NORMS_MIGRATION_DIRECTION, /* drift.toward_fundus_mm, as shares of transfers */
};

/** How the source gives its figure. */
enum norms_kind {
    NORMS_MEAN,      /* middle = mean, spread = standard deviation */
    NORMS_MEAN_ONLY, /* middle = mean; the source gives no spread, or does not name its kind */
    NORMS_SPAN,      /* low to high = the smallest and the largest of several groups' means */
    NORMS_SHARE,     /* n_inside of n_cases lay within low to high */
};

/** When in a cycle the figure was taken. */
enum norms_setting {
    NORMS_AT_TRANSFER,      /* within about an hour of an embryo transfer */
    NORMS_MOCK_TRANSFER,    /* contrast in place of an embryo */
    NORMS_STIMULATED_CYCLE, /* other days of a stimulated cycle */
    NORMS_NATURAL_CYCLE,    /* days of a natural cycle */
};

/** One published figure. All text is static. Bounds that a source leaves open are 0 and INFINITY. */
struct norm {
    const char *id; /* stable, for outputs and tests: "chung-2017-before" */
    enum norms_quantity quantity;
    enum norms_kind kind;
    enum norms_setting setting;
    double middle, spread;
    double low, high;       /* for a mean with its standard deviation: middle -/+ 2 spread, low not below 0 */
    int n_inside;           /* NORMS_SHARE only */
    int n_cases;            /* women, transfers or cycles behind the figure; 0: not stated */
    const char *unit;       /* "per min", "mm", "mm/s", "" */
    const char *population; /* who, how measured */
    const char *citation;   /* authors, journal, year, place; DOI where known */
    const char *caution;    /* how the source's quantity differs from ours; "" when it does not */
};

/** Number of rows; they stand by quantity, and within one the nearest setting to a transfer first. */
size_t norms_count(void);

/** Row `index`, 0 <= index < norms_count(); borrowed, static. NULL beyond. */
const struct norm *norms_row(size_t index);

/** The row that fits best beside a number measured at a transfer: the first of its
 *  quantity. NULL when there is none. */
const struct norm *norms_beside(enum norms_quantity quantity);

/** The row of that id; NULL when there is none. */
const struct norm *norms_find(const char *id);

/** A sentence part to print after a measured number, such as
 *  "published: mean 1.8, SD 1.1 per min (286 fresh transfers ...; Chung et al. ...)".
 *  It compares nothing and predicts nothing. The caller frees; NULL when memory ran out. */
char *norms_text(const struct norm *norm);

#endif
