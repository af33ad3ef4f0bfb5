#include "measure/tip_sections.h"

#include "base/statistics.h"
#include "measure/length.h"

#include <math.h>

/* Bubbles come to rest a little ahead of the tip that they left; a tip told elsewhere is another bright
 * thing, or the dim end of the shaft was not seen. Common practice, no source. */
static const double TIP_LEAST_BEHIND_MM = 1.0;
static const double TIP_MOST_BEHIND_MM = 5.0; /* of made loops at most 4.4 */
static const double TIP_BEFORE_S = 1.5;

/* Where the catheter's tip lay just before the deposit, from the fundus; false where it was not seen. */
static bool tip_before(const struct bubble_facts *facts, double *at_mm)
{
    const struct follow *follow = facts->follow;
    size_t onset = facts->cluster->onset;
    double tip_mm[64];
    size_t n = 0;

    for (size_t t = onset; t-- > 0 && n < 64 && follow->time_s[onset] - follow->time_s[t] < TIP_BEFORE_S;)
        if (facts->cluster->sight[t].has_tip)
            tip_mm[n++] = bubble_facts_from_fundus(facts, facts->cluster->sight[t].tip_along_mm);
    *at_mm = n > 0 ? statistics_median(tip_mm, n) : 0.0;
    return n > 0;
}

static double tip_behind_mm(const struct bubble_facts *facts, double at_mm)
{
    return at_mm - bubble_facts_from_fundus(facts, facts->cluster->first.sight.along_mm);
}

bool tip_sections_are_told(const struct bubble_facts *facts)
{
    double at_mm = 0.0;
    double behind_mm = 0.0;

    if (!facts->cluster->has_onset)
        return true;
    if (!tip_before(facts, &at_mm))
        return false;
    behind_mm = tip_behind_mm(facts, at_mm);
    return behind_mm >= TIP_LEAST_BEHIND_MM && behind_mm <= TIP_MOST_BEHIND_MM;
}

void tip_sections_fill(struct deposit *deposit, const struct bubble_facts *facts)
{
    double at_mm = 0.0;

    if (!tip_before(facts, &at_mm))
        (void)text_list_add(&deposit->reasons, "the catheter's tip was not seen just before the deposit");
    else if (tip_behind_mm(facts, at_mm) < TIP_LEAST_BEHIND_MM)
        (void)text_list_add(&deposit->reasons,
                            "the catheter's tip cannot be told from what is bright ahead of it");
    else if (tip_behind_mm(facts, at_mm) > TIP_MOST_BEHIND_MM)
        (void)text_list_add(
            &deposit->reasons,
            "the catheter was seen, but not as far as the bubbles that left it, so its tip is "
            "not told");
    else
        length_set(facts->canvas, &deposit->tip_to_fundus_mm, &deposit->tip_to_fundus_px,
                   quantity_of(fabs(at_mm)));
}
