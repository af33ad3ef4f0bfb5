#include "measure/stripe_agree.h"

#include "measure/stripe_rim.h"

#include <math.h>

static const double SAME_BAND = 0.8; /* share of a band's line that lies near another's: both are one band */
static const double SAME_LINE = 0.6; /* the same, where they may end in different places */
static const double NEARLY_AS_LIKELY = 1.0; /* log odds */
/* The outer line of a triple line is drawn round the tip as thick as along the walls, where it is about a
 * millimetre thick: a third of that is not known there. */
static const double OUTER_LINE_MM = 0.37;
/* What the spread of the trials and of the bands tells is too wide along the stripe, for bands that err alike
 * are counted as apart, and too narrow across it, where a tip is drawn on little: of 30 even stripes of the
 * validation study ends lay within 0.45 of their standard errors along it (root mean square, one far off left
 * out); of 8 within 1.5 across it. */
static const double ALONG_SCALE = 0.5, ACROSS_SCALE = 1.5;
static const double SAME_END_MM = 4.0;
static const double LEAST_ERROR_MM = 0.25; /* of a tip: a pixel of the mean picture */
static const double DRAWN_MM = 10.0;       /* of the line that is drawn along with its tip */

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

size_t stripe_agree_settle(const struct stripe_bands *bands, size_t best)
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
 * one tip, and of how far they lie apart along the stripe and across it (half of the variance in the plane).
 */
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
    end->error_mm = ALONG_SCALE * hypot(errors / weights, sqrt(0.5 * squares));
    end->aside_error_mm = ACROSS_SCALE * hypot(aside_errors / weights, sqrt(0.5 * squares));
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

void stripe_agree_on_band(struct stripe_bands *bands, size_t best)
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

bool stripe_agree_with_rim(struct stripe_fit *fit, const struct mean_picture *mean, bool is_last)
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
