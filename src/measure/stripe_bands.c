#include "measure/stripe_bands.h"

#include "base/parallel.h"
#include "measure/stripe.h"
#include "measure/stripe_crossing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A band that is looked for again: how far from its line, and from how far beside it on. */
static const double SHIFTED_ASIDE_MM = 3.0;
static const double SHIFTED_LEAST_MM = 2.0;

/* Where the likeliest band is a triple line whose worse end is told no better, it is looked for again with a
 * middle line that may be lost; along what shares so much with it. */
static const double UNCLEAR_MM = 0.75;
static const double SAME_LINE = 0.5;
static const double HELD_PART = 0.001; /* of what its odds are better */

const struct stripe_guise STRIPE_GUISES[STRIPE_N_GUISES] = {
    {STRIPE_BRIGHT, 0.0}, {STRIPE_TRIPLE_LINE, 4.0}, {STRIPE_TRIPLE_LINE, 6.0}};
enum { MOST_SHIFTED = STRIPE_MOST_SHIFTED / (2 * STRIPE_N_GUISES) }; /* of each look */

struct fitting {
    const struct mean_picture *mean;
    struct stripe_candidate candidates[STRIPE_MOST_BANDS];
    struct stripe_fit fits[STRIPE_MOST_BANDS];
    double odds[STRIPE_MOST_BANDS];
    bool is_found[STRIPE_MOST_BANDS];
    bool is_done[STRIPE_MOST_BANDS];
    size_t first; /* that the current round fits */
    bool is_sketch;
};

static void fit_candidate(void *context, size_t item)
{
    struct fitting *fitting = context;
    struct error *err = NULL;
    size_t i = fitting->first + item;

    fitting->is_done[i] = (fitting->is_sketch ? stripe_fit_sketch : stripe_fit_make)(
        &fitting->fits[i], &fitting->is_found[i], fitting->mean->picture, fitting->mean->window,
        fitting->mean->pixel_mm, &fitting->candidates[i], &err);
    fitting->odds[i] = fitting->is_done[i] && fitting->is_found[i]
                           ? stripe_odds(&fitting->fits[i], fitting->mean)
                           : -HUGE_VAL;
    error_free(&err);
}

static bool fit_candidates(struct fitting *fitting, size_t first, size_t end, bool is_sketch)
{
    fitting->first = first;
    fitting->is_sketch = is_sketch;
    parallel_run(end - first, 0, fit_candidate, fitting);
    for (size_t i = first; i < end; i++)
        if (!fitting->is_done[i])
            return false;
    return true;
}

/* A band's line moved aside by so much at each place, positive to the right of first to last. */
static bool shift_candidate(struct stripe_candidate *shifted, const struct stripe_fit *fit,
                            const double *aside_mm)
{
    enum { STRIDE = 4 };
    size_t n = (fit->n + STRIDE - 1) / STRIDE;

    shifted->place_mm = malloc(n * sizeof *shifted->place_mm);
    if (shifted->place_mm == NULL)
        return false;
    shifted->aside_mm = SHIFTED_ASIDE_MM;
    for (size_t i = 0; i < fit->n; i += STRIDE) {
        const double *before = fit->place_mm[i < STRIDE ? 0 : i - STRIDE];
        const double *after = fit->place_mm[i + STRIDE < fit->n ? i + STRIDE : fit->n - 1];
        double length = fmax(hypot(after[0] - before[0], after[1] - before[1]), 1e-6);

        shifted->place_mm[shifted->n][0] =
            fit->place_mm[i][0] - aside_mm[i] * (after[1] - before[1]) / length;
        shifted->place_mm[shifted->n++][1] =
            fit->place_mm[i][1] + aside_mm[i] * (after[0] - before[0]) / length;
    }
    return true;
}

/* Adds a band moved onto what came or went, in every guise, where that lies beside it. */
static bool add_beside(struct fitting *fitting, size_t band, size_t *n, bool *is_added)
{
    const struct stripe_fit *fit = &fitting->fits[band];
    double *aside_mm = malloc(fit->n * sizeof *aside_mm);
    bool is_made = aside_mm != NULL;

    *is_added =
        is_made && stripe_crossing_aside(fit, &fitting->mean->transients, aside_mm) > SHIFTED_LEAST_MM;
    for (int guise = 0; is_made && *is_added && guise < STRIPE_N_GUISES; guise++) {
        struct stripe_candidate *shifted = &fitting->candidates[(*n)++];

        *shifted = (struct stripe_candidate){.look = STRIPE_GUISES[guise].look,
                                             .half_mm = STRIPE_GUISES[guise].half_mm};
        is_made = shift_candidate(shifted, fit, aside_mm);
    }
    free(aside_mm);
    return is_made;
}

