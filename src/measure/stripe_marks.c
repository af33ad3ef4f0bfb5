#include "measure/loop_sections.h"

#include "measure/stripe_bands.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* With marks given. For now both, joined by the found stripe where it agrees with them. */
static const double NEAR_MM = 10.0;
/* Who marks both ends has seen a uterus; that counts for about fifty to one. */
static const double MARKED_ODDS = 4.0;
static const double LEAST_WORTH = -5.0; /* of a band found elsewise: less would be trusted less than a line */
static const double STRAIGHT_TRUST = 0.3; /* no band with two walls between the marks */
static const double NEAR_LINE_MM = 3.0;   /* the centre line from an arc between the marks */
static const double HAND_MM = 0.5; /* standard error of a mark along the stripe: common practice, no source */
static const double ASIDE_MM =
    2.0; /* a mark lies so well on the centre line: a hand's aim, common practice, no source */

static const double OUTWARD_MM = 5.0;   /* of a line that tells which way it leads on */
static const double LED_ON_MM = 16.0;   /* beyond where a band was found to end, toward the os */
static const double MOST_DETOUR = 1.12; /* an arc that turns by a right angle is 1.11 times its chord */
static const double DETOUR_SPREAD = 0.03;

static void mark_mm(const struct canvas *canvas, struct point frame_px, double place_mm[2])
{
    canvas_to_mm(canvas, canvas_from_frame(canvas, frame_px), place_mm);
}

static double away(const double a[2], const double b[2])
{
    return hypot(a[0] - b[0], a[1] - b[1]);
}

/* Sets the first place of the fit exactly: places nearer than 4 mm to it or beyond it go. */
static bool set_first(struct stripe_fit *fit, const double mark[2])
{
    size_t skip = 0;
    size_t nearest = 0;
    double(*place)[2] = NULL;
    double *half = NULL;
    double lead = 0.0;
    size_t n_lead = 0;

    for (size_t i = 0; i < fit->n; i++)
        if (away(fit->place_mm[i], mark) < away(fit->place_mm[nearest], mark))
            nearest = i;
    skip = nearest;
    while (skip + 2 < fit->n && away(fit->place_mm[skip], mark) < 4.0)
        skip++;
    lead = away(fit->place_mm[skip], mark);
    n_lead = (size_t)fmax(1.0, round(lead / FIT_STEP_MM));
    place = calloc(fit->n - skip + n_lead, sizeof *place);
    half = calloc(fit->n - skip + n_lead, sizeof *half);
    if (place == NULL || half == NULL) {
        free(place);
        free(half);
        return false;
    }
    for (size_t i = 0; i < n_lead; i++) {
        double part = (double)i / (double)n_lead;

        for (int axis = 0; axis < 2; axis++)
            place[i][axis] = mark[axis] + part * (fit->place_mm[skip][axis] - mark[axis]);
        half[i] = fit->half_mm[skip] * sqrt(fmin(1.0, part * lead / fmax(fit->half_mm[skip], 1.0)));
    }
    memcpy(place + n_lead, fit->place_mm + skip, (fit->n - skip) * sizeof *place);
    memcpy(half + n_lead, fit->half_mm + skip, (fit->n - skip) * sizeof *half);
    free(fit->place_mm);
    free(fit->half_mm);
    fit->place_mm = place;
    fit->half_mm = half;
    fit->n = fit->n - skip + n_lead;
    fit->first.error_mm = HAND_MM;
    fit->first.is_at_edge = false;
    fit->length_mm = 0.0;
    for (size_t i = 1; i < fit->n; i++)
        fit->length_mm += away(fit->place_mm[i - 1], fit->place_mm[i]);
    return true;
}

/* A stripe of the two marks alone: a straight line whose walls are not known. */
static bool straight_stripe(struct stripe *stripe, const double fundus[2], const double os[2])
{
    double length = away(fundus, os);
    size_t n = (size_t)fmax(2.0, round(length / FIT_STEP_MM) + 1.0);
    struct stripe_fit *fit = &stripe->fit;

    stripe_fit_free(fit);
    fit->place_mm = calloc(n, sizeof *fit->place_mm);
    fit->half_mm = calloc(n, sizeof *fit->half_mm);
    if (fit->place_mm == NULL || fit->half_mm == NULL)
        return false;
    fit->n = n;
    fit->length_mm = length;
    for (size_t i = 0; i < n; i++) {
        double part = (double)i / (double)(n - 1);

        for (int axis = 0; axis < 2; axis++)
            fit->place_mm[i][axis] = fundus[axis] + part * (os[axis] - fundus[axis]);
        fit->half_mm[i] = 4.0; /* half of a usual thickness, only to place the patches that are followed */
    }
    return true;
}

