#include "measure/cluster.h"

#include "base/statistics.h"
#include "measure/cluster_place.h"
#include "measure/cluster_way.h"
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

static const double LEAST_STAY_S = 6.0;   /* seen without the catheter */
static const double LEAST_STRENGTH = 6.5; /* mean of the cluster's peak, standard deviations */
enum { MOST_MARKS = 4 };
/* Below this a way of 12 mm within a few frames may be that of one thing or of two, the catheter comes and
 * goes between frames, and a shaft was dated 11 s early at one frame a second; from here on instants were
 * right to one frame. */
static const double LEAST_PER_S = 1.5;
/* What is one chain of places: from sight to sight, and after a loss of so long. */
static const double CHAIN_MM = 4.0;
static const double FOUND_AGAIN_MM = 2.0;
static const double FOUND_AGAIN_S = 3.0;
/* What leads up to bubbles: how strong at most, over how long, how much fainter and how far away at least. */
static const double GLINT_STRENGTH = 8.0;
static const double GLINT_S = 4.0;
static const double BRIGHTENS = 1.5;
static const double BRIGHTENS_IN_PLACE = 1.8;
static const double GLINT_MM = 2.0;
/* A way that begins on the shaft lies so far behind the tip at first and leaps so far within so short a time;
 * the catheter has gone where no tip was seen for so long. */
static const double BEHIND_MM = 1.5;
static const double LEAP_MM = 4.0;
static const double LEAP_S = 1.0;
static const double TIP_HOLE_S = 1.5;

/* The last frame of the chain of places that begins at a frame: what is lost for a moment and seen again
 * where it was is still the same. */
static size_t chain_end(const struct hunt *hunt, const long *way, size_t begin)
{
    const double *time_s = hunt->follow->time_s;
    size_t last = begin;

    for (size_t t = begin + 1; t < hunt->follow->n_frames; t++) {
        double reach_mm = t == last + 1 ? CHAIN_MM : FOUND_AGAIN_MM;

        if (way[t] < 0 && time_s[t] - time_s[last] <= FOUND_AGAIN_S)
            continue;
        if (way[t] < 0 || !((double)labs(way[t] - way[last]) * FOLLOW_STEP_MM < reach_mm))
            break;
        last = t;
    }
    return last;
}

/* Where the first chain of places begins that carries weight: a catheter on its way in may be
 * taken for bubbles for an instant. n_frames when there is none. */
static size_t first_chain(const struct hunt *hunt, const long *way)
{
    size_t n = hunt->follow->n_frames;
    double most = 0.0;

    for (int pass = 0; pass < 2; pass++)
        for (size_t t = 0; t < n;) {
            size_t end = 0;
            double weight = 0.0;

            if (way[t] < 0) {
                t++;
                continue;
            }
            end = chain_end(hunt, way, t) + 1;
            for (size_t k = t; k < end; k++)
                weight += way[k] < 0 ? 0.0 : fmin(hunt_crest(hunt, way, k), 15.0);
            if (pass == 0)
                most = fmax(most, weight);
            else if (weight >= 0.25 * most)
                return t;
            t = end;
        }
    return n;
}

/* Mean of the crest, and of the place, that a way has between two instants; false when it is hardly there. */
static bool mean_of_way(const struct hunt *hunt, const long *way, double from_s, double to_s, double *crest,
                        double *row)
{
    const struct follow *follow = hunt->follow;
    size_t n_all = 0;
    size_t n = 0;

    *crest = *row = 0.0;
    for (size_t t = 0; t < follow->n_frames; t++) {
        if (follow->time_s[t] < from_s || follow->time_s[t] >= to_s)
            continue;
        n_all++;
        if (way[t] < 0)
            continue;
        *crest += hunt_crest(hunt, way, t);
        *row += (double)way[t];
        n++;
    }
    *crest /= fmax((double)n, 1.0);
    *row /= fmax((double)n, 1.0);
    return n > 0 && 2 * n >= n_all;
}

/* A glint of the stripe or a catheter's tip may lead up to the bubbles: where the way is faint at first and
 * then, elsewhere, half as bright again within a few seconds, or nearly twice as bright where it is, it
 * begins there. */
