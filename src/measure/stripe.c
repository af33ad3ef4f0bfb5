#include "measure/stripe.h"

#include "measure/stripe_agree.h"
#include "measure/stripe_bands.h"
#include "measure/stripe_crossing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { ENOUGH_PICTURES = 8 };
static const double STILL_COST =
    1.7; /* log odds: stills of other organs and of made loops (docs/other-generators.md) */
static const double MOST_STILL_ERROR_MM =
    4.0;                               /* of either end's place; bands of speckle have no clear ends */
static const double LEAST_TRUST = 0.6; /* below this the stripe is not shown at all */
/* A band elsewhere casts doubt where by itself it is an endometrium at about three to one, and not ten times
 * less likely than the one that is taken: log odds. */
static const double RIVAL_ODDS = 1.0;
static const double RIVAL_LEAD = 2.3;
static const double ELSEWHERE = 0.4; /* of either line at most near the other */

/* Weights in the log odds that a band is the endometrium: tests/peer/learn_stripe.py learned them on bands of
 * five generators' loops, of real pictures of other organs and of speckle (docs/other-generators.md). Where
 * nothing came or went the picture alone must tell. */
static const double WEIGHTS[STRIPE_N_EVIDENCE] = {0.70,  0.16,  -0.22, 0.80,  -4.07, -6.06, -1.34,
                                                  -3.33, -2.77, -0.53, -1.29, -0.96, -3.11, -1.15,
                                                  -4.71, 1.09,  0.44,  -0.06, 2.58};
static const double OFFSET = 2.05;
static const double PICTURE_WEIGHTS[STRIPE_N_EVIDENCE] = {
    0.16, 0.25, -1.50, 9.14, -4.63, -8.03, -1.62, -2.90, -5.15, 0.51, -2.05, -0.85, -3.80, -0.95, -5.75};
static const double PICTURE_OFFSET = -1.13;
static const double LEAST_SEEN_MM2 = 2.0; /* of what came or went: about a small cluster */
/* And that the first place is the fundus. What is learned of depth is held to a third: made uteri lie alike.
 */
static const double END_WEIGHTS[STRIPE_N_END_EVIDENCE] = {2.64, 4.36, 2.02, 0.20, 0.69, 0.45};
static const double MOST_END_ODDS = 3.0; /* shape alone is never surer */

static double over(double value, double limit)
{
    return fmax(value - limit, 0.0);
}

void stripe_weigh(double evidence[STRIPE_N_EVIDENCE], const struct stripe_fit *fit,
                  const struct mean_picture *mean)
{
    struct stripe_crossing crossing = stripe_crossing_of(fit, &mean->transients);
    double detail = fmax(fit->detail, 3.0);
    double beside = 0.5 * (fit->upper_near + fit->lower_near) / mean->tissue_luma;
    double first = fabs(fit->first.beyond) / detail;
    double last = fabs(fit->last.beyond) / detail;
    double is_layered = fit->look == STRIPE_TRIPLE_LINE ? 1.0 : 0.0;

    evidence[STRIPE_CONTRAST] = fmin(fit->contrast, 6.0);
    evidence[STRIPE_LAYERED] = fit->contrast * is_layered;
    evidence[STRIPE_IS_LAYERED] = is_layered;
    evidence[STRIPE_EVENNESS] = fit->evenness;
    evidence[STRIPE_OVERLONG] = over(fit->length_mm, 60.0) / 10.0;
    evidence[STRIPE_SHORT] = over(30.0, fit->length_mm) / 10.0;
    evidence[STRIPE_OVERTHICK] = over(fit->thickness_mm, 14.0);
    evidence[STRIPE_UNEVEN_SIDES] = fmin(fit->side_spread / detail, 3.0);
    evidence[STRIPE_CLOSED] = fmin(fmin(first, last), 3.0);
    evidence[STRIPE_OPEN] = fmin(fmax(first, last), 4.0);
    evidence[STRIPE_BLURRED] = fmin(fit->first.error_mm, fit->last.error_mm);
    evidence[STRIPE_OPEN_ENDED] = fmin(fmax(fit->first.error_mm, fit->last.error_mm), 8.0);
    evidence[STRIPE_DARK_SIDES] = fmin(over(0.65, beside) * 5.0, 2.0);
    evidence[STRIPE_BRIGHT_SIDES] = over(beside, 0.9) * 5.0;
    evidence[STRIPE_CUT_OFF] = (fit->first.is_at_edge ? 1.0 : 0.0) + (fit->last.is_at_edge ? 1.0 : 0.0);
    evidence[STRIPE_CROSSED] = log1p(crossing.inside);
    evidence[STRIPE_CROSSED_ASIDE] = log1p(crossing.aside);
    evidence[STRIPE_PASSED_BY] = log1p(crossing.elsewhere);
    evidence[STRIPE_CROSSED_SHARE] =
        crossing.inside / (crossing.inside + crossing.aside + crossing.elsewhere + 1.0);
}

