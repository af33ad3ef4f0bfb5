#include "measure/sides.h"

#include "base/statistics.h"
#include "measure/band.h"
#include "measure/even.h"
#include "measure/fade.h"
#include "measure/span.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Of the band in which amplitudes are read, and which of the places is taken: as in measure/amplitude.c. */
static const double LOW = 0.4;
static const double NARROW_LOW = 0.5;
static const double LEAST_TURNS = 1.5;
static const double HIGH = 2.6;
static const double MOST_PER_MIN = 9.0;
static const double TYPICAL = 0.6;
static const double PATCH_MM = 5.2; /* across: places so far apart see tissue of their own */
static const double NORMAL_95 = 1.96;
/* Of the amplitude of a side, over the number of its waves: waves that its ends cut are read in part, and a
 * root mean square takes few waves of different size and length for others than their mean; half as much
 * again where waves are as uneven as UNEVEN_RAD. Set on made trains of waves. */
static const double FEW_WAVES = 0.1;
static const double UNEVEN_MORE = 0.5;
static const double UNEVEN_RAD = 0.7; /* scatter of the phase: as in measure/train.c */
static const double DISTURBED =
    1.5; /* quick motion over the usual: speckle alone varies it by a tenth in 10 s */
static const double LESS_TRUST = 0.1; /* share of values that are trusted less than 0.4, over the usual */
static const float LEAST_TRUST = 0.4F;

enum { MOST_PLACES = 256 };

struct quantity sides_difference(struct quantity before, struct quantity after)
{
    double value = after.value - before.value;

    if (!before.is_known || !after.is_known || !before.has_interval || !after.has_interval)
        return (struct quantity){0};
    return quantity_within(value, value - hypot(after.value - after.low, before.high - before.value),
                           value + hypot(after.high - after.value, before.value - before.low));
}

/* ---- amplitude ---- */

/* What each place reads on a side, at the walls where that is known; NAN where it tells nothing. False when
 * memory ran out. */
static bool read_places(double *read, const struct wave_trace *trace, const struct side *side,
                        const struct wave_result *whole)
{
    struct wave_trace part = span_of(trace, side->rate.from_s, side->rate.to_s);
    double per_min = whole->frequency_per_min / whole->share;
    struct even even = {0};
    struct pass_band band = {.high = fmin(HIGH * per_min, MOST_PER_MIN)};
    bool is_made = even_make(&even, &part, 0, part.n_times - 1);

    if (!is_made)
        return false;
    band.low = fmin(fmax(LOW * per_min, LEAST_TURNS * 60.0 * EVEN_HZ / (double)even.n), NARROW_LOW * per_min);
    is_made = band_fill(&even, &band);
    for (size_t p = 0; is_made && p < even.n_positions && p < MOST_PLACES; p++) {
        read[p] = even.weight[p] > 0.0 ? band_strength(&even, p) : (double)NAN;
        if (whole->is_at_walls)
            read[p] /= fade_share(trace, trace->half_mm[p], 0.0, whole->fade_mm);
    }
    even_free(&even);
    return is_made;
}

/* Scatter of what the places tell, over as many as see tissue of their own. */
static double error_of_places(double *value, size_t n, const struct wave_trace *trace)
{
    double length = fabs(trace->position_mm[trace->n_positions - 1] - trace->position_mm[0]);

    return statistics_spread(value, n) / sqrt(1.0 + length / PATCH_MM);
}

static double error_of_few(const struct side *side, const struct wave_result *whole)
{
    double waves = fmax(side->rate.per_min * (side->rate.to_s - side->rate.from_s) / 60.0, 1.0);

    return FEW_WAVES * (1.0 + UNEVEN_MORE * fmin(whole->regularity / UNEVEN_RAD, 1.0)) / waves;
}

static void set_amplitude(struct side *side, const double *read, const struct wave_trace *trace,
                          const struct wave_result *whole)
{
    double value[MOST_PLACES];
    double amplitude = 0.0;
    double of_whole = 0.0;
    double half = 0.0;
    size_t n = 0;

    for (size_t p = 0; p < trace->n_positions && p < MOST_PLACES; p++)
        if (isfinite(read[p]))
            value[n++] = read[p];
    amplitude = statistics_quantile(value, n, TYPICAL);
    side->amplitude = quantity_of(amplitude);
    if (!whole->is_at_walls || whole->amplitude <= 0.0)
        return;
    of_whole = 0.5 * (whole->amplitude_high - whole->amplitude_low) / whole->amplitude;
    half = hypot(hypot(of_whole * amplitude, NORMAL_95 * error_of_places(value, n, trace)),
                 NORMAL_95 * error_of_few(side, whole) * amplitude);
    side->amplitude = quantity_within(amplitude, fmax(amplitude - half, 0.0), amplitude + half);
}

static void set_amplitude_difference(struct sides *sides, const double *before, const double *after,
                                     const struct wave_trace *trace, const struct wave_result *whole)
{
    double apart[MOST_PLACES];
    double value = sides->after.amplitude.value - sides->before.amplitude.value;
    double of_whole = 0.0;
    double half = 0.0;
    size_t n = 0;

    if (!whole->is_at_walls || whole->amplitude <= 0.0)
        return;
    for (size_t p = 0; p < trace->n_positions && p < MOST_PLACES; p++)
        if (isfinite(before[p]) && isfinite(after[p]))
            apart[n++] = after[p] - before[p];
    of_whole = 0.5 * (whole->amplitude_high - whole->amplitude_low) / whole->amplitude;
    half = hypot(hypot(of_whole * value, NORMAL_95 * error_of_places(apart, n, trace)),
                 NORMAL_95 * hypot(error_of_few(&sides->before, whole) * sides->before.amplitude.value,
                                   error_of_few(&sides->after, whole) * sides->after.amplitude.value));
    sides->amplitude_difference = quantity_within(value, value - half, value + half);
}

