#include "measure/cluster.h"

#include "base/statistics.h"
#include "measure/beginning.h"
#include "measure/canal.h"
#include "measure/cluster_doubt.h"
#include "measure/cluster_place.h"
#include "measure/cluster_way.h"
#include "measure/companion.h"
#include "measure/elsewhere.h"
#include "measure/hunt.h"
#include "measure/onset.h"
#include "measure/overlay.h"
#include "measure/pieces.h"
#include "measure/shaft.h"
#include "measure/stay.h"
#include "measure/strangers.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Mean of the cluster's peak, standard deviations: of what is seen for a short time, and for a long one. In
 * 19 of 21 loops of seven generators without bubbles nothing passed for them for more than 11 s; in two
 * glints did for 40 and 94 s, at 7.0 and 8.5, above either limit. */
static const double LEAST_STRENGTH = 6.5, LEAST_LONG_STRENGTH = 5.5;
static const double SHORT_S = 12.0, LONG_S = 24.0;
enum { MOST_MARKS = 4 };
/* Below this a way of 12 mm within a few frames may be that of one thing or of two, the catheter comes and
 * goes between frames, and a shaft was dated 11 s early at one frame a second; from here on instants were
 * right to one frame. */
static const double LEAST_PER_S = 1.5;
static const double SHINES = 5.0; /* standard deviations of a crest, as of a cluster (cluster_way.c) */
/* Bubbles stay for some time after the catheter has gone; its own glints and passing speckle do not. */
static bool has_stayed(const struct hunt *hunt, const long *way, const long *tip, size_t first)
{
    const struct follow *follow = hunt->follow;
    double left_s = follow->time_s[follow->n_frames - 1] - follow->time_s[first];
    double alone_s = 0.0;
    double strength = 0.0;
    double n = 0.0;
    double is_long = 0.0;

    for (size_t t = first; t + 1 < follow->n_frames; t++)
        if (way[t] >= 0) {
            alone_s += tip[t] < 0 ? fmin(follow->time_s[t + 1] - follow->time_s[t], 1.0) : 0.0;
            strength += hunt_crest(hunt, way, t);
            n += 1.0;
        }
    is_long = fmin(fmax((alone_s - SHORT_S) / (LONG_S - SHORT_S), 0.0), 1.0);
    return alone_s >= fmin(HUNT_LEAST_STAY_S, fmax(0.5 * left_s, 1.0)) &&
           strength / n >= LEAST_STRENGTH + is_long * (LEAST_LONG_STRENGTH - LEAST_STRENGTH);
}

/* Roughly where the cluster first lies: middle of its way over a second and a half. */
static void first_place(const struct hunt *hunt, const long *way, size_t first, long *row, long *column)
{
    const struct follow *follow = hunt->follow;
    double rows[64];
    double columns[64];
    size_t n = 0;

    for (size_t t = first; t < follow->n_frames && n < 64; t++) {
        if (follow->time_s[t] > follow->time_s[first] + 1.5)
            break;
        if (way[t] >= 0) {
            rows[n] = (double)way[t];
            columns[n++] = (double)hunt->crest_column[t * hunt->n_rows + (size_t)way[t]];
        }
    }
    *row = lround(statistics_median(rows, n));
    *column = lround(statistics_median(columns, n));
}

/* Finds the instant. Between it and the first sight the cluster lay at its first place, beside the shaft. */
static bool date_deposit(struct hunt *hunt, long *way, const long *tip, size_t first)
{
    struct cluster *cluster = hunt->cluster;
    const double *time_s = hunt->follow->time_s;
    long row = 0;
    long column = 0;

    first_place(hunt, way, first, &row, &column);
    if (!onset_find(hunt, first, tip, row, column))
        return false;
    cluster->has_onset = true;
    for (size_t t = cluster->onset; t < first; t++)
        way[t] = row;
    for (size_t t = 0; t < cluster->onset; t++)
        way[t] = -1;
    cluster->onset_error_s = cluster->onset > 0 ? time_s[cluster->onset] - time_s[cluster->onset - 1] : 0.0;
    return canal_tell_side(hunt) && canal_tell_leaving(hunt);
}

/* Takes out of a way what is not the cluster; false when memory ran out. *first: its first frame, n_frames
 * where there is none. */
