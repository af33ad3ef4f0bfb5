#include "measure/stripe.h"

#include "measure/stripe_bands.h"
#include "measure/stripe_rim.h"
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
static const double SAME_BAND = 0.8; /* share of a band's line that lies near another's: both are one band */
static const double SAME_LINE = 0.6; /* the same, where they may end in different places */
static const double ELSEWHERE = 0.4; /* of either line at most near the other */
static const double NEARLY_AS_LIKELY = 1.0; /* log odds */
/* The outer line of a triple line is drawn round the tip as thick as along the walls, where it is about a
 * millimetre thick: a third of that is not known there. */
static const double OUTER_LINE_MM = 0.37;
static const double SAME_END_MM = 4.0;
static const double LEAST_ERROR_MM = 0.25; /* of a tip: a pixel of the mean picture */
static const double DRAWN_MM = 10.0;       /* of the line that is drawn along with its tip */

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

/* What each band counts for beside the best one: its odds over that one's where both have so much of their
 * lines in common, else 0. */
static void weigh_bands(const struct stripe_bands *bands, size_t best, double least_share, double *weight)
{
    const struct stripe_fit *fit = &bands->fits[best];

    for (size_t i = 0; i < bands->n; i++) {
        const struct stripe_fit *other = &bands->fits[i];
        bool is_same = other->look == fit->look && stripe_fit_share_near(other, fit) >= least_share &&
                       stripe_fit_share_near(fit, other) >= least_share;

        weight[i] = is_same ? exp(bands->odds[i] - bands->odds[best]) : 0.0;
    }
}

/* Where a band's tip lies that answers to a tip of another band, and how sure it is. */
static const double *like_end(const struct stripe_fit *other, const double *tip, double *error_mm)
{
    const double *first = other->place_mm[0];
    const double *last = other->place_mm[other->n - 1];
    bool is_last = hypot(last[0] - tip[0], last[1] - tip[1]) < hypot(first[0] - tip[0], first[1] - tip[1]);

    *error_mm = fmax(is_last ? other->last.error_mm : other->first.error_mm, LEAST_ERROR_MM);
    return is_last ? last : first;
}

/* Across the stripe, of the end that lies at a place. */
static double aside_error_of_end(const struct stripe_fit *fit, const double *at)
{
    return at == fit->place_mm[0] ? fit->first.aside_error_mm : fit->last.aside_error_mm;
}

/* How much weight, by odds and sureness, of the bands lies within SAME_END_MM of a tip. */
static double support_of_end(const struct stripe_bands *bands, const double *weight, const double *tip)
{
    double sum = 0.0;

    for (size_t i = 0; i < bands->n; i++) {
        double error_mm = 0.0;
        const double *at = like_end(&bands->fits[i], tip, &error_mm);

        if (hypot(at[0] - tip[0], at[1] - tip[1]) <= SAME_END_MM)
            sum += weight[i] / (error_mm * error_mm);
    }
    return sum;
}

/* Bands along one line often end in different places, and odds tell little about which is right: of those
 * nearly as likely as the best one, the band whose two ends most others share. */
static size_t settle_on_ends(const struct stripe_bands *bands, size_t best)
{
    double weight[STRIPE_MOST_BANDS];
    size_t settled = best;
    double most = 0.0;

    weigh_bands(bands, best, SAME_LINE, weight);
    for (size_t i = 0; i < bands->n; i++) {
        const struct stripe_fit *fit = &bands->fits[i];
        double support = 0.0;

        if (bands->odds[i] < bands->odds[best] - NEARLY_AS_LIKELY || weight[i] <= 0.0)
            continue;
        support = support_of_end(bands, weight, fit->place_mm[0]) *
                  support_of_end(bands, weight, fit->place_mm[fit->n - 1]) * weight[i];
        if (support > most) {
            most = support;
            settled = i;
        }
    }
    return settled;
}

/* The weighed mean place of one end over the bands that say the same as the best one; its standard errors: of
 * one tip, and of how far they lie apart along the stripe and across it (half of the variance in the plane). */