static double sum_evidence(const double *weights, double offset, const double *evidence)
{
    double sum = offset;

    for (int i = 0; i < STRIPE_N_EVIDENCE; i++)
        sum += weights[i] * evidence[i];
    return sum;
}

static double picture_odds(const double *evidence)
{
    return sum_evidence(PICTURE_WEIGHTS, PICTURE_OFFSET, evidence);
}

/* What came or went only where the band leads on speaks neither for it nor against it. */
static double all_odds(const double *evidence)
{
    double seen_mm2 = expm1(evidence[STRIPE_CROSSED]) + expm1(evidence[STRIPE_CROSSED_ASIDE]) +
                      expm1(evidence[STRIPE_PASSED_BY]);

    return seen_mm2 > LEAST_SEEN_MM2 ? sum_evidence(WEIGHTS, OFFSET, evidence) : picture_odds(evidence);
}

double stripe_odds(const struct stripe_fit *fit, const struct mean_picture *mean)
{
    double evidence[STRIPE_N_EVIDENCE];

    stripe_weigh(evidence, fit, mean);
    return all_odds(evidence);
}

double stripe_marked_odds(const struct stripe_fit *fit, const struct mean_picture *mean)
{
    double evidence[STRIPE_N_EVIDENCE];

    stripe_weigh(evidence, fit, mean);
    return fmax(picture_odds(evidence), all_odds(evidence));
}

/* Mean half thickness 4 to 12 mm from an end. */
static double half_near(const struct stripe_fit *fit, bool is_last)
{
    double sum = 0.0;
    double n = 0.0;

    for (size_t i = 8; i <= 24 && i < fit->n; i++, n += 1.0)
        sum += fit->half_mm[is_last ? fit->n - 1 - i : i];
    return n > 0.0 ? sum / n : 1.0;
}

static double within(double value, double most)
{
    return fmin(fmax(value, -most), most);
}

/* How far toward the first place the thick part lies, -1 to 1: the thickness's own centre of gravity. */
static double leaning(const struct stripe_fit *fit)
{
    double sum = 0.0;
    double moment = 0.0;

    for (size_t i = 0; i < fit->n; i++) {
        double weight = fit->half_mm[i] * fit->half_mm[i];

        sum += weight;
        moment += weight * (1.0 - 2.0 * (double)i / (double)(fit->n - 1));
    }
    return sum > 0.0 ? moment / sum : 0.0;
}

void stripe_weigh_ends(double evidence[STRIPE_N_END_EVIDENCE], const struct stripe_fit *fit,
                       const struct mean_picture *mean, const double probe_mm[2])
{
    struct stripe_crossing crossing = stripe_crossing_of(fit, &mean->transients);
    const double *first = fit->place_mm[0];
    const double *last = fit->place_mm[fit->n - 1];

    evidence[STRIPE_THICKER] = within(log(half_near(fit, false) / half_near(fit, true)), 1.0);
    evidence[STRIPE_LEANING] = leaning(fit);
    evidence[STRIPE_BLUNTER] = within(log(fit->first.bluntness / fit->last.bluntness), 2.0);
    evidence[STRIPE_CANAL] = within(fit->last.line_beyond - fit->first.line_beyond, 4.0);
    evidence[STRIPE_LED_TO] = log1p(crossing.beyond_last) - log1p(crossing.beyond_first);
    evidence[STRIPE_DEEPER] = within(0.1 * (hypot(first[0] - probe_mm[0], first[1] - probe_mm[1]) -
                                            hypot(last[0] - probe_mm[0], last[1] - probe_mm[1])),
                                     3.0);
}

/* Log odds of shape that the first place is the fundus. */
static double shape_evidence(const struct stripe_fit *fit, const struct mean_picture *mean,
                             const double probe_mm[2])
{
    double evidence[STRIPE_N_END_EVIDENCE];
    double odds = 0.0;

    stripe_weigh_ends(evidence, fit, mean, probe_mm);
    for (int i = 0; i < STRIPE_N_END_EVIDENCE; i++)
        odds += END_WEIGHTS[i] * evidence[i];
    return within(odds, MOST_END_ODDS);
}

/* Probability of the best band when it and its best rival cannot both be the endometrium. */
static double trust_of(double odds, double rival)
{
    return 1.0 / (1.0 + exp(-odds) + exp(rival - odds));
}

/* What a band's odds are lowered by where few pictures were laid over one another: they leave their speckle
 * as it is, and speckle makes bands. */
static double few_pictures(const struct mean_picture *mean)
{
    double n_lacking = (double)ENOUGH_PICTURES - (double)mean->n_keys;

    return fmax(n_lacking, 0.0) / (double)(ENOUGH_PICTURES - 1) * STILL_COST;
}