static bool clear_way(const struct hunt *hunt, long *way, const long *tip, size_t *first)
{
    size_t n = hunt->follow->n_frames;

    *first = beginning_find(hunt, way, tip);
    for (size_t t = 0; t < *first; t++)
        way[t] = -1;
    if (*first < n && !strangers_leave(hunt, way, *first))
        return false;
    if (*first < n && !has_stayed(hunt, way, tip, *first))
        *first = n;
    return true;
}

/* How far behind the place where the tip came to rest the cluster first lies. */
static double behind_rest_mm(const struct hunt *hunt, const long *way, size_t first)
{
    long row = 0;
    long column = 0;

    if (hunt->rest < 0 || first == hunt->follow->n_frames)
        return 0.0;
    first_place(hunt, way, first, &row, &column);
    return hunt_behind_mm(hunt, row, hunt->rest);
}

/* Bubbles leave by the tip: what comes to light far behind where it rested was left by the catheter on its
 * way. The cluster is then looked for among what lies nearer. */
static bool pass_over_left(struct hunt *hunt, long *way, const long *tip, size_t *first,
                           struct text_list *reasons)
{
    double behind_mm = behind_rest_mm(hunt, way, *first);

    if (!(behind_mm > HUNT_LEFT_MM))
        return true;
    (void)text_list_add(reasons,
                        "what is bright in the stripe from %.0f s on lies %.0f mm behind the place where the "
                        "catheter's tip rested: taken for what the catheter left on its way, passed over",
                        hunt->follow->time_s[*first], behind_mm);
    hunt->passes_left = true;
    if (!cluster_way_find(hunt, tip, NULL, way) || !clear_way(hunt, way, tip, first))
        return false;
    if (behind_rest_mm(hunt, way, *first) > HUNT_LEFT_MM)
        *first = hunt->follow->n_frames;
    return true;
}

/* How far beyond an end of the stripe the cluster first lies. */
static double beyond_mm(const struct hunt *hunt, const long *way, size_t first)
{
    long row = 0;
    long column = 0;

    if (first == hunt->follow->n_frames)
        return 0.0;
    first_place(hunt, way, first, &row, &column);
    return hunt_beyond_mm(hunt, (double)row);
}

/* For how long something shines at a row from a frame on. */
static double shines_s(const struct hunt *hunt, long row, size_t from)
{
    const double *time_s = hunt->follow->time_s;
    double seen_s = 0.0;

    for (size_t t = from; t + 1 < hunt->follow->n_frames; t++)
        if ((double)hunt->crest[t * hunt->n_rows + (size_t)row] > SHINES)
            seen_s += fmin(time_s[t + 1] - time_s[t], 1.0);
    return seen_s;
}

/* Bubbles are deposited in the stripe: what comes to light beyond its ends is the catheter in its canal, or
 * the stripe ends elsewhere. The cluster is then looked for between the ends. */
static bool pass_over_outside(struct hunt *hunt, long *way, const long *tip, size_t *first,
                              struct text_list *reasons)
{
    size_t n = hunt->follow->n_frames;
    double away_mm = beyond_mm(hunt, way, *first);
    double from_s = 0.0;
    double seen_s = 0.0;

    if (!(away_mm > HUNT_OUTSIDE_MM))
        return true;
    from_s = hunt->follow->time_s[*first];
    seen_s = shines_s(hunt, way[*first], *first);
    hunt->passes_outside = true;
    if (!cluster_way_find(hunt, tip, NULL, way) || !clear_way(hunt, way, tip, first))
        return false;
    hunt->cluster->is_doubtful = *first == n || seen_s > HUNT_LATE_S;
    return text_list_add(reasons,
                         hunt->cluster->is_doubtful
                             ? "what is bright from %.0f s on lies %.0f mm beyond an end of the stripe: the "
                               "catheter in its canal, or bubbles where the stripe ends farther on; "
                               "mark its ends with --fundus and --os"
                             : "what is bright from %.0f s on lies %.0f mm beyond an end of the stripe, "
                               "where the catheter passes: not taken for the bubbles",
                         from_s, away_mm);
}

/* What shines elsewhere, as bright as bubbles that are still seen, is another thing. */
static bool pass_over_strange(struct hunt *hunt, long *way, const long *tip, size_t *first,
                              struct text_list *reasons)
{
    size_t n = hunt->follow->n_frames;
    size_t from = n;
    double away_mm = 0.0;