/* How far a mark lies from a fit that is led straight on at both ends: a band is often cut short. */
static double aside(const struct stripe_fit *fit, const double mark[2])
{
    size_t reach = (size_t)(OUTWARD_MM / FIT_STEP_MM);
    double nearest = HUGE_VAL;

    for (size_t i = 0; i < fit->n; i++)
        nearest = fmin(nearest, away(fit->place_mm[i], mark));
    for (int end = 0; end < 2; end++) {
        const double *tip = fit->place_mm[end == 0 ? 0 : fit->n - 1];
        size_t inner = fit->n <= reach ? fit->n - 1 : reach;
        const double *from = fit->place_mm[end == 0 ? inner : fit->n - 1 - inner];
        double length = fmax(away(tip, from), 1e-6);
        double x = (tip[0] - from[0]) / length;
        double y = (tip[1] - from[1]) / length;
        double along = (mark[0] - tip[0]) * x + (mark[1] - tip[1]) * y;

        if (along > 0.0 && along < LED_ON_MM)
            nearest = fmin(nearest, fabs((mark[0] - tip[0]) * y - (mark[1] - tip[1]) * x));
    }
    return nearest;
}

/* How much longer the way from mark to mark is along a fit than straight: 1 and a little, of a bent stripe.
 */
static double detour(const struct stripe_fit *fit, const double fundus[2], const double os[2])
{
    size_t from = 0;
    size_t to = 0;
    double way = 0.0;

    for (size_t i = 0; i < fit->n; i++) {
        from = away(fit->place_mm[i], fundus) < away(fit->place_mm[from], fundus) ? i : from;
        to = away(fit->place_mm[i], os) < away(fit->place_mm[to], os) ? i : to;
    }
    way = away(fit->place_mm[from], fundus) + away(fit->place_mm[to], os);
    for (size_t i = from < to ? from : to; i < (from < to ? to : from); i++)
        way += away(fit->place_mm[i], fit->place_mm[i + 1]);
    return way / away(fundus, os);
}

/* How likely a fit between marks is; one that runs past a mark follows a neighbouring layer, and one that
 * winds is none. */
static double worth(const struct stripe_fit *fit, const struct mean_picture *mean, const double fundus[2],
                    const double os[2])
{
    double one = aside(fit, fundus) / ASIDE_MM;
    double other = aside(fit, os) / ASIDE_MM;
    double winding = fmax(detour(fit, fundus, os) - MOST_DETOUR, 0.0) / DETOUR_SPREAD;

    return stripe_marked_odds(fit, mean) - 0.5 * (one * one + other * other + winding * winding);
}

/* A band that was found without the marks, runs from one to the other and is likelier than what the arcs
 * gave. */
static bool take_band(struct stripe *stripe, const struct mean_picture *mean, const double fundus[2],
                      const double os[2], double *best, bool *is_any, struct error **err)
{
    struct stripe_bands *bands = NULL;

    if (!stripe_bands_make(&bands, mean, err))
        return false;
    for (size_t i = 0; i < bands->n; i++) {
        struct stripe_fit *fit = &bands->fits[i];
        const double *first = fit->place_mm[0];
        const double *last = fit->place_mm[fit->n - 1];
        bool is_turned = away(last, fundus) < away(first, fundus);
        double value = 0.0;

        if (away(is_turned ? last : first, fundus) > NEAR_MM ||
            away(is_turned ? first : last, os) > LED_ON_MM)
            continue;
        value = worth(fit, mean, fundus, os);
        if (value <= fmax(*best, LEAST_WORTH))
            continue;
        *best = value;
        *is_any = true;
        stripe_fit_free(&stripe->fit);
        stripe->fit = *fit;
        memset(fit, 0, sizeof *fit);
        if (is_turned)
            stripe_turn(stripe);
    }
    stripe_bands_free(&bands);
    return true;
}

/* Fits a stripe along arcs between the marks; keeps the one that answers best. Trust: that what lies
 * between the marks is an endometrium. */
