#include "measure/onset.h"

#include <math.h>
#include <stdlib.h>

static const double AT_ONCE_S = 0.5; /* bubbles come to light within it; a catheter slides in over a second */
static const double SHARPER = 1.25;  /* times: less is speckle */

struct masses {
    struct hunt *hunt;
    double *mass;
    long row, column;
};

/* Brightness within 2.5 mm of a place. */
static void weigh_frame(void *context, size_t frame)
{
    struct masses *masses = context;
    struct hunt *hunt = masses->hunt;
    struct raster *excess = hunt_take_excess(hunt, frame);
    long reach = (long)(2.6 / FOLLOW_STEP_MM);

    if (excess == NULL) {
        hunt->is_failed = true;
        return;
    }
    for (long dy = -reach; dy <= reach; dy++)
        for (long dx = -reach; dx <= reach; dx++) {
            long row = masses->row + dy;
            long column = masses->column + dx;

            if (dx * dx + dy * dy <= reach * reach && row >= 0 && column >= 0 && row < (long)hunt->n_rows &&
                column < (long)hunt->n_columns)
                masses->mass[frame] +=
                    fmax((double)excess->value[(size_t)row * hunt->n_columns + (size_t)column], 0.0);
        }
    raster_free(&excess);
}

/* The step that parts a trace best: last sample before it. */
static size_t best_step(const double *mass, size_t from, size_t to, double *before, double *after)
{
    double best = -1.0;
    size_t at = from;

    for (size_t cut = from; cut < to; cut++) {
        double low = 0.0, high = 0.0;
        double n_low = (double)(cut - from + 1);
        double n_high = (double)(to - cut);
        double between = 0.0;

        for (size_t i = from; i <= to; i++)
            *(i <= cut ? &low : &high) += mass[i];
        low /= n_low;
        high /= n_high;
        between = high > low ? n_low * n_high * (high - low) * (high - low) : 0.0;
        if (between > best) {
            best = between;
            at = cut;
            *before = low;
            *after = high;
        }
    }
    return at;
}

/* How much brighter a trace is just after a sample than up to it, over AT_ONCE_S (two samples at least). */
static double rise_at(const double *time_s, const double *mass, size_t from, size_t cut, size_t to)
{
    double low = 0.0, high = 0.0, n_low = 0.0, n_high = 0.0;

    for (size_t t = cut + 1; t-- > from && (time_s[cut] - time_s[t] < AT_ONCE_S || n_low < 2.0);) {
        low += mass[t];
        n_low += 1.0;
    }
    for (size_t t = cut + 1; t <= to && (time_s[t] - time_s[cut + 1] < AT_ONCE_S || n_high < 2.0); t++) {
        high += mass[t];
        n_high += 1.0;
    }
    return n_high > 0.0 ? high / n_high - low / n_low : 0.0;
}

/* A catheter that slides in brightens a place too, before the bubbles do: they come at once. The sharpest
 * rise from a step up to the first sight. */
static size_t sharpest_rise(const double *time_s, const double *mass, size_t from, size_t step,
                            size_t first_seen, size_t to)
{
    size_t best = step;
    double most = rise_at(time_s, mass, from, step, to);

    for (size_t cut = step + 1; cut < first_seen && cut < to; cut++) {
        double rise = rise_at(time_s, mass, from, cut, to);

        if (rise > SHARPER * most) {
            most = rise;
            best = cut;
        }
    }
    return best;
}

/* First frame in which the instant may lie: a few seconds before the first sight; while a
 * catheter is there, back to when its tip came to rest, since it may outshine the bubbles. */
static size_t window_start(const struct hunt *hunt, size_t first_seen, const long *tip)
{
    const struct follow *follow = hunt->follow;
    size_t from = hunt_frame_at(hunt, follow->time_s[first_seen] - 6.0);
    long direction = hunt->cluster->catheter_from_last ? 1 : -1;
    size_t latest = hunt_frame_at(hunt, follow->time_s[first_seen] + 0.5);
    size_t t = latest;
    size_t deepest = 0;
    double gone_s = 0.0;

    while (t > 0 && tip[t] < 0 && follow->time_s[latest] - follow->time_s[t] < 8.0)
        t--;
    if (tip[t] < 0)
        return from;
    deepest = t; /* back over the catheter's stay, small holes allowed, to where its tip was deepest */
    gone_s = follow->time_s[t];
    for (size_t k = t; k > 0 && gone_s - follow->time_s[k] < 2.0; k--)
        if (tip[k] >= 0) {
            gone_s = follow->time_s[k];
            if (direction * (tip[k] - tip[deepest]) < 0)
                deepest = k;
        }
    for (t = deepest, gone_s = follow->time_s[t]; t > 0 && gone_s - follow->time_s[t] < 1.0; t--)
        if (tip[t] >= 0) {
            if ((double)(direction * (tip[t] - tip[deepest])) * FOLLOW_STEP_MM > 9.0)
                break;
            gone_s = follow->time_s[t];
        }
    return t < from ? t : from;
}

/* When the brightness at the cluster's first place rose. The way may start a little late or,
 * taking the tip for cluster, a little early. */
bool onset_find(struct hunt *hunt, size_t first_seen, const long *tip, long row, long column)
{
    const struct follow *follow = hunt->follow;
    struct masses masses = {.hunt = hunt};
    double *mass = calloc(follow->n_frames, sizeof *mass);
    size_t from = window_start(hunt, first_seen, tip);
    size_t to = hunt_frame_at(hunt, follow->time_s[first_seen] + 6.0);
    double before = 0.0;
    double after = 0.0;
    size_t step = 0;

    if (mass == NULL)
        return false;
    masses.mass = mass;
    masses.row = row;
    masses.column = column;
    for (size_t t = from; t <= to; t++)
        weigh_frame(&masses, t);
    step = best_step(mass, from, to, &before, &after);
    hunt->cluster->onset = sharpest_rise(follow->time_s, mass, from, step, first_seen, to) + 1;
    if (hunt->cluster->onset >= follow->n_frames || after < 1.4 * before)
        hunt->cluster->onset = first_seen;
    free(mass);
    return !hunt->is_failed;
}
