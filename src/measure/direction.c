#include "measure/direction.h"

#include "measure/band.h"

#include <math.h>

static const double PI = 3.14159265358979323846;
static const double WINDOW =
    0.5; /* of a cycle: longer, and a wave that runs back drowns among its neighbours */
static const double STEP = 0.25; /* of a cycle */
/* Share of what runs the other way, in such windows, below which waves run one way: in the whole
 * stripe, and in either half of it. */
static const double ONE_WAY = 0.2;
static const double ONE_WAY_HALF = 0.25;
/* Share of what both halves do at once in which they turn against each other, above which waves run from both
 * ends: they meet and end there, or pass through one another; all made loops have below 0.1 or above 0.8. */
static const double AGAINST = 0.5;
static const double MOST_APART = 0.7;   /* share that runs from the middle to the ends: no opposing waves */
static const double LEAST_ACROSS = 0.1; /* else nothing runs at all: a lag of 4 mm turns waves by more */
/* Phase, rad, by which waves that pass for one way turn back toward an end of the stripe, above which they
 * run from both ends and meet beside the middle: one-way waves of 44 made loops did not turn back at all,
 * those of the one loop where they met two thirds along by 0.42. Places that move less alike than this tell
 * nothing. */
static const double TURNS_BACK_RAD = 0.25;
static const double ALIKE = 0.7;
static const double TURNS_BACK_ON_RAD = 0.6; /* likewise beyond the stripe, where less moves */
static const double MOST_TURN_RAD = 1.5;
static const double LEAST_ON = 0.4; /* of the stripe's usual motion, that the walls beyond it must have */
static const double TOGETHER = 0.7; /* share that runs to the middle above which they end where they meet */

bool direction_is_one_way(enum wave_direction direction)
{
    return direction == DIRECTION_FUNDUS_TO_CERVIX || direction == DIRECTION_CERVIX_TO_FUNDUS;
}

double complex direction_advance(const struct even *even, size_t lag, size_t from_p, size_t to_p,
                                 size_t from_i, size_t to_i)
{
    double complex sum = 0.0;

    for (size_t p = from_p; p + lag < to_p; p++)
        for (size_t i = from_i; i < to_i; i++)
            sum += sqrt(even->weight[p] * even->weight[p + lag]) * even->band[(p + lag) * even->n + i] *
                   conj(even->band[p * even->n + i]);
    return sum;
}

/* Phase from one place to a later one over the whole time, into *turn_rad; false where they do not move
 * alike. */
static bool find_turn(const struct even *even, size_t one, size_t other, double *turn_rad)
{
    double complex sum = direction_advance(even, other - one, one, other + 1, 0, even->n);
    double energy[2] = {0};

    for (size_t i = 0; i < even->n; i++) {
        energy[0] += pow(cabs(even->band[one * even->n + i]), 2.0);
        energy[1] += pow(cabs(even->band[other * even->n + i]), 2.0);
    }
    *turn_rad = carg(sum);
    return even->weight[one] > 0.0 && even->weight[other] > 0.0 &&
           cabs(sum) > ALIKE * sqrt(even->weight[one] * even->weight[other] * energy[0] * energy[1]);
}

/* How far waves that run one way (sign 1: from the first place) turn back at the most toward the last place,
 * or toward the first. */
static double turn_back_rad(const struct even *even, size_t lag, double sign, bool toward_last)
{
    size_t n = even->n_positions - lag;
    double turned_rad = 0.0;
    double most_rad = 0.0;

    for (size_t k = 0; k < n; k++) {
        size_t p = toward_last ? n - 1 - k : k;
        double turn_rad = 0.0;

        if (!find_turn(even, p, p + lag, &turn_rad))
            break;
        turned_rad += sign * turn_rad / (double)lag; /* pairs overlap */
        most_rad = fmax(most_rad, turned_rad);
    }
    return most_rad;
}

/* Waves that run one way but turn back at an end come from both ends and meet beside the middle, or part
 * there.
 */
static void find_meeting(const struct even *even, size_t lag, struct wave_result *result)
{
    bool is_away = result->direction == DIRECTION_FUNDUS_TO_CERVIX;
    double sign = is_away ? 1.0 : -1.0;

    if (!is_away && result->direction != DIRECTION_CERVIX_TO_FUNDUS)
        return;
    if (turn_back_rad(even, lag, sign, is_away) > TURNS_BACK_RAD) {
        result->direction = DIRECTION_OPPOSING;
        result->meets_aside = true;
    } else if (turn_back_rad(even, lag, sign, !is_away) > TURNS_BACK_RAD) {
        result->direction = DIRECTION_MIXED;
    }
}

void direction_look_on(const struct even *even, double spacing_mm, size_t n_inside,
                       struct wave_result *result)
{
    size_t lag = even_lag(spacing_mm);
    struct even part = *even;
    double usual = 0.0;
    double turn_rad = 0.0;

