#include "measure/stripe.h"

#include "base/parallel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Thickest double layer that is taken for an endometrium; common practice, no source. */
static const double MOST_THICKNESS_MM = 15.3;
static const double MOST_CONTRAST = 5.5; /* more is no better: real stripes are faint */
/* Luma of what lies beside the stripe over that of bright tissue in the same picture: myometrium has
 * echoes, blood and air have none. */
static const double LEAST_ECHOES = 0.55;
static const double LEAST_SLENDER = 2.4; /* length over thickness */
static const double LEAST_THICKNESS_MM = 5.0;
static const double MOST_LENGTH_MM = 60.0;
/* Three lines with dark between arise by chance less often than one bright band: in pictures
 * without a stripe the best triple line answers about two thirds as strongly. */
static const double LAYERS_WORTH = 1.4;
enum { ENOUGH_PICTURES = 8 };
static const double LEAST_TRUST = 0.3; /* below this the stripe is not shown at all */

/* Falls from 1 as a value passes what is usual. */
static double falling(double value, double usual, double width)
{
    double beyond = fmax(value - usual, 0.0) / width;

    return 1.0 / (1.0 + beyond * beyond);
}

/* How good a fit is: its contrast against chance and how evenly it answers; then what makes a
 * band an endometrium: its length and thickness, the same myometrium on both sides and for
 * some way, and an end that closes with tissue like that at its sides. */
static double quality_of(const struct stripe_fit *fit, double tissue_luma)
{
    double detail = fmax(fit->detail, 3.0);
    double side = fabs(fit->upper_near - fit->lower_near) / detail;
    double depth =
        0.5 * (fabs(fit->upper_far - fit->upper_near) + fabs(fit->lower_far - fit->lower_near)) / detail;
    double closed = fmin(fabs(fit->first.beyond), fabs(fit->last.beyond)) / detail;
    double open = fmax(fabs(fit->first.beyond), fabs(fit->last.beyond)) / detail;
    double blur = fmin(fit->first.error_mm, fit->last.error_mm);
    double echoes = 0.5 * (fit->upper_near + fit->lower_near) / tissue_luma;
    double slender = fit->length_mm / fmax(fit->thickness_mm, 1.0);
    double quality =
        fmin(fit->contrast, MOST_CONTRAST) * fit->evenness * sqrt(fmin(fit->length_mm, 45.0) / 45.0);

    if (fit->look == STRIPE_TRIPLE_LINE)
        quality *= LAYERS_WORTH;
    quality *= exp(-0.5 * (side / 0.8) * (side / 0.8) - 0.5 * (depth / 0.5) * (depth / 0.5));
    quality *= falling(closed, 0.2, 0.6) * falling(open, 0.7, 0.5) * falling(blur, 0.8, 1.5);
    quality *= falling(fit->thickness_mm, MOST_THICKNESS_MM, 0.8) *
               falling(-fit->thickness_mm, -LEAST_THICKNESS_MM, 1.5);
    quality *= falling(fit->length_mm, MOST_LENGTH_MM, 8.0) * falling(-slender, -LEAST_SLENDER, 0.6);
    quality *= falling(-echoes, -LEAST_ECHOES, 0.08);
    if (fit->first.is_at_edge || fit->last.is_at_edge)
        quality *= 0.6;
    return quality;
}

static double share_near(const struct stripe_fit *a, const struct stripe_fit *b)
{
    size_t n_near = 0;

    for (size_t i = 0; i < a->n; i++) {
        double nearest = HUGE_VAL;

        for (size_t j = 0; j < b->n; j++)
            nearest = fmin(
                nearest, hypot(a->place_mm[i][0] - b->place_mm[j][0], a->place_mm[i][1] - b->place_mm[j][1]));
        n_near += nearest < 5.0;
    }
    return (double)n_near / (double)a->n;
}

struct fitting {
    const struct mean_picture *mean;
    struct stripe_candidate candidates[STRIPE_MOST_CANDIDATES];
    struct stripe_fit fits[STRIPE_MOST_CANDIDATES];
    bool is_found[STRIPE_MOST_CANDIDATES];
    bool is_done[STRIPE_MOST_CANDIDATES];
};

