#include "measure/follow_ups.h"

#include <stdlib.h>

/* Clocks are often told in whole seconds: two of them, each cut short, are this far apart at the most. */
static const double CLOCK_STEP_S = 1.0;
static const double S_PER_MIN = 60.0;
static const double LONGEST_S =
    86400.0; /* a day after the deposit air has gone: common practice, no source */

/* When the bubbles were last seen, on the loop's own clock; false when no frame shows them. */
static bool last_seen_s(const struct loop_result *loop, double *time_s)
{
    for (size_t i = loop->n_series; i-- > 0;)
        if (loop->series[i].bubble_x_px.is_known) {
            *time_s = loop->series[i].time_s;
            return true;
        }
    return false;
}

/* Why the clocks of two loops cannot be compared; NULL when they can. */
static const char *why_no_minutes(const struct loop_result *deposit, const struct loop_result *later)
{
    if (!deposit->has_start)
        return "the loop of the deposit does not say when it was recorded";
    if (!later->has_start)
        return "it does not say when it was recorded";
    if (later->start_s < deposit->start_s)
        return "its clock says that it was recorded before the deposit";
    if (later->start_s + CLOCK_STEP_S < deposit->start_s + deposit->duration_s)
        return "its clock says that it began before the loop of the deposit had ended";
    return NULL;
}

static bool tell(struct text_list *reasons, const struct loop_result *loop, const char *what, const char *why)
{
    return text_list_add_once(reasons, "%s: %s, since %s", loop->file, what, why);
}

/* Why a later loop adds nothing; NULL when it adds something. */
static const char *why_nothing(const struct loop_result *deposit, const struct loop_result *later)
{
    if (later->drift.verdict == DRIFT_NONE_SEEN)
        return "no bubbles were seen in it";
    if (later->drift.verdict != DRIFT_MEASURED)
        return "bubbles could not be followed in it";
    if (deposit->has_start && later->has_start && later->start_s - deposit->start_s > LONGEST_S)
        return "its clock says that it was recorded more than a day later; check that both recordings are of "
               "one "
               "transfer";
    return NULL;
}

static bool fill(struct follow_up *made, struct text_list *reasons, const struct loop_result *deposit,
                 const struct loop_result *later)
{
    const struct quantity at_first = deposit->deposit.to_fundus_mm;
    const struct quantity now = later->drift.final_to_fundus_mm;
    const char *why = why_no_minutes(deposit, later);
    bool is_before = deposit->has_start && later->has_start && later->start_s < deposit->start_s;
    double seen_s = 0.0;

    made->to_fundus_mm = now;
    if (now.is_known && at_first.is_known && !is_before)
        made->toward_fundus_mm = quantity_of(at_first.value - now.value);
    if (why == NULL && !last_seen_s(later, &seen_s))
        why = "no frame of it shows the bubbles";
    if (why == NULL && deposit->deposit.time_s.is_known)
        made->minutes_after_deposit = quantity_of(
            (later->start_s + seen_s - deposit->start_s - deposit->deposit.time_s.value) / S_PER_MIN);
    if (why != NULL && !tell(reasons, later, "how long after the deposit it was is not known", why))
        return false;
    if (!now.is_known &&
        !tell(reasons, later, "how far from the fundus the bubbles lay is not known",
              later->scale.source == SCALE_NONE ? "it has no scale"
                                                : "which end of its stripe is the fundus cannot be told"))
        return false;
    if (now.is_known && !at_first.is_known)
        return tell(reasons, later, "how much nearer the fundus is not known",
                    "the deposit's distance is not known in mm");
    return true;
}

bool follow_ups_make(struct drift *drift, const struct loop_result *loops, size_t n_loops,
                     size_t deposit_loop, struct error **err)
{
    const struct loop_result *deposit = &loops[deposit_loop];
    bool is_told = true;

    drift->follow_ups = NULL;
    drift->n_follow_ups = 0;
    if (deposit->deposit.verdict != DEPOSIT_MEASURED || deposit_loop + 1 >= n_loops)
        return true;
    drift->follow_ups = calloc(n_loops - deposit_loop - 1, sizeof *drift->follow_ups);
    if (drift->follow_ups == NULL)
        return error_memory(err);
    for (size_t i = deposit_loop + 1; i < n_loops && is_told; i++) {
        struct follow_up *made = &drift->follow_ups[drift->n_follow_ups];
        const char *why = why_nothing(deposit, &loops[i]);

        if (why != NULL) {
            is_told = tell(&drift->reasons, &loops[i], "it adds no follow-up", why);
            continue;
        }
        if (loops[i].deposit.verdict == DEPOSIT_MEASURED)
            is_told = tell(&drift->reasons, &loops[i], "check that it is of the same transfer",
                           "bubbles appear in it as well");
        made->loop = i;
        drift->n_follow_ups++;
        is_told = is_told && fill(made, &drift->reasons, deposit, &loops[i]);
    }
    return is_told || error_memory(err);
}
