#ifndef AFTERFLASH_MEASURE_STRIPE_PROFILE_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_PROFILE_INTERNAL_H

#include "measure/straight.h"
#include "measure/stripe_search.h"

#include <stdbool.h>
#include <stddef.h>

/* What is followed. */
struct stripe_kind {
    enum stripe_look look;
    bool is_middle_lost; /* of three lines the middle one may be lost in places */
    double like_mm;      /* about half the thickness; 0: not known */
};

/* Where the middle of three lines lies: the layers on its two sides are rarely alike in thickness. */
double stripe_profile_middle(const struct straight *straight, size_t row, double centre_mm, double half_mm);

/* Grey levels between bright and dark of a cross profile at a row, weighed by the parts' widths. */
double stripe_profile_contrast(const struct straight *straight, const struct stripe_kind *kind, size_t row,
                               double centre_mm, double half_mm);

/* ---- the same at many places, on columns a quarter of a millimetre apart ---- */

enum { PROFILE_COLUMNS = 128, PROFILE_BESIDE = 64, PROFILE_MIDDLES = 5 };

/* One row, made longer on both sides so that no part of a profile lies beside it. */
struct stripe_profile {
    int n_columns;                                     /* of the straightened picture */
    double sum[PROFILE_COLUMNS + 2 * PROFILE_BESIDE];  /* running sum; column 0 at PROFILE_BESIDE */
    double line[PROFILE_COLUMNS + 2 * PROFILE_BESIDE]; /* mean over a millimetre */
    double seen[PROFILE_COLUMNS + 2 * PROFILE_BESIDE]; /* 1 where there is picture, else 0 */
};

/* A stripe of one half thickness: where its parts lie, in columns from its centre. */
struct stripe_bar {
    bool is_bright, is_middle_lost;
    int half;
    double weight;               /* of the contrast, by the parts' widths; 0: no such stripe */
    int middle[PROFILE_MIDDLES]; /* where the middle line may lie */
    int n_upper[PROFILE_MIDDLES], n_lower[PROFILE_MIDDLES]; /* columns of the dark parts beside it */
};

struct stripe_bar stripe_bar_make(const struct stripe_kind *kind, double half_mm);

/* Lays a row out; the columns of the straightened picture are a quarter of a millimetre apart. */
void stripe_profile_take(struct stripe_profile *profile, const struct straight *straight, size_t row);

/* stripe_profile_contrast at a column; 0 where the picture does not reach 2 mm beyond both walls. */
double stripe_profile_answer(const struct stripe_profile *profile, const struct stripe_bar *bar, int column);

/* The same at n columns from `column` on, over `chance`. */
void stripe_profile_answers(float *answer, const struct stripe_profile *profile, const struct stripe_bar *bar,
                            int column, int n, double chance);

#endif