static void agree_on_end(const struct stripe_bands *bands, const double *band_weight, size_t best,
                         bool is_last, double place_mm[2], struct stripe_end *end)
{
    const struct stripe_fit *fit = &bands->fits[best];
    const double *tip = fit->place_mm[is_last ? fit->n - 1 : 0];
    double sum[2] = {0};
    double squares = 0.0; /* of the distances from the best one's tip */
    double errors = 0.0;
    double aside_errors = 0.0;
    double weights = 0.0;

    for (size_t i = 0; i < bands->n; i++) {
        const struct stripe_fit *other = &bands->fits[i];
        double error = 0.0;
        const double *at = like_end(other, tip, &error);
        double weight = band_weight[i] / (error * error);

        if (weight <= 0.0 || hypot(at[0] - tip[0], at[1] - tip[1]) > SAME_END_MM)
            continue;
        sum[0] += weight * at[0];
        sum[1] += weight * at[1];
        squares += weight * (pow(at[0] - tip[0], 2.0) + pow(at[1] - tip[1], 2.0));
        errors += weight * error;
        aside_errors += weight * aside_error_of_end(other, at);
        weights += weight;
    }
    place_mm[0] = sum[0] / weights;
    place_mm[1] = sum[1] / weights;
    squares = fmax(squares / weights - pow(place_mm[0] - tip[0], 2.0) - pow(place_mm[1] - tip[1], 2.0), 0.0);
    end->error_mm = hypot(errors / weights, sqrt(0.5 * squares));
    end->aside_error_mm = hypot(aside_errors / weights, sqrt(0.5 * squares));
}

/* The thickness that half of the weight of all such bands reaches: one of them may have taken in what lies
 * beside. */
static double agree_on_thickness(const struct stripe_bands *bands, const double *weight, size_t best)
{
    double all = 0.0;
    double agreed_mm = bands->fits[best].thickness_mm;

    for (size_t i = 0; i < bands->n; i++)
        all += weight[i];
    for (size_t i = 0; i < bands->n; i++) {
        double reached = 0.0; /* weight of those that are no thicker */
        double below = 0.0;   /* and of those that are thinner */

        for (size_t k = 0; k < bands->n; k++) {
            reached += bands->fits[k].thickness_mm <= bands->fits[i].thickness_mm ? weight[k] : 0.0;
            below += bands->fits[k].thickness_mm < bands->fits[i].thickness_mm ? weight[k] : 0.0;
        }
        if (weight[i] > 0.0 && below < 0.5 * all && reached >= 0.5 * all)
            agreed_mm = bands->fits[i].thickness_mm;
    }
    return agreed_mm;
}

/* Draws an end of a band to a place, together with the last centimetre of its line. */
static void draw_end(struct stripe_fit *fit, bool is_last, const double place_mm[2])
{
    size_t reach = (size_t)(DRAWN_MM / FIT_STEP_MM);
    size_t tip = is_last ? fit->n - 1 : 0;
    double by[2] = {place_mm[0] - fit->place_mm[tip][0], place_mm[1] - fit->place_mm[tip][1]};

    for (size_t i = 0; i < reach && i < fit->n; i++) {
        size_t at = is_last ? fit->n - 1 - i : i;
        double share = 1.0 - (double)i / (double)reach;

        fit->place_mm[at][0] += share * by[0];
        fit->place_mm[at][1] += share * by[1];
    }
    fit->length_mm = 0.0;
    for (size_t i = 1; i < fit->n; i++)
        fit->length_mm += hypot(fit->place_mm[i][0] - fit->place_mm[i - 1][0],
                                fit->place_mm[i][1] - fit->place_mm[i - 1][1]);
}

/* One band is often found along several candidates, which place its tips and walls a little differently. */
static void agree_on_band(struct stripe_bands *bands, size_t best)
{
    struct stripe_fit *fit = &bands->fits[best];
    double first_mm[2];
    double last_mm[2];
    double weight[STRIPE_MOST_BANDS];

    weigh_bands(bands, best, SAME_BAND, weight);
    fit->thickness_mm = agree_on_thickness(bands, weight, best);
    agree_on_end(bands, weight, best, false, first_mm, &fit->first);
    agree_on_end(bands, weight, best, true, last_mm, &fit->last);
    draw_end(fit, false, first_mm);
    draw_end(fit, true, last_mm);
}

/* Draws an end of a triple line to where its outer line turns round it; where that is not seen, part of the
 * line's thickness is not known there. */
static bool trace_rim(struct stripe_fit *fit, const struct mean_picture *mean, bool is_last)
{
    struct stripe_end *end = is_last ? &fit->last : &fit->first;
    struct stripe_rim rim;

    if (!stripe_rim_find(&rim, mean, fit, is_last))
        return false;
    if (rim.is_seen) {
        draw_end(fit, is_last, rim.place_mm);
        end->error_mm = rim.error_mm;
        end->aside_error_mm = rim.aside_error_mm;
    } else {
        end->error_mm = hypot(end->error_mm, OUTER_LINE_MM);
    }
    return true;
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
    best = settle_on_ends(bands, best);
    agree_on_band(bands, best);
    stripe->is_found = true;
    stripe->fit = bands->fits[best];
    memset(&bands->fits[best], 0, sizeof bands->fits[best]);
    if (stripe->fit.look == STRIPE_TRIPLE_LINE &&
        (!trace_rim(&stripe->fit, mean, false) || !trace_rim(&stripe->fit, mean, true)))
        return false;
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
