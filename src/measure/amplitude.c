#include "measure/amplitude.h"

#include "base/statistics.h"
#include "measure/band.h"
#include "measure/fade.h"

#include <math.h>
#include <stdlib.h>

/* Of the band, over the frequency: waves that come early or late, small or large, spread beside it. */
static const double LOW = 0.4;
static const double NARROW_LOW = 0.5; /* of loops too short for LOW */
static const double LEAST_TURNS = 1.5;
static const double HIGH = 2.6;
static const double MOST_PER_MIN = 9.0; /* breathing starts at 12: common practice, no source */
static const double PATCH_MM = 5.2;     /* across: places so far apart see tissue of their own */
/* What all places share, of the amplitude: how walls and tissue move is not known so well. Set on 101 made
 * loops of six generators, whose amplitudes were 8 % (standard deviation) off: 97 of them then lie within the
 * interval. */
static const double SYSTEMATIC = 0.06;
static const double SHARE_ERROR = 0.25; /* of what is added: standard error on made loops of two generators */
/* Of the amplitude, over the number of waves: at either end up to half a wave is cut off or counted in, in
 * all 0.41 of a wave's energy (standard deviation of two even laws), half as much of its amplitude; and few
 * waves of different size are taken for others than the usual one. Set on 39 made loops of fewer than five
 * waves. */
static const double FEW_WAVES = 0.3;
static const double TYPICAL = 0.6; /* quantile of the places: a stripe moves less at its ends */

/* How the motion fades beside the walls. False when memory ran out. */
static bool find_fade(const struct wave_trace *trace, const struct even *even, size_t from, size_t to,
                      const struct pass_band *band, struct wave_result *result)
{
    struct wave_trace outside = {.n_times = trace->n_times,
                                 .n_positions = trace->beside.n,
                                 .time_s = trace->time_s,
                                 .change_mm = trace->beside.change_mm,
                                 .trust = trace->beside.trust};
    struct even beside = {0};
    bool is_made = true;

    result->is_at_walls = false;
    if (trace->beside.n == 0 || trace->half_mm == NULL)
        return true;
    is_made = even_make(&beside, &outside, from, to) && band_fill(&beside, band);
    if (is_made)
        result->is_at_walls = fade_estimate(trace, even, &beside, &result->fade_mm);
    even_free(&beside);
    return is_made;
}

/* Sets the amplitude and, where it is the walls', its interval. `read` holds what the patches read at n
 * places and `share` the share of the walls' motion that they read there; both are overwritten. */
static void set_amplitude(const struct wave_trace *trace, double *read, double *share, size_t n,
                          struct wave_result *result)
{
    double length = fabs(trace->position_mm[trace->n_positions - 1] - trace->position_mm[0]);
    double of_places = 0.0;
    double of_share = 0.0;
    double of_few = 0.0;
    double of_all = 0.0;

    for (size_t i = 0; i < n; i++)
        read[i] /= share[i] * sqrt(result->share);
    result->amplitude = statistics_quantile(read, n, TYPICAL);
    of_places = statistics_spread(read, n) / sqrt(1.0 + length / PATCH_MM);
    of_share = SHARE_ERROR * (1.0 - statistics_median(share, n)) * result->amplitude;
    if (!result->is_at_walls)
        return;
    of_few = FEW_WAVES * result->amplitude / fmax(result->frequency_per_min * result->assessed_s / 60.0, 1.0);
    of_all = hypot(hypot(of_places, of_share), hypot(SYSTEMATIC * result->amplitude, of_few));
    result->amplitude_low = result->amplitude - 1.96 * of_all;
    result->amplitude_high = result->amplitude + 1.96 * of_all;
}

bool amplitude_measure(const struct wave_trace *trace, struct even *even, size_t from, size_t to,
                       struct wave_result *result)
{
    double slowest = LEAST_TURNS * 60.0 * EVEN_HZ / (double)even->n; /* slower, and drift gets in */
    double per_min = result->frequency_per_min / result->share;      /* as they follow one another */
    struct pass_band band = {.low = fmin(fmax(LOW * per_min, slowest), NARROW_LOW * per_min),
                             .high = fmin(HIGH * per_min, MOST_PER_MIN)};
    double *read = calloc(even->n_positions, sizeof *read);
    double *share = calloc(even->n_positions, sizeof *share);
    size_t n = 0;
    bool is_made = read != NULL && share != NULL && band_fill(even, &band) &&
                   find_fade(trace, even, from, to, &band, result);

    for (size_t p = 0; is_made && p < even->n_positions; p++) {
        if (even->weight[p] <= 0.0)
            continue;
        read[n] = band_strength(even, p);
        share[n++] = result->is_at_walls ? fade_share(trace, trace->half_mm[p], 0.0, result->fade_mm) : 1.0;
    }
    if (is_made)
        set_amplitude(trace, read, share, n, result);
    free(read);
    free(share);
    return is_made;
}
