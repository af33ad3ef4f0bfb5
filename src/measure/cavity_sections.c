#include "measure/length.h"
#include "measure/loop_sections.h"

#include <math.h>
#include <stdlib.h>

static const double SURELY_ODDS = 2.0; /* log odds of the catheter's side: about seven to one */
static const double LEAST_NEAR = 0.9;  /* chance that the fundus is that near: below, a mark is asked for */
static const double NEAR_MM = 2.0;     /* a fundus told so near the true one is right: of trust */
static const double NORMAL_95 = 1.96;

double sections_fundus_odds(const struct stripe *stripe, const struct cluster *cluster)
{
    double odds = stripe->fundus_first;

    odds += cluster->catheter_odds; /* the catheter comes from the os */
    if (cluster->is_present && stripe->fit.length_mm > 0.0)
        for (size_t t = 0; t < cluster->n; t++)
            if (cluster->sight[t].is_seen) {
                /* Deposits are aimed at the upper half: Lambers et al., Fertil. Steril. 2007:
                 * 0.36 to 0.45 of the plate's length from the fundus. */
                odds +=
                    fmin(fmax(3.0 * (0.5 - cluster->sight[t].along_mm / stripe->fit.length_mm), -0.8), 0.8);
                break;
            }
    return odds;
}

double sections_certainty(double odds)
{
    return 1.0 / (1.0 + exp(-fabs(odds)));
}

/* Where an end is marked but the catheter, that comes from the os, came in by the fundus. */
static void doubt_marks(struct cavity *cavity, const struct stripe *stripe, const struct cluster *cluster)
{
    if ((!cavity->fundus_given && !cavity->os_given) ||
        stripe->fundus_first * cluster->catheter_odds >= 0.0 || fabs(cluster->catheter_odds) <= SURELY_ODDS)
        return;
    cavity->marks_doubted = true;
    (void)text_list_add(
        &cavity->reasons,
        cavity->fundus_given && cavity->os_given
            ? "a catheter seems to come in by the end that was marked as the fundus; check that the "
              "two marks are not exchanged"
        : cavity->fundus_given
            ? "a catheter seems to come in by the end that was marked as the fundus; check that the "
              "mark is not that of the os"
            : "a catheter seems to come in by the end that the mark of the os leaves to be the "
              "fundus; check that the mark is not that of the fundus");
}

static double near_along(const struct stripe_end *end)
{
    return erf(NEAR_MM / (fmax(end->error_mm, 1e-9) * sqrt(2.0)));
}

static void explain_cavity(struct cavity *cavity, const struct stripe *stripe, double sure, bool is_first)
{
    const struct stripe_end *end = is_first ? &stripe->fit.first : &stripe->fit.last;

    if (!cavity->fundus_given && near_along(end) < LEAST_NEAR)
        (void)text_list_add(
            &cavity->reasons,
            "the fundal end of the stripe is told to within %.1f mm only; mark it with --fundus",
            NORMAL_95 * end->error_mm);
    if (sure < SECTIONS_SURE_OF_END)
        (void)text_list_add(&cavity->reasons,
                            "which end of the stripe is the fundus cannot be told; mark it with --fundus");
    if (stripe->trust < STRIPE_SURE_TRUST)
        (void)text_list_add(
            &cavity->reasons,
            stripe->is_marked
                ? "the stripe hardly stands out; check the marks by eye"
                : "the stripe hardly stands out; check its ends by eye and mark them with --fundus and --os");
    if (stripe->has_rival)
        (void)text_list_add(&cavity->reasons,
                            "another band of the picture looks like an endometrium too; check by "
                            "eye that the right one was taken, or mark its ends");
    if (stripe->fit.first.is_at_edge || stripe->fit.last.is_at_edge)
        (void)text_list_add(&cavity->reasons, "the stripe runs out of the picture");
}

double sections_trust_along(const struct stripe *stripe, double odds)
{
    return stripe->trust * sections_certainty(odds) *
           near_along(odds >= 0.0 ? &stripe->fit.first : &stripe->fit.last);
}

/* Chance that the fundus lies within NEAR_MM of where it is told, by the tip's own standard errors along the
 * stripe and across it. A mark is where it is. */
