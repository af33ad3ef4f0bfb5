#include "measure/velocity.h"

#include "measure/direction.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

static const double PI = 3.14159265358979323846;
static const double LEAST_LAG_MM = 8.0; /* beyond the reach of what overlapping patches share */
static const double MOST_LAG_MM = 14.0;
static const double MEETING_MM = 1.0; /* to either side of where opposing waves meet, that is not looked at */
static const double MIXED_PART =
    0.5; /* of a cycle, in which waves that run either way by turns run one way */
/* Standard errors that all cycles share, over the velocity: made loops of two generators. Where waves meet or
 * turn round, the place of that is one more thing to err about: such loops of the validation study
 * were off by more than the narrower interval in three of nine. */
static const double SHARED_PART = 0.02, SHARED_PART_MEETING = 0.05;
enum { LEAST_CYCLES = 3 }; /* for an interval */

/* Products of the traces of places some lag apart, a row a lag and a sum a cycle. */
struct turns {
    const struct even *even;
    size_t cycle;             /* samples */
    size_t n_cycles;          /* the last may be half a cycle short */
    size_t n_used;            /* of them; the sums of the others are 0 */
    size_t near, first, last; /* lags, in places: the first row's, then those of the rows after it */
    size_t n_rows;
    double complex *sum; /* n_rows x n_cycles */
};

static double complex add_pairs(const struct turns *turns, size_t lag, size_t from_p, size_t to_p,
                                size_t cycle)
{
    const struct even *even = turns->even;
    size_t from = cycle * turns->cycle;
    size_t to = from + turns->cycle < even->n ? from + turns->cycle : even->n;

    return direction_advance(even, lag, from_p, to_p, from, to);
}

/* Where the phase that grew begins to fall: the place that parts the stripe into the two pieces which turn
 * most against each other; the middle half of it is searched. */
static double find_meeting(const struct turns *turns)
{
    size_t n = turns->even->n_positions;
    size_t lag = turns->near;
    double total = 0.0;
    double best = -1.0;
    double meeting = 0.5 * (double)(n - 1);

    for (int pass = 0; pass < 2; pass++) {
        double before = 0.0;

        for (size_t p = 0; p + lag < n; p++) {
            if (pass == 1 && 4 * p + 2 * lag >= n && 4 * p + 2 * lag <= 3 * n &&
                fabs(2.0 * before - total) > best) {
                best = fabs(2.0 * before - total);
                meeting = (double)p + 0.5 * (double)lag;
            }
            for (size_t cycle = 0; cycle < turns->n_cycles; cycle++)
                before += cimag(add_pairs(turns, lag, p, p + lag + 1, cycle));
        }
        total = before;
    }
    return meeting;
}

static size_t lag_of_row(const struct turns *turns, size_t row)
{
    return row == 0 ? turns->near : turns->first + row - 1;
}

/* Whether the waves of a cycle run back, toward the first place. */
static bool runs_back(const struct turns *turns, size_t cycle)
{
    return cimag(add_pairs(turns, turns->near, 0, turns->even->n_positions, cycle)) > 0.0;
}

/* Whether the waves of the cycles beside one run as its own do: else the end of the one wave and the
 * beginning of the other, which run against each other, add up to what seems to run faster than either. */
static bool is_undisturbed(const struct turns *turns, size_t cycle)
{
    bool is_back = runs_back(turns, cycle);

    return (cycle == 0 || runs_back(turns, cycle - 1) == is_back) &&
           (cycle + 1 == turns->n_cycles || runs_back(turns, cycle + 1) == is_back);
}

/* The sums of one cycle: of opposing waves, on either side of the place where they meet. */
static void fill_cycle(struct turns *turns, size_t cycle, bool is_opposing, bool is_back, double spacing_mm,
                       double meeting)
{
    size_t n = turns->even->n_positions;
    size_t end = (size_t)floor(fmax(meeting - MEETING_MM / spacing_mm, 0.0)) + 1;
    size_t start = (size_t)ceil(meeting + MEETING_MM / spacing_mm);

    for (size_t row = 0; row < turns->n_rows; row++) {
        size_t lag = lag_of_row(turns, row);
        double complex sum =
            is_opposing ? add_pairs(turns, lag, 0, end, cycle) + conj(add_pairs(turns, lag, start, n, cycle))
                        : add_pairs(turns, lag, 0, n, cycle);

        turns->sum[row * turns->n_cycles + cycle] = is_back ? conj(sum) : sum;
    }
}

/* Fills the sums, each as if the waves of that cycle ran one way. Of mixed waves only cycles are used whose
 * neighbours run the same way, if there are enough of them. */
