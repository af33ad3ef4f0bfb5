#include "measure/drift_path.h"

#include "base/statistics.h"

#include <math.h>

static const double STEP_S = 2.0;     /* the way is told over medians of two seconds */
static const double STIR_MM = 0.5;    /* a place this near the last one is taken for the same */
static const double FIRST_TO_S = 1.2; /* after the first sight: the first place is told up to there */

/* Middle sight of [from_s, from_s + STEP_S); false when there is none. */
static bool middle_sight(const struct follow *follow, const struct cluster *cluster, double from_s,
                         struct bubble_sight *middle)
{
    double along[64], across[64];
    size_t n = 0;

    for (size_t t = cluster->first.frame; t <= cluster->last.frame && n < 64; t++)
        if (cluster->sight[t].is_seen && follow->time_s[t] >= from_s && follow->time_s[t] < from_s + STEP_S) {
            along[n] = cluster->sight[t].along_mm;
            across[n++] = cluster->sight[t].across_mm;
        }
    if (n == 0)
        return false;
    middle->along_mm = statistics_median(along, n);
    middle->across_mm = statistics_median(across, n);
    return true;
}

static double apart_mm(const struct bubble_sight *one, const struct bubble_sight *other)
{
    return hypot(one->along_mm - other->along_mm, one->across_mm - other->across_mm);
}

struct drift_path drift_path_trace(const struct follow *follow, const struct cluster *cluster)
{
    const double *time_s = follow->time_s;
    const struct bubble_sight *first = &cluster->first.sight;
    struct bubble_sight before = *first;
    struct drift_path path = {0};

    for (double from_s = time_s[cluster->first.frame] + FIRST_TO_S; from_s < time_s[cluster->last.frame];
         from_s += STEP_S) {
        struct bubble_sight now = {0};

        if (!middle_sight(follow, cluster, from_s, &now))
            continue;
        path.farthest_mm = fmax(path.farthest_mm, apart_mm(&now, first));
        if (apart_mm(&now, &before) > STIR_MM) {
            path.length_mm += apart_mm(&now, &before);
            before = now;
        }
    }
    path.length_mm += apart_mm(&cluster->last.sight, &before);
    for (size_t t = cluster->first.frame; t + 1 <= cluster->last.frame; t++)
        if (cluster->sight[t].is_seen && cluster->sight[t + 1].is_seen)
            path.seen_s += time_s[t + 1] - time_s[t];
    return path;
}