static double near_chance(const struct stripe *stripe, bool is_first, const struct loop_request *request)
{
    enum { STEPS = 64 };
    const struct stripe_end *end = is_first ? &stripe->fit.first : &stripe->fit.last;
    double chance = 0.0;
    double all = 0.0;

    if (request->has_fundus || !stripe->is_found || !(end->error_mm > 0.0) || !(end->aside_error_mm > 0.0))
        return 1.0;
    for (int i = 0; i < STEPS; i++) { /* over four standard errors across */
        double z = 8.0 * (i + 0.5) / STEPS - 4.0;
        double aside_mm = z * end->aside_error_mm;
        double weight = exp(-0.5 * z * z);

        all += weight;
        if (fabs(aside_mm) < NEAR_MM)
            chance +=
                weight * erf(sqrt(NEAR_MM * NEAR_MM - aside_mm * aside_mm) / (end->error_mm * sqrt(2.0)));
    }
    return chance / all;
}

/* Where a place of the mean picture lies in the first key: a share of the way from the stripe's first place
 * to its last. */
static struct point strayed_place(const struct canvas *canvas, const double place_mm[2],
                                  const struct follow *follow, double share)
{
    double in_key_mm[2];

    for (int k = 0; k < 2; k++)
        in_key_mm[k] =
            place_mm[k] - (1.0 - share) * follow->tip_stray_mm[0][k] - share * follow->tip_stray_mm[1][k];
    return canvas_to_frame(canvas, canvas_from_mm(canvas, in_key_mm));
}

static struct point key_place(const struct canvas *canvas, const struct stripe_fit *fit,
                              const struct follow *follow, size_t i)
{
    return strayed_place(canvas, fit->place_mm[i], follow, (double)i / (double)(fit->n - 1));
}

void sections_fill_cavity(struct cavity *cavity, const struct stripe *stripe, const struct cluster *cluster,
                          const struct canvas *canvas, const struct keys *keys, const struct follow *follow,
                          const struct loop_request *request)
{
    const struct stripe_fit *fit = &stripe->fit;
    const struct stripe_tail *tail = &stripe->tail;
    double odds = stripe->is_found ? sections_fundus_odds(stripe, cluster) : 0.0;
    double sure = request->has_fundus || request->has_os ? 1.0 : sections_certainty(odds);
    bool is_first = odds >= 0.0;

    for (size_t i = 0; i < stripe->reasons.n; i++)
        (void)text_list_add(&cavity->reasons, "%s", stripe->reasons.items[i]);
    cavity->frame = keys->frame[0];
    cavity->time_s = keys->time_s[0];
    cavity->fundus_given = request->has_fundus;
    cavity->os_given = request->has_os;
    cavity->trust = stripe->trust * sure * near_chance(stripe, is_first, request);
    if (!stripe->is_found)
        return;
    cavity->verdict = request->has_fundus && request->has_os ? CAVITY_GIVEN : CAVITY_FOUND;
    cavity->centre_line = calloc(fit->n + tail->n, sizeof *cavity->centre_line);
    if (cavity->centre_line != NULL) {
        cavity->n_centre_line = fit->n + tail->n;
        for (size_t i = 0; i < fit->n; i++)
            cavity->centre_line[i] = key_place(canvas, fit, follow, is_first ? i : fit->n - 1 - i);
        for (size_t i = 0; i < tail->n; i++)
            cavity->centre_line[fit->n + i] =
                strayed_place(canvas, tail->place_mm[i], follow, is_first ? 1.0 : 0.0);
    }
    cavity->has_points = true;
    cavity->fundus_px =
        request->has_fundus ? request->fundus_px : key_place(canvas, fit, follow, is_first ? 0 : fit->n - 1);
    cavity->os_px = request->has_os ? request->os_px
                    : tail->n > 0
                        ? cavity->centre_line != NULL
                              ? cavity->centre_line[cavity->n_centre_line - 1]
                              : canvas_to_frame(canvas, canvas_from_mm(canvas, tail->place_mm[tail->n - 1]))
                        : key_place(canvas, fit, follow, is_first ? fit->n - 1 : 0);
    length_set(canvas, &cavity->length_mm, &cavity->length_px, quantity_of(fit->length_mm + tail->length_mm));
    if (fit->thickness_mm > 0.0)
        length_set(canvas, &cavity->thickness_mm, &cavity->thickness_px, quantity_of(fit->thickness_mm));
    else
        (void)text_list_add(&cavity->reasons, "the walls cannot be made out, so there is no thickness");
    if (canvas->is_nominal)
        (void)text_list_add(&cavity->reasons, "no scale is known, so lengths are in pixels only");
    explain_cavity(cavity, stripe, sure, is_first);
    doubt_marks(cavity, stripe, cluster);
}