static void fill_sums(struct turns *turns, enum wave_direction direction, double spacing_mm)
{
    bool is_opposing = direction == DIRECTION_OPPOSING;
    bool is_mixed = direction == DIRECTION_MIXED;
    double meeting = is_opposing ? find_meeting(turns) : 0.0;
    size_t n_undisturbed = 0;
    bool uses_all = true;

    for (size_t cycle = 0; is_mixed && cycle < turns->n_cycles; cycle++)
        n_undisturbed += is_undisturbed(turns, cycle);
    uses_all = n_undisturbed < LEAST_CYCLES;
    turns->n_used = uses_all ? turns->n_cycles : n_undisturbed;
    for (size_t cycle = 0; cycle < turns->n_cycles; cycle++)
        if (uses_all || is_undisturbed(turns, cycle))
            fill_cycle(turns, cycle, is_opposing, is_mixed && runs_back(turns, cycle), spacing_mm, meeting);
}

static double complex add_cycles(const struct turns *turns, size_t row, size_t without)
{
    double complex sum = 0.0;

    for (size_t cycle = 0; cycle < turns->n_cycles; cycle++)
        if (cycle != without)
            sum += turns->sum[row * turns->n_cycles + cycle];
    return sum;
}

/* Phase a place, without one of the cycles; 0 where no places lie far enough apart. */
static double phase_per_place(const struct turns *turns, size_t without)
{
    double near = carg(add_cycles(turns, 0, without));
    double sign = near < 0.0 ? -1.0 : 1.0;
    double per_place = fabs(near) / (double)turns->near;
    double products = 0.0;
    double squares = 0.0;

    for (size_t row = 1; row < turns->n_rows; row++) {
        double lag = (double)lag_of_row(turns, row);
        double complex sum = add_cycles(turns, row, without);
        double phase = sign * carg(sum);

        phase += 2.0 * PI * round((per_place * lag - phase) / (2.0 * PI));
        products += cabs(sum) * phase * lag;
        squares += cabs(sum) * lag * lag;
        per_place = squares > 0.0 ? products / squares : per_place;
    }
    return squares > 0.0 ? per_place : 0.0;
}

/* Standard error of the phase a place by leaving out a cycle at a time (the jackknife: Efron, The Jackknife,
 * the Bootstrap and Other Resampling Plans, SIAM 1982, from memory). */
static double standard_error(const struct turns *turns)
{
    double n = (double)turns->n_used;
    double whole = phase_per_place(turns, SIZE_MAX);
    double sum = 0.0;
    double square = 0.0;

    /* a cycle that is not used changes nothing when it is left out */
    for (size_t cycle = 0; cycle < turns->n_cycles; cycle++) {
        double change = phase_per_place(turns, cycle) - whole;

        sum += change;
        square += change * change;
    }
    return sqrt(fmax(square - sum * sum / n, 0.0) * (n - 1.0) / n);
}

bool velocity_estimate(const struct even *even, double spacing_mm, struct wave_result *result)
{
    double omega = 2.0 * PI * result->frequency_per_min / 60.0;
    double cycle = (result->direction == DIRECTION_MIXED ? MIXED_PART : 1.0) * 60.0 /
                   result->frequency_per_min * EVEN_HZ;
    struct turns turns = {.even = even, .near = even_lag(spacing_mm)};
    double per_place = 0.0;
    double shared = result->direction == DIRECTION_OPPOSING || result->direction == DIRECTION_MIXED
                        ? SHARED_PART_MEETING
                        : SHARED_PART;

    turns.first = (size_t)ceil(LEAST_LAG_MM / spacing_mm - 1e-9);
    turns.last = (size_t)floor(MOST_LAG_MM / spacing_mm + 1e-9);
    turns.n_rows = turns.last >= turns.first ? turns.last - turns.first + 2 : 1;
    turns.cycle = (size_t)fmax(fmin(cycle, (double)even->n), 1.0);
    turns.n_cycles = (even->n + turns.cycle - turns.cycle / 2 - 1) / turns.cycle;
    turns.sum = calloc(turns.n_rows * turns.n_cycles + 1, sizeof *turns.sum);
    if (turns.sum == NULL)
        return false;
    fill_sums(&turns, result->direction, spacing_mm);
    per_place = phase_per_place(&turns, SIZE_MAX);
    if (per_place > 0.0) {
        double reach =
            turns.n_used >= LEAST_CYCLES
                ? hypot(gsl_cdf_tdist_Pinv(0.975, (double)turns.n_used - 1.0) * standard_error(&turns),
                        1.96 * shared * per_place)
                : INFINITY;

        result->velocity_per_s = omega * spacing_mm / per_place;
        result->velocity_low = omega * spacing_mm / (per_place + reach);
        result->velocity_high = per_place > reach ? omega * spacing_mm / (per_place - reach) : INFINITY;
    }
    free(turns.sum);
    return true;
}