static size_t skip_glint(const struct hunt *hunt, const long *way, size_t first)
{
    const struct follow *follow = hunt->follow;
    double best = 1.0;      /* over what it must be */
    double brightest = 0.0; /* that it has been */
    size_t start = first;

    for (size_t t = first; t < follow->n_frames; t++) {
        double time_s = follow->time_s[t];
        double before = 0.0, after = 0.0, row_before = 0.0, row_after = 0.0;
        double least = 0.0;

        if (way[t] < 0 ||
            !mean_of_way(hunt, way, fmax(time_s - GLINT_S, follow->time_s[first]), time_s, &before,
                         &row_before) ||
            !mean_of_way(hunt, way, time_s, time_s + GLINT_S, &after, &row_after))
            continue;
        brightest = fmax(brightest, before);
        least = fabs(row_after - row_before) * FOLLOW_STEP_MM > GLINT_MM ? BRIGHTENS : BRIGHTENS_IN_PLACE;
        if (before < GLINT_STRENGTH && after > best * least * brightest) {
            best = after / (least * brightest);
            start = t;
        }
    }
    return start;
}

/* How far behind the tip a row lies, toward where the catheter comes from. */
static double behind_tip_mm(const struct hunt *hunt, long row, long tip)
{
    return (double)(hunt->cluster->catheter_from_last ? row - tip : tip - row) * FOLLOW_STEP_MM;
}

/* Bubbles leave by the tip. What shines behind it from the first is the shaft; where the way leaps from there
 * past the tip while the catheter rests, it begins after the leap. */
static size_t skip_shaft(const struct hunt *hunt, const long *way, const long *tip, size_t first)
{
    const struct follow *follow = hunt->follow;
    double tip_s = follow->time_s[first];
    double behind_s = 0.0; /* when the way was last behind the tip */
    long behind = -1;      /* its first row there */

    for (size_t t = first; t < follow->n_frames && follow->time_s[t] - tip_s < TIP_HOLE_S; t++) {
        double behind_mm = 0.0;

        if (tip[t] < 0)
            continue;
        tip_s = follow->time_s[t];
        if (way[t] < 0)
            continue;
        behind_mm = behind_tip_mm(hunt, way[t], tip[t]);
        if (behind_mm > BEHIND_MM) {
            behind = behind < 0 ? way[t] : behind;
            behind_s = follow->time_s[t];
        } else if (behind < 0 ? behind_mm < 0.0 : follow->time_s[t] - behind_s > LEAP_S) {
            return first;
        } else if (behind_mm < 0.0 && (double)labs(way[t] - behind) * FOLLOW_STEP_MM > LEAP_MM) {
            return t;
        }
    }
    return first;
}

/* Bubbles stay for some time after the catheter has gone; its own glints and passing speckle do not. */
static bool has_stayed(const struct hunt *hunt, const long *way, const long *tip, size_t first)
{
    const struct follow *follow = hunt->follow;
    double left_s = follow->time_s[follow->n_frames - 1] - follow->time_s[first];
    double alone_s = 0.0;
    double strength = 0.0;
    double n = 0.0;

    for (size_t t = first; t + 1 < follow->n_frames; t++)
        if (way[t] >= 0) {
            alone_s += tip[t] < 0 ? fmin(follow->time_s[t + 1] - follow->time_s[t], 1.0) : 0.0;
            strength += hunt_crest(hunt, way, t);
            n += 1.0;
        }
    return alone_s >= fmin(LEAST_STAY_S, fmax(0.5 * left_s, 1.0)) && strength / n >= LEAST_STRENGTH;
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
    return shaft_tell_side(hunt);
}

static bool judge(struct hunt *hunt, long *way, const long *tip, struct text_list *reasons)
{
    const struct follow *follow = hunt->follow;
    size_t first = first_chain(hunt, way);

    if (first < follow->n_frames)
        first = skip_shaft(hunt, way, tip, skip_glint(hunt, way, first));
    for (size_t t = 0; t < first; t++)
        way[t] = -1;
    if (first < follow->n_frames && !strangers_leave(hunt, way, first))
        return false;
    if (first == follow->n_frames || !has_stayed(hunt, way, tip, first))
        return true;
    hunt->cluster->is_present = true;
    if (follow->time_s[first] - follow->time_s[0] < 0.5)
        (void)text_list_add(
            reasons,
            "bubbles are there from the first frame on: the instant of the deposit was not recorded");
    else if (!date_deposit(hunt, way, tip, first))
        return false;
    return pieces_find(hunt, way, tip) && cluster_place_fill(hunt, way, tip);
}

/* Finds a cluster, whatever it may be; false when memory ran out. */
static bool find_any(struct cluster *cluster, const struct follow *follow, double length_mm,
                     struct text_list *reasons)
{
    struct hunt hunt = {.follow = follow,
                        .cluster = cluster,
                        .n_rows = follow->n_rows,
                        .n_columns = follow->n_columns,
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