    for (;;) {
        if (!strangers_find(hunt, way, *first, &from, &away_mm))
            return false;
        if (from == n)
            return true;
        (void)text_list_add(
            reasons,
            "from %.0f s on something shines %.0f mm away from the bubbles, which are still seen: "
            "not taken for them",
            hunt->follow->time_s[from], away_mm);
        if (!cluster_way_find(hunt, tip, NULL, way) || !clear_way(hunt, way, tip, first))
            return false;
    }
}

/* What comes and goes with the catheter is its shaft. */
static bool pass_over_companion(struct hunt *hunt, long *way, const long *tip, size_t *first,
                                struct text_list *reasons)
{
    bool is_found = false;
    double from_s = 0.0;

    do {
        if (!companion_find(hunt, way, *first, &is_found))
            return false;
        if (!is_found)
            return true;
        from_s = hunt->follow->time_s[*first];
        if (!cluster_way_find(hunt, tip, NULL, way) || !clear_way(hunt, way, tip, first))
            return false;
        hunt->cluster->is_doubtful = *first == hunt->follow->n_frames;
        if (!text_list_add(reasons,
                           hunt->cluster->is_doubtful
                               ? "what is bright in the stripe from %.0f s on comes and goes with a catheter "
                                 "in the canal: taken for its shaft, which may hide bubbles"
                               : "what is bright in the stripe from %.0f s on comes and goes with a catheter "
                                 "in the canal: taken for its shaft, passed over",
                           from_s))
            return false;
    } while (!hunt->cluster->is_doubtful);
    return true;
}

static bool judge(struct hunt *hunt, long *way, const long *tip, struct text_list *reasons)
{
    const struct follow *follow = hunt->follow;
    size_t first = 0;

    if (!clear_way(hunt, way, tip, &first) || !pass_over_outside(hunt, way, tip, &first, reasons) ||
        (!hunt->cluster->is_doubtful && !pass_over_companion(hunt, way, tip, &first, reasons)))
        return false;
    if (hunt->cluster->is_doubtful)
        return true;
    if (!pass_over_left(hunt, way, tip, &first, reasons) ||
        !pass_over_strange(hunt, way, tip, &first, reasons))
        return false;
    if (first == follow->n_frames)
        return cluster_doubt_end(hunt, tip, reasons);
    if (!cluster_doubt_brief(hunt, way, tip, first, reasons))
        return false;
    if (hunt->cluster->is_doubtful)
        return true;
    hunt->cluster->is_present = true;
    if (follow->time_s[first] - follow->time_s[0] < 0.5)
        (void)text_list_add(
            reasons,
            "bubbles are there from the first frame on that was looked at (%.1f s): the instant "
            "of the deposit was not seen",
            follow->time_s[0]);
    else if (!date_deposit(hunt, way, tip, first))
        return false;
    return pieces_find(hunt, way, tip) && elsewhere_look(hunt, way, tip) &&
           cluster_place_fill(hunt, way, tip);
}

/* One look for a cluster; false when memory ran out. */
static bool look(struct cluster *cluster, const struct follow *follow, double length_mm, bool is_steady,
                 struct text_list *reasons)
{
    struct hunt hunt = {.follow = follow,
                        .cluster = cluster,
                        .n_rows = follow->n_rows,
                        .n_columns = follow->n_columns,
                        .is_steady = is_steady,
                        .length_mm = length_mm};
    long *tip = calloc(follow->n_frames + 1, sizeof *tip);
    long *way = calloc(follow->n_frames + 1, sizeof *way);
    bool is_made = false;

    memset(cluster, 0, sizeof *cluster);
    cluster->n = follow->n_frames;
    cluster->sight = calloc(follow->n_frames + 1, sizeof *cluster->sight);
    is_made = tip && way && cluster->sight;
    if (is_made && follow->n_frames >= 8)
        is_made = hunt_prepare(&hunt) && shaft_find(&hunt, tip) && stay_fill(&hunt, tip) &&
                  cluster_way_find(&hunt, tip, NULL, way) && judge(&hunt, way, tip, reasons);
    hunt_free(&hunt);
    free(tip);
    free(way);
    if (!is_made)
        cluster_free(cluster);
    return is_made;
}