static double widest_end(const struct stripe_fit *fit)
{
    return fmax(fit->first.error_mm, fit->last.error_mm);
}

/* Whether two bands have little of a line in common: what leads on along it is no rival. */
static bool is_elsewhere(const struct stripe_fit *a, const struct stripe_fit *b)
{
    return stripe_fit_share_near(a, b) < ELSEWHERE && stripe_fit_share_near(b, a) < ELSEWHERE;
}

/* Nothing is told finer than the pixels that were recorded. */
static void blur_end(struct stripe_end *end, const struct mean_picture *mean)
{
    end->error_mm = hypot(end->error_mm, mean->recorded_mm);
}

static bool choose(struct stripe *stripe, struct stripe_bands *bands, const struct mean_picture *mean,
                   const double probe_mm[2])
{
    double rival = -HUGE_VAL;
    size_t best = 0;

    if (bands->n == 0) {
        (void)text_list_add(&stripe->reasons, "no band with two walls stands out from the speckle");
        return true;
    }
    for (size_t i = 0; i < bands->n; i++)
        if (bands->odds[i] > bands->odds[best])
            best = i;
    for (size_t i = 0; i < bands->n; i++)
        if (bands->odds[i] > rival && is_elsewhere(&bands->fits[i], &bands->fits[best]))
            rival = bands->odds[i];
    stripe->trust = trust_of(bands->odds[best] - few_pictures(mean), rival - few_pictures(mean));
    stripe->has_rival = rival > RIVAL_ODDS && bands->odds[best] - rival < RIVAL_LEAD;
    if (mean->n_keys < ENOUGH_PICTURES && widest_end(&bands->fits[best]) > MOST_STILL_ERROR_MM) {
        stripe->trust = fmin(stripe->trust, 0.5 * LEAST_TRUST);
        (void)text_list_add(
            &stripe->reasons,
            "so few pictures leave their speckle as it is: the ends of the likeliest band are "
            "not clear");
        return true;
    }
    if (stripe->trust < LEAST_TRUST) {
        (void)text_list_add(&stripe->reasons,
                            bands->odds[best] > 0.0 && rival > bands->odds[best] - 1.5
                                ? "several bands look alike; none can be told to be the endometrium"
                                : "no band looks enough like an endometrium between even myometrium");
        return true;
    }
    best = stripe_agree_settle(bands, best);
    stripe_agree_on_band(bands, best);
    stripe->is_found = true;
    stripe->fit = bands->fits[best];
    memset(&bands->fits[best], 0, sizeof bands->fits[best]);
    if (stripe->fit.look == STRIPE_TRIPLE_LINE && (!stripe_agree_with_rim(&stripe->fit, mean, false) ||
                                                   !stripe_agree_with_rim(&stripe->fit, mean, true)))
        return false;
    blur_end(&stripe->fit.first, mean);
    blur_end(&stripe->fit.last, mean);
    stripe->fundus_first = shape_evidence(&stripe->fit, mean, probe_mm);
    return true;
}

bool stripe_find(struct stripe *stripe, const struct mean_picture *mean, const double probe_mm[2],
                 struct error **err)
{
    struct stripe_bands *bands = NULL;
    bool is_made = false;

    memset(stripe, 0, sizeof *stripe);
    if (!stripe_bands_make(&bands, mean, err))
        return false;
    is_made = choose(stripe, bands, mean, probe_mm);
    stripe_bands_free(&bands);
    return is_made || error_memory(err);
}

bool stripe_is_sure(const struct stripe *stripe)
{
    return stripe->trust >= STRIPE_SURE_TRUST && !stripe->has_rival;
}

void stripe_turn(struct stripe *stripe)
{
    struct stripe_fit *fit = &stripe->fit;
    struct stripe_end end = fit->first;

    for (size_t i = 0, j = fit->n; i + 1 < j--; i++) {
        double x = fit->place_mm[i][0];
        double y = fit->place_mm[i][1];
        double half = fit->half_mm[i];

        fit->place_mm[i][0] = fit->place_mm[j][0];
        fit->place_mm[i][1] = fit->place_mm[j][1];
        fit->half_mm[i] = fit->half_mm[j];
        fit->place_mm[j][0] = x;
        fit->place_mm[j][1] = y;
        fit->half_mm[j] = half;
    }
    fit->first = fit->last;
    fit->last = end;
    stripe->fundus_first = -stripe->fundus_first;
}

void stripe_free(struct stripe *stripe)
{
    if (stripe == NULL)
        return;
    stripe_fit_free(&stripe->fit);
    text_list_free(&stripe->reasons);
    memset(stripe, 0, sizeof *stripe);
}