static bool fit_arcs(struct stripe *stripe, const struct mean_picture *mean, const double fundus[2],
                     const double os[2], struct error **err)
{
    double best = -HUGE_VAL;
    bool is_any = false;

    for (int bend = -4; bend <= 4; bend++)
        for (int guise = 0; guise < STRIPE_N_GUISES; guise++) {
            enum { N = 15 };
            double place[N][2];
            struct stripe_candidate candidate = {.look = STRIPE_GUISES[guise].look,
                                                 .n = N,
                                                 .place_mm = place,
                                                 .half_mm = STRIPE_GUISES[guise].half_mm,
                                                 .aside_mm = NEAR_LINE_MM};
            struct stripe_fit fit = {0};
            bool is_found = false;
            double value = 0.0;

            for (int i = 0; i < N; i++) {
                double part = (double)i / (N - 1);
                double bulge = 0.06 * bend * 4.0 * part * (1.0 - part);

                place[i][0] = fundus[0] + part * (os[0] - fundus[0]) - bulge * (os[1] - fundus[1]);
                place[i][1] = fundus[1] + part * (os[1] - fundus[1]) + bulge * (os[0] - fundus[0]);
            }
            if (!stripe_fit_make(&fit, &is_found, mean->picture, mean->window, mean->pixel_mm, &candidate,
                                 err))
                return false;
            value = is_found ? worth(&fit, mean, fundus, os) : -HUGE_VAL;
            if (value > best && away(fit.place_mm[0], fundus) < NEAR_MM &&
                away(fit.place_mm[fit.n - 1], os) < NEAR_MM) {
                best = value;
                is_any = true;
                stripe_fit_free(&stripe->fit);
                stripe->fit = fit;
            } else {
                stripe_fit_free(&fit);
            }
        }
    if (!take_band(stripe, mean, fundus, os, &best, &is_any, err))
        return false;
    stripe->trust = STRAIGHT_TRUST;
    if (is_any) {
        double odds = stripe_marked_odds(&stripe->fit, mean);

        stripe->trust = 1.0 / (1.0 + exp(-odds - MARKED_ODDS));
        return set_first(&stripe->fit, fundus) ? true : error_memory(err);
    }
    return straight_stripe(stripe, fundus, os) ? true : error_memory(err);
}

static bool mark_both(struct stripe *stripe, const struct mean_picture *mean, const double fundus[2],
                      const double os[2], struct error **err)
{
    if (away(fundus, os) < 5.0)
        return error_set(err, ERROR_USAGE,
                         "--fundus and --os lie less than 5 mm apart; mark the two ends of the cavity");
    if (!fit_arcs(stripe, mean, fundus, os, err))
        return false;
    stripe_turn(stripe);
    if (!set_first(&stripe->fit, os))
        return error_memory(err);
    stripe_turn(stripe);
    stripe->is_found = true;
    stripe->is_marked = true;
    stripe->fundus_first = 50.0;
    text_list_free(&stripe->reasons);
    if (stripe->trust < STRIPE_SURE_TRUST)
        (void)text_list_add(&stripe->reasons,
                            "nothing like an endometrium is seen between the given marks; check them by eye");
    return true;
}

/* One mark: the found stripe's nearer end is moved onto it. */
static bool mark_one(struct stripe *stripe, const double mark[2], bool is_fundus, struct error **err)
{
    bool is_last = false;

    if (!stripe->is_found) {
        (void)text_list_add(&stripe->reasons,
                            is_fundus ? "one mark does not tell which band it is; give --os as well"
                                      : "one mark does not tell which band it is; give --fundus as well");
        return true;
    }
    is_last = away(stripe->fit.place_mm[stripe->fit.n - 1], mark) < away(stripe->fit.place_mm[0], mark);
    if (away(stripe->fit.place_mm[is_last ? stripe->fit.n - 1 : 0], mark) > 2.0 * NEAR_MM) {
        stripe->is_found = false;
        stripe_fit_free(&stripe->fit);
        (void)text_list_add(
            &stripe->reasons,
            "the band that stands out ends far from the given mark; mark both ends with --fundus and --os");
        return true;
    }
    if (is_last)
        stripe_turn(stripe);
    if (!set_first(&stripe->fit, mark))
        return error_memory(err);
    if (!is_fundus)
        stripe_turn(stripe);
    stripe->fundus_first = 50.0;
    return true;
}

bool stripe_search_or_mark(struct stripe *stripe, const struct mean_picture *mean, const double probe_mm[2],
                           const struct canvas *canvas, const struct loop_request *request,
                           struct error **err)
{
    double fundus[2] = {0};
    double os[2] = {0};

    mark_mm(canvas, request->fundus_px, fundus);
    mark_mm(canvas, request->os_px, os);
    if (request->has_fundus && request->has_os) {
        memset(stripe, 0, sizeof *stripe);
        return mark_both(stripe, mean, fundus, os, err);
    }
    if (!stripe_find(stripe, mean, probe_mm, err))
        return false;
    if (request->has_fundus || request->has_os)
        return mark_one(stripe, request->has_fundus ? fundus : os, request->has_fundus, err);
    return true;
}
