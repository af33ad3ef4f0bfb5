#include "measure/drift_opinions.h"

#include "measure/length.h"

#include <math.h>

static const double NORMAL_95 = 1.96; /* standard errors on either side of a 95 % interval */
/* Farther apart than that, and than thrice what both may err by, one of them followed another thing: an
 * interval that held both would be wider than published drifts are long (means of 2 to 2.69 mm, norms.c). */
static const double GROSS_MM = 4.0;
static const double GROSS_INTERVALS = 3.0;
/* A drift told no better than that answers little: it is half of the longest of the published means (2.69 mm,
 * norms.c). Where the interval holds two opinions, it may be as wide as the shortest of them (2 mm). */
static const double MOST_HALF_MM = 1.35, MOST_JOINT_HALF_MM = 2.0;

static const char *way_of(double toward_mm)
{
    return toward_mm < 0.0 ? "away from" : "toward";
}

static void clear(struct drift *drift)
{
    const struct quantity none = {0};

    drift->verdict = DRIFT_NOT_ASSESSABLE;
    drift->net_mm = drift->path_mm = drift->farthest_mm = drift->spread_mm = none;
    drift->net_px = drift->path_px = drift->farthest_px = drift->spread_px = none;
    drift->toward_fundus_mm = drift->final_to_fundus_mm = drift->by_speckle_mm = none;
    drift->toward_fundus_px = drift->final_to_fundus_px = drift->by_speckle_px = none;
    drift->followed_s = drift->pieces = none;
}

static void withdraw(struct drift *drift, const struct drift_opinions *opinions)
{
    clear(drift);
    if (!opinions->has_direction)
        (void)text_list_add(
            &drift->reasons,
            "the centre of the bubbles' brightness and their pattern went ways that end %.1f mm apart: "
            "one of the two followed another thing, so no drift is told",
            fabs(opinions->centre_mm - opinions->speckle_mm));
    else
        (void)text_list_add(
            &drift->reasons,
            "by the centre of their brightness the bubbles went %.1f mm %s the fundus, by their "
            "pattern %.1f mm %s it: one of the two followed another thing, so no drift is told",
            fabs(opinions->centre_mm), way_of(opinions->centre_mm), fabs(opinions->speckle_mm),
            way_of(opinions->speckle_mm));
}

static void set_around(const struct canvas *canvas, struct quantity *mm, struct quantity *px, double value,
                       double low, double high)
{
    length_set(canvas, mm, px, quantity_within(value, low, high));
}

/* The drift, where its interval leaves something of it. */
static void set_drift(struct drift *drift, const struct canvas *canvas, double value, double low, double high,
                      double most_half_mm)
{
    if (0.5 * (high - low) > most_half_mm) {
        clear(drift);
        (void)text_list_add(&drift->reasons,
                            "how far the bubbles went is told to within %.1f mm only, too vague for a drift",
                            0.5 * (high - low));
        return;
    }
    set_around(canvas, &drift->toward_fundus_mm, &drift->toward_fundus_px, value, low, high);
}

void drift_opinions_join(struct drift *drift, const struct canvas *canvas,
                         const struct drift_opinions *opinions)
{
    double centre = opinions->centre_mm;
    double speckle = opinions->speckle_mm;
    double half = NORMAL_95 * hypot(opinions->centre_error_mm, opinions->shared_error_mm);
    double speckle_half = NORMAL_95 * hypot(opinions->speckle_error_mm, opinions->shared_error_mm);
    double joint = NORMAL_95 * hypot(opinions->centre_error_mm, opinions->speckle_error_mm);
    double apart = fabs(speckle - centre);

    if (opinions->why_no_speckle != NULL) {
        set_drift(drift, canvas, centre, centre - half, centre + half, MOST_HALF_MM);
        (void)text_list_add(&drift->reasons, "how far the bubbles went is told once, not twice: %s",
                            opinions->why_no_speckle);
        return;
    }
    if (apart > GROSS_MM && apart > GROSS_INTERVALS * joint) {
        withdraw(drift, opinions);
        return;
    }
    set_around(canvas, &drift->by_speckle_mm, &drift->by_speckle_px, speckle, speckle - speckle_half,
               speckle + speckle_half);
    if (apart <= joint) {
        set_drift(drift, canvas, centre, centre - half, centre + half, MOST_HALF_MM);
        return;
    }
    set_drift(drift, canvas, centre, fmin(centre - half, speckle), fmax(centre + half, speckle),
              MOST_JOINT_HALF_MM);
    if (opinions->has_direction)
        (void)text_list_add(
            &drift->reasons,
            "by their pattern the bubbles went %.1f mm %s the fundus, which differs by more than "
            "either may err: the drift's interval holds both",
            fabs(speckle), way_of(speckle));
}