/* Where a catheter or bubbles came or went beside a band, a band along them is looked for as well: the
 * line that was followed may be the neighbour of the middle one. The likeliest bands of each look come first.
 */
static bool add_shifted(struct fitting *fitting, size_t end, enum stripe_look look, size_t *n)
{
    bool is_taken[STRIPE_MOST_BANDS] = {false};

    for (int n_added = 0; n_added < MOST_SHIFTED;) {
        size_t best = end;
        bool is_added = false;

        for (size_t i = 0; i < end; i++)
            if (fitting->is_found[i] && fitting->fits[i].look == look && !is_taken[i] &&
                (best == end || fitting->odds[i] > fitting->odds[best]))
                best = i;
        if (best == end)
            return true;
        if (!add_beside(fitting, best, n, &is_added))
            return false;
        n_added += is_added;
        is_taken[best] = true;
        for (size_t i = 0; i < end && is_added; i++)
            is_taken[i] =
                is_taken[i] || (fitting->is_found[i] &&
                                stripe_fit_share_near(&fitting->fits[i], &fitting->fits[best]) > 0.9);
    }
    return true;
}

/* The sketched candidates in `order`, the likeliest first; where two have become one, only the first is
 * found. */
static void order_sketches(struct fitting *fitting, size_t n, size_t *order)
{
    for (size_t i = 0; i < n; i++) {
        size_t at = i;

        for (size_t k = 0; k < i; k++)
            if (fitting->is_found[k] && fitting->fits[k].look == fitting->fits[i].look &&
                fitting->odds[k] == fitting->odds[i])
                fitting->is_found[i] = false;
        for (; at > 0 && fitting->odds[order[at - 1]] < fitting->odds[i]; at--)
            order[at] = order[at - 1];
        order[at] = i;
    }
}

/* Leaves those candidates that, sketched, are the likeliest: placing the tips of all would take long. */
static void choose_candidates(struct fitting *fitting, size_t *n)
{
    size_t order[STRIPE_MOST_BANDS];
    struct stripe_candidate chosen[STRIPE_MOST_CHOSEN] = {0};
    size_t n_chosen = 0;

    order_sketches(fitting, *n, order);
    for (size_t i = 0; i < *n; i++) {
        struct stripe_candidate *candidate = &fitting->candidates[order[i]];

        stripe_fit_free(&fitting->fits[order[i]]);
        if (n_chosen < STRIPE_MOST_CHOSEN && fitting->is_found[order[i]])
            chosen[n_chosen++] = *candidate;
        else
            stripe_candidate_free(candidate);
    }
    memset(fitting->candidates, 0, sizeof fitting->candidates);
    memcpy(fitting->candidates, chosen, n_chosen * sizeof *chosen);
    *n = n_chosen;
}

static bool copy_candidate(struct stripe_candidate *copy, const struct stripe_candidate *candidate)
{
    *copy = *candidate;
    copy->place_mm = malloc(candidate->n * sizeof *copy->place_mm);
    if (copy->place_mm == NULL) {
        copy->n = 0;
        return false;
    }
    memcpy(copy->place_mm, candidate->place_mm, candidate->n * sizeof *copy->place_mm);
    return true;
}

static size_t best_band(const struct fitting *fitting, size_t n)
{
    size_t best = 0;

    for (size_t i = 0; i < n; i++)
        best = fitting->odds[i] > fitting->odds[best] ? i : best;
    return best;
}

/* Looking again tells better where a band lies, not better that it is one: the odds of those from `first` on
 * keep their order and hardly pass the best of the others. */
static void hold_odds(struct fitting *fitting, size_t first, size_t n)
{
    double most = fitting->odds[best_band(fitting, first)];

    for (size_t i = first; i < n; i++)
        if (fitting->odds[i] > most)
            fitting->odds[i] = most + HELD_PART * (fitting->odds[i] - most);
}