static void fit_candidate(void *context, size_t i)
{
    struct fitting *fitting = context;
    struct error *err = NULL;

    fitting->is_done[i] =
        stripe_fit_make(&fitting->fits[i], &fitting->is_found[i], fitting->mean->picture,
                        fitting->mean->window, fitting->mean->pixel_mm, &fitting->candidates[i], &err);
    error_free(&err);
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

/* Evidence of shape for which end is the fundus, each kept small: none of it is sure. */
static double shape_evidence(const struct stripe_fit *fit, const double probe_mm[2])
{
    const double *first = fit->place_mm[0];
    const double *last = fit->place_mm[fit->n - 1];
    double odds = 0.0;

    /* The fundal end is thick and blunt, the stripe tapers to the os: common practice, no source. */
    odds += within(2.0 * log(half_near(fit, false) / half_near(fit, true)), 1.5);
    odds += within(0.5 * log(fit->first.bluntness / fit->last.bluntness), 0.7);
    /* The canal leads on from the os. */
    odds += within(0.25 * (fit->last.line_beyond - fit->first.line_beyond), 0.8);
    /* The probe lies against the cervix. */
    odds += within(0.03 * (hypot(first[0] - probe_mm[0], first[1] - probe_mm[1]) -
                           hypot(last[0] - probe_mm[0], last[1] - probe_mm[1])),
                   0.5);
    return odds;
}

static double trust_of(double quality, double rival)
{
    double trust = 1.0 / (1.0 + exp(-2.2 * (quality - 1.9)));
    double lead = rival > 0.0 ? quality / rival : 10.0;

    return trust / (1.0 + exp(-6.0 * (lead - 1.05)));
}

/* Upper quartile of luma within the picture. */
static double bright_tissue(const struct mean_picture *mean)
{
    size_t counts[256] = {0};
    size_t total = 0;
    size_t passed = 0;
    size_t n = (size_t)mean->picture->width_px * (size_t)mean->picture->height_px;
    size_t level = 0;

    for (size_t i = 0; i < n; i++)
        if (mean->window->value[i] > 0.5F) {
            counts[(size_t)fminf(fmaxf(mean->picture->value[i], 0.0F), 255.0F)]++;
            total++;
        }
    while (level < 255 && 4 * (passed += counts[level]) < 3 * total)
        level++;
    return fmax((double)level, 1.0);
}

static void choose(struct stripe *stripe, struct fitting *fitting, size_t n, const double probe_mm[2])
{
    double quality[STRIPE_MOST_CANDIDATES] = {0};
    double rival = 0.0;
    double tissue_luma = bright_tissue(fitting->mean);
    size_t best = n;

    for (size_t i = 0; i < n; i++) {
        quality[i] = fitting->is_found[i] ? quality_of(&fitting->fits[i], tissue_luma) : 0.0;
        if (quality[i] > 0.0 && (best == n || quality[i] > quality[best]))
            best = i;
    }
    if (best == n) {
        (void)text_list_add(&stripe->reasons, "no band with two walls stands out from the speckle");
        return;
    }
    for (size_t i = 0; i < n; i++)
        if (i != best && quality[i] > rival && share_near(&fitting->fits[i], &fitting->fits[best]) < 0.5)
            rival = quality[i];
    /* Few pictures leave their speckle as it is, and speckle makes bands: less than half the trust for one.
     */
    stripe->trust = trust_of(quality[best], rival);
    if (fitting->mean->n_keys < ENOUGH_PICTURES)
        stripe->trust *= (double)fitting->mean->n_keys / ((double)fitting->mean->n_keys + 1.2);
    if (stripe->trust < LEAST_TRUST) {
        (void)text_list_add(&stripe->reasons,
                            rival > 0.95 * quality[best]
                                ? "several bands look alike; none can be told to be the endometrium"
                                : "the best band hardly stands out from the speckle");
        return;
    }
    stripe->is_found = true;
    stripe->fit = fitting->fits[best];
    memset(&fitting->fits[best], 0, sizeof fitting->fits[best]);
    stripe->fundus_first = shape_evidence(&stripe->fit, probe_mm);
}

bool stripe_find(struct stripe *stripe, const struct mean_picture *mean, const double probe_mm[2],
                 struct error **err)
{
    struct fitting *fitting = calloc(1, sizeof *fitting);
    struct mean_picture half = {0};
    size_t n = 0;
    bool is_made = false;

    memset(stripe, 0, sizeof *stripe);
    if (fitting == NULL)
        return error_memory(err);
    fitting->mean = mean;
    is_made = mean_picture_halve(&half, mean, err) &&
              stripe_search(half.picture, half.window, half.pixel_mm, fitting->candidates, &n, err);
    if (is_made) {
        parallel_run(n, 0, fit_candidate, fitting);
        for (size_t i = 0; i < n; i++)
            is_made = is_made && fitting->is_done[i];
        if (is_made)
            choose(stripe, fitting, n, probe_mm);
        else
            (void)error_memory(err);
    }
    for (size_t i = 0; i < n; i++) {
        stripe_candidate_free(&fitting->candidates[i]);
        stripe_fit_free(&fitting->fits[i]);
    }
    mean_picture_free(&half);
    free(fitting);
    return is_made;
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
