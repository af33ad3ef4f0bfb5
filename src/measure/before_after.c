#include "measure/before_after.h"

#include "measure/sides.h"

#include <math.h>

/* Clocks are often told in whole seconds: two of them, each cut short, are this far apart at the most. */
static const double CLOCK_STEP_S = 1.0;
static const double LONGEST_S = 86400.0; /* farther apart they are not of one transfer: as for follow-ups */

/* Seconds between a loop and the deposit's on the side asked for; negative where it does not lie there by its
 * clock. */
static double apart_s(const struct loop_result *deposit, const struct loop_result *loop, bool is_before)
{
    double apart = is_before ? deposit->start_s - (loop->start_s + loop->duration_s)
                             : loop->start_s - (deposit->start_s + deposit->duration_s);

    if (!deposit->has_start || !loop->has_start || apart < -CLOCK_STEP_S || apart > LONGEST_S)
        return -1.0;
    return fmax(apart, 0.0);
}

/* The whole of the nearest loop on that side that has a frequency, in the place of a side that has none. */
static void take_nearest(struct contraction_side *side, const struct loop_result *loops, size_t n_loops,
                         size_t deposit_loop, bool is_before)
{
    double nearest = INFINITY;

    for (size_t i = 0; i < n_loops; i++) {
        const struct contractions *contractions = &loops[i].contractions;
        double apart = apart_s(&loops[deposit_loop], &loops[i], is_before);

        if (i == deposit_loop || apart < 0.0 || apart >= nearest ||
            contractions->verdict != CONTRACTIONS_MEASURED || !contractions->frequency_per_min.is_known ||
            contractions->n_over_time == 0)
            continue;
        nearest = apart;
        *side = (struct contraction_side){
            .is_there = true,
            .loop = i,
            .from_s = contractions->over_time[0].from_s,
            .to_s = contractions->over_time[0].from_s + contractions->assessed_s,
            .frequency_per_min = contractions->frequency_per_min,
            .amplitude_mm = contractions->amplitude_mm,
            .amplitude_px = contractions->amplitude_px,
        };
    }
}

static bool copy_list(struct text_list *to, const struct text_list *from)
{
    for (size_t i = 0; i < from->n; i++)
        if (!text_list_add(to, "%s", from->items[i]))
            return false;
    return true;
}

bool before_after_join(struct contractions *contractions, const struct loop_result *loops, size_t n_loops,
                       size_t deposit_loop, struct error **err)
{
    const struct before_after *own = &loops[deposit_loop].contractions.before_after;
    struct before_after *made = &contractions->before_after;
    bool has_deposit = loops[deposit_loop].deposit.verdict == DEPOSIT_MEASURED;
    bool is_good = true;

    text_list_free(&made->reasons);
    *made = *own;
    made->reasons = (struct text_list){0};
    made->before.loop = made->after.loop = deposit_loop;
    if (has_deposit && !made->before.frequency_per_min.is_known)
        take_nearest(&made->before, loops, n_loops, deposit_loop, true);
    if (has_deposit && !made->after.frequency_per_min.is_known)
        take_nearest(&made->after, loops, n_loops, deposit_loop, false);
    if (made->before.loop == deposit_loop && made->after.loop == deposit_loop)
        return copy_list(&made->reasons, &own->reasons) ? true : error_memory(err);
    made->frequency_difference_per_min =
        sides_difference(made->before.frequency_per_min, made->after.frequency_per_min);
    made->amplitude_difference_mm = sides_difference(made->before.amplitude_mm, made->after.amplitude_mm);
    made->amplitude_difference_px = (struct quantity){0}; /* pixels of two loops may differ */
    if (made->frequency_difference_per_min.is_known)
        is_good = text_list_add(&made->reasons,
                                "before and after are of two loops (%s and %s), which may show two planes",
                                loops[made->before.loop].file, loops[made->after.loop].file);
    else
        is_good = copy_list(&made->reasons, &own->reasons);
    if (is_good && made->frequency_difference_per_min.is_known && !made->amplitude_difference_mm.is_known)
        is_good =
            text_list_add(&made->reasons, "one of the two loops has no amplitude in millimetres with an "
                                          "interval, so the amplitudes are not compared");
    return is_good ? true : error_memory(err);
}