/* In a thick stripe the middle line is often lost toward the fundus. A dark band between two bright ones is
 * much else too, so it is sought only along a triple line that stands by itself and has no clear end. */
static bool add_middle_lost(struct fitting *fitting, size_t end, size_t *n)
{
    const struct stripe_fit *fit = NULL;
    size_t best = best_band(fitting, *n);

    if (*n == 0 || !(fitting->odds[best] > 0.0) || fitting->fits[best].look != STRIPE_TRIPLE_LINE)
        return true;
    fit = &fitting->fits[best];
    if (fmax(fit->first.error_mm, fit->last.error_mm) < UNCLEAR_MM)
        return true;
    for (size_t i = 0; i < end && *n < STRIPE_MOST_BANDS; i++) {
        const struct stripe_candidate *candidate = &fitting->candidates[i];
        const double(*place_mm)[2] = (const double(*)[2])candidate->place_mm;

        if (candidate->look != STRIPE_TRIPLE_LINE ||
            stripe_candidate_share_near(place_mm, candidate->n, (const double(*)[2])fit->place_mm, fit->n) <
                SAME_LINE ||
            stripe_candidate_share_near((const double(*)[2])fit->place_mm, fit->n, place_mm, candidate->n) <
                SAME_LINE)
            continue;
        if (!copy_candidate(&fitting->candidates[*n], candidate))
            return false;
        fitting->candidates[(*n)++].is_middle_lost = true;
    }
    return true;
}

static void hand_over(struct stripe_bands *bands, struct fitting *fitting, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (fitting->is_found[i]) {
            bands->fits[bands->n] = fitting->fits[i];
            bands->odds[bands->n++] = fitting->odds[i];
            memset(&fitting->fits[i], 0, sizeof fitting->fits[i]);
        }
}

/* Sketches the candidates and what lies beside them, fits the likeliest, looks again for lost middle lines.
 */
static bool fit_bands(struct fitting *fitting, size_t *n)
{
    size_t n_before = *n;

    if (!fit_candidates(fitting, 0, *n, true) || !add_shifted(fitting, n_before, STRIPE_BRIGHT, n) ||
        !add_shifted(fitting, n_before, STRIPE_TRIPLE_LINE, n) ||
        !fit_candidates(fitting, n_before, *n, true))
        return false;
    choose_candidates(fitting, n);
    n_before = *n;
    if (!fit_candidates(fitting, 0, *n, false) || !add_middle_lost(fitting, n_before, n) ||
        !fit_candidates(fitting, n_before, *n, false))
        return false;
    if (*n > n_before)
        hold_odds(fitting, n_before, *n);
    return true;
}

bool stripe_bands_make(struct stripe_bands **bands, const struct mean_picture *mean, struct error **err)
{
    struct fitting *fitting = calloc(1, sizeof *fitting);
    struct mean_picture half = {0};
    struct stripe_seeds seeds = {.transients = &mean->transients};
    size_t n = 0;
    bool is_made = false;

    *bands = calloc(1, sizeof **bands);
    if (fitting == NULL || *bands == NULL) {
        free(fitting);
        stripe_bands_free(bands);
        return error_memory(err);
    }
    fitting->mean = mean;
    seeds.n = transients_places(&mean->transients, seeds.place_mm);
    is_made = mean_picture_halve(&half, mean, err) &&
              stripe_search(half.picture, half.window, half.pixel_mm, &seeds, fitting->candidates, &n, err);
    mean_picture_free(&half);
    if (is_made)
        is_made = fit_bands(fitting, &n) ? true : error_memory(err);
    if (is_made)
        hand_over(*bands, fitting, n);
    for (size_t i = 0; i < n; i++) {
        stripe_candidate_free(&fitting->candidates[i]);
        stripe_fit_free(&fitting->fits[i]);
    }
    free(fitting);
    if (!is_made)
        stripe_bands_free(bands);
    return is_made;
}

void stripe_bands_free(struct stripe_bands **bands)
{
    if (bands == NULL || *bands == NULL)
        return;
    for (size_t i = 0; i < (*bands)->n; i++)
        stripe_fit_free(&(*bands)->fits[i]);
    free(*bands);
    *bands = NULL;
}
