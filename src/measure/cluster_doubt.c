#include "measure/cluster_doubt.h"

#include <math.h>
#include <stdlib.h>

/* Seen for less, not for so long after it and then so far away: it may be another thing (made loops: bubbles
 * are seen for 10 s and more at first). */
static const double BRIEF_S = 8.0;
static const double BRIEF_HOLE_S = 5.0;
static const double BRIEF_AWAY_MM = 4.0;
/* What comes, shines for less than this and goes for good does what a catheter does; so much of the loop
 * comes after it. */
static const double PASSING_S = 15.0;
static const double PASSED_S = 30.0;
static const double BEHIND_MOST_MM = 8.0, BEHIND_SHARE = 0.2; /* unless its tip is told behind the bubbles */
static const double END_S = 2.0;                              /* of the loop */

static bool doubt(struct hunt *hunt, size_t first, double seen_s, double other_s, double away_mm,
                  struct text_list *reasons)
{
    hunt->cluster->is_doubtful = true;
    return text_list_add(
        reasons,
        "something bright was seen for %.0f s from %.0f s on, and something, %.0f mm away, from %.0f "
        "s on: which of them is the deposit cannot be told",
        seen_s, hunt->follow->time_s[first], away_mm, other_s);
}

/* Whether a catheter's tip was told just behind what was seen from first to last, in a share of the time. */
static bool has_tip_behind(const struct hunt *hunt, const long *way, const long *tip, size_t first,
                           size_t last)
{
    double n = 0.0;
    double n_behind = 0.0;

    for (size_t t = first; t <= last; t++) {
        double ahead_mm = 0.0;

        n += 1.0;
        if (way[t] < 0 || tip[t] < 0)
            continue;
        ahead_mm = -hunt_behind_mm(hunt, way[t], tip[t]);
        n_behind += ahead_mm >= 0.0 && ahead_mm < BEHIND_MOST_MM;
    }
    return n_behind > BEHIND_SHARE * n;
}

static bool doubt_passing(struct hunt *hunt, size_t first, double seen_s, struct text_list *reasons)
{
    hunt->cluster->is_doubtful = true;
    return text_list_add(reasons,
                         "something bright was seen for %.0f s from %.0f s on and not again, and no catheter "
                         "was told beside it: whether it was bubbles or the catheter cannot be told",
                         seen_s, hunt->follow->time_s[first]);
}

bool cluster_doubt_brief(struct hunt *hunt, const long *way, const long *tip, size_t first,
                         struct text_list *reasons)
{
    const double *time_s = hunt->follow->time_s;
    struct cluster *cluster = hunt->cluster;
    size_t last = first;
    size_t next = first;
    double away_mm = 0.0;

    for (; next < hunt->follow->n_frames && time_s[next] - time_s[last] <= BRIEF_HOLE_S; next++)
        last = way[next] >= 0 ? next : last;
    while (next < hunt->follow->n_frames && way[next] < 0)
        next++;
    if (next < hunt->follow->n_frames) {
        away_mm = (double)labs(way[next] - way[last]) * FOLLOW_STEP_MM;
        return time_s[last] - time_s[first] >= BRIEF_S || away_mm < BRIEF_AWAY_MM ||
               doubt(hunt, first, time_s[last] - time_s[first], time_s[next], away_mm, reasons);
    }
    if (!has_tip_behind(hunt, way, tip, first, last) && time_s[last] - time_s[first] < PASSING_S &&
        time_s[hunt->follow->n_frames - 1] - time_s[last] > PASSED_S && time_s[first] - time_s[0] > BRIEF_S)
        return doubt_passing(hunt, first, time_s[last] - time_s[first], reasons);
    return !(cluster->other_s > 0.0) || cluster->other_seen_s < time_s[last] - time_s[first] ||
           time_s[last] - time_s[first] >= 2.0 * BRIEF_S ||
           doubt(hunt, first, time_s[last] - time_s[first], cluster->other_s, cluster->other_away_mm,
                 reasons);
}

bool cluster_doubt_end(struct hunt *hunt, const long *tip, struct text_list *reasons)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    size_t n_tips = 0;
    size_t n_all = 0;

    for (size_t t = 0; t < n; t++) {
        double left_s = time_s[n - 1] - time_s[t];

        if (tip[t] >= 0 && left_s > HUNT_LATE_S)
            return true;
        n_all += left_s < END_S;
        n_tips += left_s < END_S && tip[t] >= 0;
    }
    if (2 * n_tips < n_all)
        return true;
    hunt->cluster->is_doubtful = true;
    return text_list_add(reasons,
                         "the loop ends with the catheter in place: bubbles may be hidden by it, or still "
                         "to come");
}
