#include "measure/witness.h"

#include "measure/direction.h"
#include "measure/passes.h"
#include "measure/phase.h"
#include "measure/train.h"

#include <math.h>

static const double LEAST_ALONG =
    0.5; /* of the places: a shorter track may be a piece of a wave that turns */
/* Waves: what a list errs by whose passes are all seen, for the middle lies a little off for each edge (two
 * generators' loops); mixed waves that meet are one in the list. */
static const double LIST_ERROR = 0.07, LIST_ERROR_OPPOSING = 0.1, LIST_ERROR_MIXED = 0.14;
static const double LACKING =
    0.5; /* waves: error of each that the list lacks where nothing tells it came not */
/* Waves between list and phase: a phase that slipped, or a list that missed one, errs by a whole one. */
static const double SLIP = 0.75;
/* Of the list at the most, where it misses weak waves, which the phase does not, as in windows
 * (measure/rate_course.c); but not beside a phase that scatters so that it slips. */
static const double MOST_WEIGHT = 0.5;
static const double SLIPS_RAD = 1.0;
static const double NORMAL_95 = 1.96;

/* Waves by either way of counting, and their standard errors. */
struct opinions {
    double minutes;
    double phase, phase_error;
    double list, list_error;
    double weight; /* of the list, by one over the squared errors */
    double apart;  /* by which the list has more */
    bool is_whole; /* what passes beside the list's waves was looked for at both edges */
};

/* Mixed waves that meet are one in the list, and of waves without a way it may hold parts. */
static bool has_way(const struct wave_result *result)
{
    return direction_is_one_way(result->direction) || result->direction == DIRECTION_OPPOSING;
}

bool witness_sees_other_way(const struct wave_list *list, const struct wave_result *result, double length)
{
    if (!direction_is_one_way(result->direction))
        return false;
    if (list->has_other_way)
        return true;
    for (size_t i = 0; i < list->n; i++)
        if (direction_is_one_way(list->wave[i].direction) && list->wave[i].direction != result->direction &&
            list->wave[i].along >= LEAST_ALONG * length)
            return true;
    return false;
}

/* Waves that the list lacks: stretches in which one would have been due. */
static double lacking(const struct passes *passes)
{
    return (double)passes->n_gaps + (passes->lacks_first ? 1.0 : 0.0) + (passes->lacks_last ? 1.0 : 0.0);
}

/* Pieces of waves that are listed between two moments, but were not followed to the middle. */
static double pieces_between(const struct wave_list *list, double from_s, double to_s)
{
    double n = 0.0;

    for (size_t i = 0; i < list->n; i++) {
        const struct wave_one *wave = &list->wave[i];
        double middle_s = 0.5 * (wave->start_s + wave->end_s);

        n += !wave->has_middle && middle_s > from_s && middle_s < to_s ? 1.0 : 0.0;
    }
    return n;
}

/* Pieces in all stretches in which a wave would have been due. */
static double pieces(const struct passes *passes, const struct wave_list *list)
{
    double n = 0.0;

    for (size_t i = 0; i + 1 < passes->n; i++)
        if (passes->at_s[i + 1] - passes->at_s[i] >= PASSES_GAP * passes->usual_s)
            n += pieces_between(list, passes->at_s[i], passes->at_s[i + 1]);
    return n;
}

/* Waves for which there is room between passes where none came, not even a piece of one. */
static double room(const struct passes *passes, const struct wave_list *list)
{
    double n = 0.0;

    for (size_t i = 0; i + 1 < passes->n; i++) {
        double waves = (passes->at_s[i + 1] - passes->at_s[i]) / passes->usual_s;

        if (waves >= PASSES_GAP) /* intervals are uneven */
            n += fmax(waves - 1.0 - pieces_between(list, passes->at_s[i], passes->at_s[i + 1]), 0.0);
    }
    if (passes->lacks_first)
        n += fmax((passes->at_s[0] - passes->from_s) / passes->at_first_s - 0.5, 0.0);
    if (passes->lacks_last)
        n += fmax((passes->to_s - passes->at_s[passes->n - 1]) / passes->at_last_s - 0.5, 0.0);
    return n;
}

static void weigh(struct opinions *all)
{
    all->weight = pow(all->phase_error / hypot(all->phase_error, all->list_error), 2.0);
    all->apart = all->list - all->phase;
}

static struct opinions opinions_of(const struct wave_list *list, const struct passes *passes,
                                   const struct wave_result *result)
{
    double minutes = (passes->to_s - passes->from_s) / 60.0;
    double own = result->direction == DIRECTION_MIXED      ? LIST_ERROR_MIXED
                 : result->direction == DIRECTION_OPPOSING ? LIST_ERROR_OPPOSING
                                                           : LIST_ERROR;
    struct opinions all = {.minutes = minutes, .is_whole = list->is_edge_told[0] && list->is_edge_told[1]};

    all.phase = result->frequency_per_min * minutes;
    all.phase_error = 0.5 * (result->high_per_min - result->low_per_min) * minutes / NORMAL_95;
    all.list = passes_waves(passes, passes->from_s, passes->to_s);
    all.list_error =
        hypot(hypot(passes_error(passes), own), all.is_whole ? 0.0 : LACKING * sqrt(lacking(passes)));
    weigh(&all);
    return all;
}