static bool measure_amplitudes(struct sides *sides, const struct wave_trace *trace,
                               const struct wave_result *whole)
{
    double before[MOST_PLACES] = {0};
    double after[MOST_PLACES] = {0};

    if (sides->before.rate.has_rate) {
        if (!read_places(before, trace, &sides->before, whole))
            return false;
        set_amplitude(&sides->before, before, trace, whole);
    }
    if (sides->after.rate.has_rate) {
        if (!read_places(after, trace, &sides->after, whole))
            return false;
        set_amplitude(&sides->after, after, trace, whole);
    }
    if (sides->before.rate.has_rate && sides->after.rate.has_rate)
        set_amplitude_difference(sides, before, after, trace, whole);
    return true;
}

/* ---- both sides ---- */

static struct quantity rate_of(const struct side *side)
{
    double half = side->rate.high_per_min - side->rate.per_min; /* below, it ends at no waves at all */

    if (!side->rate.has_rate)
        return (struct quantity){0};
    return quantity_within(side->rate.per_min, side->rate.per_min - half, side->rate.per_min + half);
}

static bool measure_side(struct side *side, double from_s, double to_s, const struct wave_trace *trace,
                         const struct wave_result *whole, const struct wave_list *list, struct error **err)
{
    struct wave_result alone = {0};

    side->is_there = to_s > from_s;
    side->rate.from_s = from_s;
    side->rate.to_s = to_s;
    return !side->is_there || rate_window_measure(&side->rate, &alone, trace, whole, list, err);
}

bool sides_measure(struct sides *sides, const struct wave_trace *trace, struct parting parting,
                   const struct wave_result *whole, const struct wave_list *list, struct error **err)
{
    double from_s = 0.0;
    double to_s = 0.0;

    memset(sides, 0, sizeof *sides);
    if (!span_assessed(trace, &from_s, &to_s))
        return true;
    if (!measure_side(&sides->before, from_s, fmin(parting.from_s, to_s), trace, whole, list, err) ||
        !measure_side(&sides->after, fmax(parting.to_s, from_s), to_s, trace, whole, list, err))
        return false;
    if (!measure_amplitudes(sides, trace, whole))
        return error_memory(err);
    sides->rate_difference = sides_difference(rate_of(&sides->before), rate_of(&sides->after));
    return true;
}

/* ---- the catheter ---- */

/* Spread of second differences over half a second either way, of the frames in [from_s, to_s] (or of the
 * others) at one place; 0 where there are too few. */
static double quick_motion(const struct wave_trace *trace, size_t place, double from_s, double to_s,
                           bool is_within, double *scratch)
{
    double per_s = (double)(trace->n_times - 1) / (trace->time_s[trace->n_times - 1] - trace->time_s[0]);
    size_t step = (size_t)fmax(round(0.5 * per_s), 1.0);
    size_t m = trace->n_positions;
    size_t n = 0;

    for (size_t t = step; t + step < trace->n_times; t++) {
        size_t at = t * m + place;

        if ((trace->time_s[t] >= from_s && trace->time_s[t] <= to_s) != is_within ||
            trace->trust[at] < LEAST_TRUST || trace->trust[at - step * m] < LEAST_TRUST ||
            trace->trust[at + step * m] < LEAST_TRUST)
            continue;
        scratch[n++] =
            trace->change_mm[at - step * m] - 2.0 * trace->change_mm[at] + trace->change_mm[at + step * m];
    }
    return n >= 8 ? statistics_spread(scratch, n) : 0.0;
}

static double share_lost(const struct wave_trace *trace, double from_s, double to_s, bool is_within)
{
    double n_lost = 0.0;
    double n = 0.0;

    for (size_t t = 0; t < trace->n_times; t++)
        for (size_t p = 0; p < trace->n_positions; p++)
            if ((trace->time_s[t] >= from_s && trace->time_s[t] <= to_s) == is_within) {
                n += 1.0;
                n_lost += trace->trust[t * trace->n_positions + p] < LEAST_TRUST;
            }
    return n > 0.0 ? n_lost / n : 0.0;
}

bool sides_are_disturbed(const struct wave_trace *trace, double from_s, double to_s)
{
    double *scratch = trace->n_times > 2 ? malloc(trace->n_times * sizeof *scratch) : NULL;
    double ratio[MOST_PLACES];
    size_t n = 0;

    if (scratch == NULL)
        return true; /* what cannot be looked at is left out */
    for (size_t p = 0; p < trace->n_positions && p < MOST_PLACES; p++) {
        double within = quick_motion(trace, p, from_s, to_s, true, scratch);
        double beside = quick_motion(trace, p, from_s, to_s, false, scratch);

        if (within > 0.0 && beside > 0.0)
            ratio[n++] = within / beside;
    }
    free(scratch);
    return n == 0 || statistics_median(ratio, n) > DISTURBED ||
           share_lost(trace, from_s, to_s, true) > share_lost(trace, from_s, to_s, false) + LESS_TRUST;
}
