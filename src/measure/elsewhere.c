#include "measure/elsewhere.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

static const double LAST_S = 3.0; /* the cluster's last place is told over so long (cluster_place.c) */
/* What lies nearer to a cluster that is seen is weighed with it (echo_centre.c); nearer to where it was lost,
 * it is the cluster, seen again. */
static const double WEIGHED_MM = 8.0, APART_MM = 5.0;
static const double SWAY_MM = 1.2; /* a place that shines stays within */
static const double ALIKE_SHARE =
    0.6; /* of the cluster's usual brightness: less is another thing (strangers.c) */
static const double BEFORE_SHARE = 0.5; /* of that: what shone as much before did not come with the bubbles */
static const double STILL_SHARE = 0.5;  /* of the time that is left, where that is short */

struct elsewhere {
    const struct hunt *hunt;
    const long *way, *tip;
    size_t first, last; /* frames in which the cluster is seen first and last */
    double alike;       /* crest from which on something shines like it */
};

/* The greatest crest about a row in a frame. */
static double crest_about(const struct hunt *hunt, size_t frame, long row)
{
    long sway = (long)(SWAY_MM / FOLLOW_STEP_MM);
    double most = -HUGE_VAL;

    for (long k = row - sway; k <= row + sway; k++)
        if (k >= 0 && k < (long)hunt->n_rows)
            most = fmax(most, (double)hunt->crest[frame * hunt->n_rows + (size_t)k]);
    return most;
}

static double apart_mm(long row, long other)
{
    return (double)labs(row - other) * FOLLOW_STEP_MM;
}

/* Whether what shines at a row in a frame is counted: at the cluster or a piece of it, or where it was lost.
 */
static bool is_counted(const struct elsewhere *look, size_t frame, long row)
{
    const struct hunt *hunt = look->hunt;
    long place = look->way[frame];

    if (place < 0)
        return apart_mm(row, look->way[look->last]) < APART_MM;
    for (size_t i = 0; i < hunt->n_parted; i++)
        if (hunt->parted[i][frame] >= 0 && apart_mm(row, hunt->parted[i][frame]) < WEIGHED_MM)
            return true;
    return apart_mm(row, place) < WEIGHED_MM;
}

/* Whether a row shone before the cluster came. */
static bool has_shone(const struct elsewhere *look, long row, double *scratch)
{
    size_t n = 0;

    for (size_t t = 0; t < look->first; t++)
        if (look->tip[t] < 0)
            scratch[n++] = crest_about(look->hunt, t, row);
    return n > 0 && statistics_quantile(scratch, n, 0.75) > BEFORE_SHARE * look->alike;
}

/* How a row shines from the cluster's last places on: for how long like the cluster, of how long, and how
 * strongly in the mean. */
struct shine {
    double seen_s, left_s;
    double crest;
};

static struct shine shine_of(const struct elsewhere *look, long row)
{
    const struct hunt *hunt = look->hunt;
    const double *time_s = hunt->follow->time_s;
    struct shine shine = {0};

    for (size_t t = hunt_frame_at(hunt, time_s[look->last] - LAST_S); t + 1 < hunt->follow->n_frames; t++) {
        double step_s = fmin(time_s[t + 1] - time_s[t], 1.0);

        shine.left_s += step_s;
        if (is_counted(look, t, row) || crest_about(hunt, t, row) < look->alike)
            continue;
        shine.seen_s += step_s;
        shine.crest += step_s * (double)hunt->crest[t * hunt->n_rows + (size_t)row];
    }
    shine.crest /= fmax(shine.seen_s, 1e-9);
    return shine;
}

/* The cluster's usual crest, and where it is seen first and last; false where it is not. */
static bool describe(struct elsewhere *look, double *scratch)
{
    size_t n = 0;

    for (size_t t = 0; t < look->hunt->follow->n_frames; t++)
        if (look->way[t] >= 0) {
            look->first = n == 0 ? t : look->first;
            look->last = t;
            scratch[n++] = hunt_crest(look->hunt, look->way, t);
        }
    look->alike = n > 0 ? ALIKE_SHARE * statistics_median(scratch, n) : 0.0;
    return n > 0;
}

bool elsewhere_look(struct hunt *hunt, const long *way, const long *tip)
{
    struct elsewhere look = {.hunt = hunt, .way = way, .tip = tip};
    double *scratch = malloc((hunt->follow->n_frames + 1) * sizeof *scratch);
    double brightest = 0.0;
    double away_mm = 0.0;

    if (scratch == NULL)
        return false;
    if (describe(&look, scratch))
        for (long row = 0; row < (long)hunt->n_rows; row++) {
            struct shine shine = shine_of(&look, row);

            if (apart_mm(row, way[look.last]) < APART_MM || !(shine.crest > brightest) ||
                shine.seen_s < fmin(HUNT_LEAST_STAY_S, STILL_SHARE * shine.left_s) ||
                has_shone(&look, row, scratch))
                continue;
            brightest = shine.crest;
            away_mm = apart_mm(row, way[look.last]);
        }
    free(scratch);
    hunt->cluster->elsewhere_mm = away_mm;
    return true;
}