/* Pieces are counted where the list has fewer waves than the phase. */
static void take_pieces(struct opinions *all, double n)
{
    if (all->apart > -SLIP || n < 1.0)
        return;
    n = fmin(n, round(-all->apart));
    all->list += n;
    all->list_error = hypot(all->list_error, LACKING * sqrt(n));
    weigh(all);
}

static void tell(struct wave_result *result, const struct opinions *all, double waves, double half)
{
    result->frequency_per_min = waves / all->minutes;
    result->low_per_min = (waves - half) / all->minutes;
    result->high_per_min = (waves + half) / all->minutes;
}

static void widen(struct wave_result *result, double more_per_min)
{
    double half = hypot(0.5 * (result->high_per_min - result->low_per_min), more_per_min);

    result->low_per_min = result->frequency_per_min - half;
    result->high_per_min = result->frequency_per_min + half;
}

/* Of both, by one over their squared errors, where they agree but for less than a whole wave. Where they are
 * farther apart than their errors make likely, these are taken to be too small alike (Birge's ratio). A list
 * of which the edges are not known, or mixed waves', only widens the interval of a steady phase. */
static void join(const struct opinions *all, double lacks, struct wave_result *result)
{
    double both = hypot(all->phase_error, all->list_error);

    if (all->is_whole && has_way(result))
        tell(result, all, all->phase + all->weight * all->apart,
             NORMAL_95 * all->phase_error * all->list_error / both * fmax(1.0, fabs(all->apart) / both));
    else if (result->regularity > PHASE_STEADY_RAD || lacks >= 1.0)
        tell(result, all, all->phase + fmin(all->weight, MOST_WEIGHT) * all->apart,
             hypot(NORMAL_95 * all->phase_error, all->apart));
}

/* Where they are a wave and more apart: the list, where it shows as many empty places as the phase has waves
 * too many; else both, and an interval that holds both. */
static void settle(const struct opinions *all, const struct passes *passes, const struct wave_list *list,
                   struct wave_result *result)
{
    double fewer = fmin(all->list, all->phase);
    double weight = all->weight;

    if (has_way(result) && all->is_whole && all->apart < 0.0 &&
        fabs(all->apart + room(passes, list)) <= SLIP) {
        tell(result, all, all->list, hypot(NORMAL_95 * all->list_error, 0.5 * all->apart));
        result->has_pauses = true;
        result->share = fmin(result->frequency_per_min * passes->usual_s / 60.0, 1.0);
    } else if (has_way(result) &&
               fabs(all->apart) > fmax(TRAIN_MOST_DISPUTED, TRAIN_DISPUTED_SHARE * fewer)) {
        result->is_disputed = true;
        result->has_frequency = false;
        result->phase_per_min = result->frequency_per_min;
        result->counted_per_min = all->list / all->minutes;
    } else {
        if (!has_way(result) || !all->is_whole || result->regularity <= SLIPS_RAD)
            weight = fmin(weight, MOST_WEIGHT);
        if (!has_way(result) && all->apart < 0.0)
            weight = 0.0;
        tell(result, all, all->phase + weight * all->apart, hypot(NORMAL_95 * all->phase_error, all->apart));
    }
}

void witness_join(const struct wave_list *list, struct wave_result *result)
{
    struct passes passes = passes_of(list);
    struct opinions all;

    result->has_either_way = list->has_either_way;
    result->n_this_way = 0;
    for (size_t i = 0; i < list->n; i++)
        result->n_this_way += list->wave[i].direction == result->direction;
    result->alone_per_min = result->frequency_per_min;
    result->alone_half_per_min = 0.5 * (result->high_per_min - result->low_per_min);
    if (!result->has_frequency)
        return;
    if (passes.n < 2) { /* two or three of the phase, of which one was seen */
        result->has_frequency =
            !has_way(result) || result->frequency_per_min * (list->to_s - list->from_s) / 60.0 < TRAIN_FEW;
        return;
    }
    all = opinions_of(list, &passes, result);
    take_pieces(&all, pieces(&passes, list));
    if (fabs(all.apart) <= SLIP)
        join(&all, lacking(&passes), result);
    else
        settle(&all, &passes, list, result);
    if (all.is_whole && has_way(result) && passes.n_gaps == 0) { /* uneven, but none stayed away */
        result->has_pauses = false;
        result->share = 1.0;
    }
    if (list->n_doubtful + list->n_faint > 0) /* the phase counts them as well, or as little */
        widen(result, (double)(list->n_doubtful + list->n_faint) / all.minutes);
    if (has_way(result) && ((all.list < TRAIN_FEW && result->has_pauses) ||
                            (all.list - 1.0 < TRAIN_FEW && fabs(all.apart) > SLIP)))
        result->has_frequency = false;
}