    /* Short waves turn by nearly half a cycle from place to place: noise would turn them the other way. */
    while (lag > 1 && fabs(carg(direction_advance(even, lag, 0, n_inside, 0, even->n))) > MOST_TURN_RAD)
        lag /= 2;
    for (size_t p = 0; p < n_inside; p++)
        usual += band_strength(even, p) / (double)n_inside;
    /* Beyond where the waves reach nothing moves alike. */
    while (part.n_positions > n_inside &&
           (band_strength(even, part.n_positions - 1) < LEAST_ON * usual ||
            !find_turn(even, part.n_positions - 1 - lag, part.n_positions - 1, &turn_rad)))
        part.n_positions--;
    if (part.n_positions == n_inside || !(turn_back_rad(&part, lag, 1.0, true) > TURNS_BACK_ON_RAD))
        return;
    result->direction = DIRECTION_OPPOSING;
    result->meets_aside = result->runs_on = true;
    result->has_velocity = false;
}

void direction_estimate(const struct even *even, double spacing_mm, struct wave_result *result)
{
    size_t lag = even_lag(spacing_mm);
    double cycle = fmin(60.0 / result->frequency_per_min * EVEN_HZ, (double)even->n);
    size_t window = (size_t)fmax(WINDOW * cycle, 1.0);
    size_t step = (size_t)fmax(STEP * cycle, 1.0);
    size_t half = even->n_positions / 2;
    double share[2][2] = {{0}}; /* [half of stripe][away from fundus, toward it] */
    double both[2] = {0};       /* whole stripe in a window: away, toward */
    double across = 0.0;        /* of the sizes of all sums, what lies across the real axis */
    double sizes = 0.0;
    double at_once[2] = {0}; /* what both halves do at once: turn alike, against each other */
    double complex uniform = 0.0;
    double complex mirrored = 0.0;
    double omega = 2.0 * PI * result->frequency_per_min / 60.0;

    result->direction = DIRECTION_UNDETERMINED;
    result->has_velocity = false;
    if (even->n_positions < 2 * lag + 2)
        return;
    for (size_t from = 0; from + window / 2 < even->n; from += step) {
        size_t to = from + window < even->n ? from + window : even->n;
        double complex fundal = direction_advance(even, lag, 0, half + lag / 2, from, to);
        double complex cervical = direction_advance(even, lag, half - lag / 2, even->n_positions, from, to);
        double complex whole = fundal + cervical;

        share[0][cimag(fundal) > 0.0] += fabs(cimag(fundal));
        share[1][cimag(cervical) > 0.0] += fabs(cimag(cervical));
        both[cimag(whole) > 0.0] += fabs(cimag(whole));
        uniform += cimag(whole) > 0.0 ? conj(whole) : whole;
        at_once[cimag(fundal) * cimag(cervical) < 0.0] += fmin(fabs(cimag(fundal)), fabs(cimag(cervical)));
        across += fabs(cimag(fundal)) + fabs(cimag(cervical));
        sizes += cabs(fundal) + cabs(cervical);
        mirrored += fundal + conj(cervical);
    }
    {
        double fundal_away = share[0][0] / fmax(share[0][0] + share[0][1], 1e-12);
        double cervical_away = share[1][0] / fmax(share[1][0] + share[1][1], 1e-12);
        double away = both[0] / fmax(both[0] + both[1], 1e-12);
        double complex used = uniform;
        double together = 0.5 * (fundal_away + 1.0 - cervical_away);

        if (at_once[1] > AGAINST * (at_once[0] + at_once[1]) && together > 1.0 - MOST_APART) {
            result->direction = DIRECTION_OPPOSING;
            result->is_passing = together < TOGETHER && across > LEAST_ACROSS * sizes;
            used = mirrored;
        } else if (at_once[1] > AGAINST * (at_once[0] + at_once[1]) && across > LEAST_ACROSS * sizes) {
            result->is_parting = true;
            return;
        } else if (away > 1.0 - ONE_WAY && fmin(fundal_away, cervical_away) > 1.0 - ONE_WAY_HALF) {
            result->direction = DIRECTION_FUNDUS_TO_CERVIX;
        } else if (away < ONE_WAY && fmax(fundal_away, cervical_away) < ONE_WAY_HALF) {
            result->direction = DIRECTION_CERVIX_TO_FUNDUS;
        } else {
            result->direction = DIRECTION_MIXED;
        }
        find_meeting(even, lag, result);
        {
            double turn = fabs(carg(used));

            result->has_velocity = !result->is_passing && !result->meets_aside && turn > 0.02 && turn < 2.8;
            if (result->has_velocity)
                result->velocity_per_s = omega * (double)lag * spacing_mm / turn;
            else if (!result->is_passing && !result->meets_aside)
                result->direction = DIRECTION_UNDETERMINED;
        }
    }
}
