#include "measure/instant.h"

#include <math.h>

static const double GAIN_SWING = 10.0; /* grey levels: less hides no bubbles */
static const double END_MM = 4.0;      /* deposits lie deeper in the stripe (made loops: 5 mm and more) */
/* Bubbles come through the catheter. It may be lost from sight for some seconds while it is there, but not
 * for so long (common practice, no source: a catheter stays for less than half a minute). */
static const double LONG_GONE_S = 15.0;
static const double HOLE_S = 5.0;    /* between two sights of one stay */
static const double MISSING_S = 1.0; /* between two frames: no matter of the frame rate */

/* What makes the instant uncertain. */
static void doubt(struct text_list *reasons, const struct bubble_facts *facts)
{
    double at_mm = facts->cluster->first.sight.along_mm;

    if (facts->cluster->may_be_drawn)
        (void)text_list_add(reasons,
                            "the tissue moves too little to tell bubbles from a mark that was drawn over "
                            "the picture: look whether one was");
    if (facts->cluster->gain_swing > GAIN_SWING)
        (void)text_list_add(
            reasons,
            "the picture grows brighter and darker by %.0f grey levels: bubbles may be seen later "
            "than they came",
            facts->cluster->gain_swing);
    if (fmin(at_mm, facts->stripe->fit.length_mm - at_mm) < END_MM)
        (void)text_list_add(
            reasons, "the bubbles came to light at an end of what is seen of the stripe: they may have "
                     "come from beyond it, later than they were deposited");
}

/* When a catheter had come that was last seen long before the onset; false where there is none. */
static bool had_gone(const struct bubble_facts *facts, double *came_s, double *gone_s)
{
    const struct cluster *cluster = facts->cluster;
    const double *time_s = facts->follow->time_s;

    *came_s = *gone_s = -HUGE_VAL;
    for (size_t t = 0; t < cluster->onset; t++)
        if (cluster->sight[t].has_tip) {
            *came_s = time_s[t] - *gone_s > HOLE_S ? time_s[t] : *came_s;
            *gone_s = time_s[t];
        }
    return *gone_s >= time_s[0] && time_s[cluster->onset] - *gone_s > LONG_GONE_S;
}

bool instant_is_open(const struct bubble_facts *facts, double outside_mm, struct text_list *reasons,
                     double *since_s)
{
    const struct cluster *cluster = facts->cluster;
    double came_s = 0.0;
    double gone_s = 0.0;

    if (had_gone(facts, &came_s, &gone_s)) {
        *since_s = came_s;
        (void)text_list_add(
            reasons,
            "the catheter was last seen at %.0f s, %.0f s before the bubbles came to light: "
            "they were deposited while it was there, from %.0f s on, and may have lain elsewhere",
            gone_s, facts->follow->time_s[cluster->onset] - gone_s, came_s);
        return true;
    }
    if (cluster->led_from_s > 0.0) {
        *since_s = cluster->led_from_s;
        (void)text_list_add(
            reasons,
            "something bright lay in the stripe from %.0f s on, %.0f mm from where the bubbles "
            "shone up: whether it was the catheter or the bubbles cannot be told",
            *since_s, cluster->led_away_mm);
        return true;
    }
    if (outside_mm > INSTANT_OUTSIDE_MM) { /* what lay beside the stripe before is not seen */
        *since_s = facts->follow->time_s[0];
        return true;
    }
    if (!cluster->has_left)
        return false;
    *since_s = cluster->left_from_s;
    (void)text_list_add(reasons,
                        "the bubbles came to light when the catheter left or had gone, which may have lain "
                        "in its canal from %.0f s on: they were deposited since then, and may have lain "
                        "elsewhere",
                        *since_s);
    return true;
}

bool instant_fill(struct deposit *deposit, const struct bubble_facts *facts, double outside_mm)
{
    const struct cluster *cluster = facts->cluster;
    double onset_s = facts->follow->time_s[cluster->onset];
    double since_s = onset_s;
    bool is_open = false;

    doubt(&deposit->reasons, facts);
    is_open = instant_is_open(facts, outside_mm, &deposit->reasons, &since_s);
    if (!is_open && cluster->onset_error_s > MISSING_S) {
        since_s = onset_s - cluster->onset_error_s;
        (void)text_list_add(&deposit->reasons,
                            "no picture shows the %.1f s before the bubbles are seen: they came within them",
                            cluster->onset_error_s);
    }
    deposit->time_s = since_s < onset_s ? quantity_within(onset_s, since_s, onset_s) : quantity_of(onset_s);
    deposit->has_frame = true;
    deposit->frame = facts->follow->frame[cluster->onset];
    return is_open;
}
