#include "synth/schedule.h"

#include "synth/dice.h"

#include <math.h>
#include <stdlib.h>

/* Frames are lost in runs of 1 to 4, as they are when a recorder falls behind. */
static bool is_dropped(const struct recipe *r, struct dice *dice, int *run)
{
    if (*run > 0) {
        (*run)--;
        return true;
    }
    if (dice_even(dice) >= r->dropped_share / 2.5)
        return false;
    *run = (int)(4.0 * dice_even(dice));
    return true;
}

static double shown_at(const struct recipe *r, double time_s)
{
    bool is_frozen = r->freeze_at_s >= 0 && time_s > r->freeze_at_s && time_s < r->freeze_at_s + r->freeze_s;

    return is_frozen ? r->freeze_at_s : time_s;
}

bool schedule_make(struct schedule *schedule, const struct recipe *r, long stamp_hz, struct error **err)
{
    size_t n = (size_t)fmax(floor(r->duration_s * r->frames_per_s + 1e-9), 1.0);
    struct dice dice = dice_make(r->seed, 600);
    double time = 0.0;
    int run = 0;

    *schedule = (struct schedule){.has_stamps = stamp_hz != 0};
    schedule->moments = calloc(n, sizeof *schedule->moments);
    if (schedule->moments == NULL)
        return error_memory(err);
    for (size_t i = 0; i < n; i++) {
        double exact = r->rate_jitter > 0 ? time : (double)i / r->frames_per_s;
        bool is_lost = i > 0 && is_dropped(r, &dice, &run);

        time += fmax(1.0 + r->rate_jitter * (2.0 * dice_even(&dice) - 1.0), 0.15) / r->frames_per_s;
        if (is_lost) {
            schedule->n_dropped++;
            continue;
        }
        struct moment *moment = &schedule->moments[schedule->n];

        moment->stamp_s = stamp_hz > 0 ? (double)llround(exact * (double)stamp_hz) / (double)stamp_hz
                                       : (double)schedule->n / r->frames_per_s;
        moment->scene_s = shown_at(r, stamp_hz > 0 ? moment->stamp_s : exact);
        moment->is_repeat = schedule->n > 0 && moment->scene_s == schedule->moments[schedule->n - 1].scene_s;
        schedule->n++;
    }
    return true;
}

void schedule_free(struct schedule *schedule)
{
    if (schedule == NULL)
        return;
    free(schedule->moments);
    *schedule = (struct schedule){0};
}
