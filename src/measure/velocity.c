#include "measure/velocity.h"

#include <math.h>
#include <stdlib.h>

static const double PI = 3.14159265358979323846;
static const double LEAST_LAG_MM = 8.0; /* beyond the reach of what overlapping patches share */
static const double MOST_LAG_MM = 14.0;
static const double MEETING_MM = 1.0; /* to either side of where opposing waves meet, that is not looked at */

/* Products of the traces of places `lag` apart, one sum a cycle. */
struct turns {
    const struct even *even;
    size_t cycle;      /* samples */
    size_t n_cycles;   /* the last may be half a cycle short */
    double *turn;      /* n_cycles: -1 where the waves of that cycle run the other way, else 1 */
    size_t end, start; /* places before the meeting: [0, end); beyond it: [start, n); else end = 0 */
    enum wave_direction direction;
};

static double complex add_pairs(const struct turns *turns, size_t lag, size_t from_p, size_t to_p,
                                size_t cycle)
{
    const struct even *even = turns->even;
    size_t from = cycle * turns->cycle;
    size_t to = from + turns->cycle < even->n ? from + turns->cycle : even->n;
    double complex sum = 0.0;

    for (size_t p = from_p; p + lag < to_p; p++)
        for (size_t i = from; i < to; i++)
            sum += sqrt(even->weight[p] * even->weight[p + lag]) * even->band[(p + lag) * even->n + i] *
                   conj(even->band[p * even->n + i]);
    return sum;
}

/* All cycles, those that run the other way turned round. */
static double complex add_cycles(const struct turns *turns, size_t lag)
{
    double complex all = 0.0;

    for (size_t cycle = 0; cycle < turns->n_cycles; cycle++) {
        double complex sum = 0.0;

        if (turns->direction == DIRECTION_OPPOSING)
            sum = add_pairs(turns, lag, 0, turns->end, cycle) +
                  conj(add_pairs(turns, lag, turns->start, turns->even->n_positions, cycle));
        else
            sum = add_pairs(turns, lag, 0, turns->even->n_positions, cycle);
        all += turns->turn[cycle] < 0.0 ? conj(sum) : sum;
    }
    return all;
}

/* Where the phase that grew begins to fall: the place that parts the stripe into the two halves which turn
 * most against each other; the middle half of it is searched. */
static void find_meeting(struct turns *turns, size_t lag, double spacing_mm)
{
    size_t n = turns->even->n_positions;
    double total = 0.0;
    double before = 0.0;
    double best = -1.0;
    double meeting = 0.5 * (double)(n - 1);

    for (int pass = 0; pass < 2; pass++) {
        before = 0.0;
        for (size_t p = 0; p + lag < n; p++) {
            double part = 0.0;

            if (pass == 1 && 4 * p + 2 * lag >= n && 4 * p + 2 * lag <= 3 * n &&
                fabs(2.0 * before - total) > best) {
                best = fabs(2.0 * before - total);
                meeting = (double)p + 0.5 * (double)lag;
            }
            for (size_t cycle = 0; cycle < turns->n_cycles; cycle++)
                part += cimag(add_pairs(turns, lag, p, p + lag + 1, cycle));
            before += part;
        }
        total = before;
    }
    turns->end = (size_t)floor(fmax(meeting - MEETING_MM / spacing_mm, 0.0)) + 1;
    turns->start = (size_t)ceil(meeting + MEETING_MM / spacing_mm);
}

bool velocity_estimate(const struct even *even, double spacing_mm, struct wave_result *result)
{
    double omega = 2.0 * PI * result->frequency_per_min / 60.0;
    size_t near = even_lag(spacing_mm);
    struct turns turns = {.even = even, .direction = result->direction};
    double per_place = 0.0; /* phase, radians */
    double sign = 1.0;
    double products = 0.0;
    double squares = 0.0;

    turns.cycle = (size_t)fmax(fmin(60.0 / result->frequency_per_min * EVEN_HZ, (double)even->n), 1.0);
    turns.n_cycles = (even->n + turns.cycle - turns.cycle / 2 - 1) / turns.cycle;
    turns.turn = calloc(turns.n_cycles + 1, sizeof *turns.turn);
    if (turns.turn == NULL)
        return false;
    for (size_t cycle = 0; cycle < turns.n_cycles; cycle++) {
        bool is_back = cimag(add_pairs(&turns, near, 0, even->n_positions, cycle)) > 0.0;

        turns.turn[cycle] = result->direction == DIRECTION_MIXED && is_back ? -1.0 : 1.0;
    }
    if (result->direction == DIRECTION_OPPOSING)
        find_meeting(&turns, near, spacing_mm);
    per_place = carg(add_cycles(&turns, near)) / (double)near;
    sign = per_place < 0.0 ? -1.0 : 1.0;
    per_place = fabs(per_place);
    for (size_t lag = (size_t)ceil(LEAST_LAG_MM / spacing_mm - 1e-9);
         (double)lag * spacing_mm <= MOST_LAG_MM + 1e-9; lag++) {
        double complex sum = add_cycles(&turns, lag);
        double phase = sign * carg(sum);

        phase += 2.0 * PI * round((per_place * (double)lag - phase) / (2.0 * PI));
        products += cabs(sum) * phase * (double)lag;
        squares += cabs(sum) * (double)(lag * lag);
        per_place = squares > 0.0 ? products / squares : per_place;
    }
    free(turns.turn);
    if (squares > 0.0 && per_place > 0.0)
        result->velocity_per_s = omega * spacing_mm / per_place;
    return true;
}