/* Finds a cluster, whatever it may be; false when memory ran out. Where nothing comes or goes, catheter or
 * bubbles, bubbles may lie there from the first frame to the last. */
static bool find_any(struct cluster *cluster, const struct follow *follow, double length_mm,
                     struct text_list *reasons)
{
    struct cluster steady = {0};
    struct text_list own = {0};
    bool is_made = look(cluster, follow, length_mm, false, reasons);

    if (!is_made || cluster->is_present || cluster->is_doubtful || cluster->has_catheter)
        return is_made;
    is_made = look(&steady, follow, length_mm, true, &own);
    if (is_made && steady.is_present && !steady.has_onset && !steady.has_catheter) {
        cluster_free(cluster);
        *cluster = steady;
        for (size_t i = 0; is_made && i < own.n; i++)
            is_made = text_list_add(reasons, "%s", own.items[i]);
    } else {
        cluster_free(&steady);
    }
    text_list_free(&own);
    return is_made;
}

/* As find_any, on a strip out of which marks that are drawn over the picture are taken one by one. */
static bool find_among_marks(struct cluster *cluster, const struct follow *follow,
                             const struct canvas *canvas, double length_mm, struct text_list *reasons)
{
    size_t size = follow->n_frames * follow->n_rows * follow->n_columns;
    struct follow clean = *follow; /* but for the strip, borrowed */
    bool is_made = true;
    bool is_mark = true;

    clean.strip = malloc(size + 1);
    if (clean.strip == NULL)
        return false;
    memcpy(clean.strip, follow->strip, size);
    for (int n_marks = 0; is_made && is_mark; n_marks++) {
        struct text_list found = {0};
        double from_s = 0.0;

        is_made = find_any(cluster, &clean, length_mm, &found);
        is_mark = false;
        if (is_made && cluster->is_present && n_marks < MOST_MARKS)
            is_made = overlay_take_out(&clean, canvas, cluster, &is_mark, &from_s);
        if (is_made && is_mark)
            is_made = text_list_add(reasons,
                                    "what is bright in the stripe from %.0f s on stands still in the picture "
                                    "while the tissue moves: a mark or text, passed over",
                                    from_s);
        for (size_t i = 0; is_made && !is_mark && i < found.n; i++)
            is_made = text_list_add(reasons, "%s", found.items[i]);
        text_list_free(&found);
        if (!is_made || is_mark)
            cluster_free(cluster);
    }
    free(clean.strip);
    return is_made;
}

/* How many frames a second there usually are; false when memory ran out. */
static bool usual_rate(const struct follow *follow, double *per_s)
{
    double *steps_s = malloc((follow->n_frames + 1) * sizeof *steps_s);

    *per_s = 0.0;
    if (steps_s == NULL)
        return false;
    for (size_t t = 0; t + 1 < follow->n_frames; t++)
        steps_s[t] = follow->time_s[t + 1] - follow->time_s[t];
    if (follow->n_frames > 1)
        *per_s = 1.0 / fmax(statistics_median(steps_s, follow->n_frames - 1), 1e-6);
    free(steps_s);
    return true;
}

bool cluster_find(struct cluster *cluster, const struct follow *follow, const struct canvas *canvas,
                  double length_mm, struct text_list *reasons, struct error **err)
{
    double per_s = 0.0;
    bool is_made = usual_rate(follow, &per_s);

    memset(cluster, 0, sizeof *cluster);
    if (is_made && follow->n_frames > 1 && per_s < LEAST_PER_S) {
        cluster->n = follow->n_frames;
        cluster->sight = calloc(follow->n_frames, sizeof *cluster->sight);
        cluster->is_too_sparse = true;
        is_made = cluster->sight != NULL;
    } else if (is_made) {
        is_made = canvas != NULL && follow->n_positions > 0
                      ? find_among_marks(cluster, follow, canvas, length_mm, reasons)
                      : find_any(cluster, follow, length_mm, reasons);
    }
    cluster->frames_per_s = per_s;
    if (is_made)
        return true;
    cluster_free(cluster);
    return error_memory(err);
}

void cluster_free(struct cluster *cluster)
{
    if (cluster == NULL)
        return;
    free(cluster->sight);
    memset(cluster, 0, sizeof *cluster);
}
