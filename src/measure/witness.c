#include "measure/witness.h"

#include "measure/passes.h"
#include "measure/phase.h"

#include <math.h>

static const double LEAST_ALONG =
    0.5; /* of the places: a shorter track may be a piece of a wave that turns */
/* Of the list at the most, as in windows (measure/rate_course.c): it misses weak waves, the phase does not.
 */
static const double MOST_WEIGHT = 0.5;
static const double MOST_SHIFT = 0.5; /* waves: where more than one is missing, the list missed weak ones */
static const double LACKING = 0.5;    /* waves: error of each that the list lacks */
static const double NORMAL_95 = 1.96;

static bool is_one_way(enum wave_direction direction)
{
    return direction == DIRECTION_FUNDUS_TO_CERVIX || direction == DIRECTION_CERVIX_TO_FUNDUS;
}

bool witness_sees_other_way(const struct wave_list *list, const struct wave_result *result, double length)
{
    if (!is_one_way(result->direction))
        return false;
    for (size_t i = 0; i < list->n; i++)
        if (is_one_way(list->wave[i].direction) && list->wave[i].direction != result->direction &&
            list->wave[i].along >= LEAST_ALONG * length)
            return true;
    return false;
}

/* Waves that the list lacks: stretches in which one would have been due. */
static double lacking(const struct passes *passes)
{
    return (double)passes->n_gaps + (passes->lacks_first ? 1.0 : 0.0) + (passes->lacks_last ? 1.0 : 0.0);
}

/* Both errors are taken for independent; that of the phase is what its interval says. A wave that the list
 * lacks was left out, or was too weak to be listed. Mixed waves that meet are one in the list. */
static double weight_of(const struct passes *passes, const struct wave_result *result, double half)
{
    double phase = pow(half / NORMAL_95, 2.0);
    double crests = pow(passes_error(passes), 2.0);

    if (result->direction == DIRECTION_MIXED)
        return 0.0;
    return fmin(phase / (phase + crests + LACKING * LACKING * lacking(passes)), MOST_WEIGHT);
}

/* A steady phase tells the frequency far better than crests do, but not whether a wave was left out. */
static void join_rate(const struct passes *passes, struct wave_result *result)
{
    double minutes = (passes->to_s - passes->from_s) / 60.0;
    double half = 0.5 * (result->high_per_min - result->low_per_min) * minutes;
    double apart = passes_waves(passes, passes->from_s, passes->to_s) - result->frequency_per_min * minutes;
    double shift = fmin(fmax(weight_of(passes, result, half) * apart, -MOST_SHIFT), MOST_SHIFT);

    if (result->regularity <= PHASE_STEADY_RAD && lacking(passes) < 1.0)
        return;
    half = hypot(half, apart);
    result->frequency_per_min += shift / minutes;
    result->low_per_min = result->frequency_per_min - half / minutes;
    result->high_per_min = result->frequency_per_min + half / minutes;
}

void witness_join(const struct wave_list *list, struct wave_result *result)
{
    struct passes passes = passes_of(list);

    result->n_this_way = 0;
    for (size_t i = 0; i < list->n; i++)
        result->n_this_way += list->wave[i].direction == result->direction;
    result->alone_per_min = result->frequency_per_min;
    result->alone_half_per_min = 0.5 * (result->high_per_min - result->low_per_min);
    if (result->has_frequency && passes.n >= 2)
        join_rate(&passes, result);
}
