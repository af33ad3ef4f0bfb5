#include "measure/even.h"

#include "base/statistics.h"
#include "measure/spectrum.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double GRID_SIGMA_S = 0.3;  /* of the kernel that makes the grid */
static const double LARGEST_GAP_S = 3.0; /* a longer hole ends a stretch */
static const float LEAST_TRUST = 0.4F;
static const double LAG_MM = 4.0; /* between positions whose phases are compared */

void even_free(struct even *even)
{
    free(even->value);
    free(even->weight);
    free(even->band);
    memset(even, 0, sizeof *even);
}

/* Whether most of the positions are trusted at a time. */
static bool is_usable(const struct wave_trace *trace, size_t t)
{
    size_t n_good = 0;

    for (size_t p = 0; p < trace->n_positions; p++)
        n_good += trace->trust[t * trace->n_positions + p] >= LEAST_TRUST;
    return 2 * n_good >= trace->n_positions;
}

double even_frames_per_s(const struct wave_trace *trace, size_t from, size_t to)
{
    double n = 0.0;

    for (size_t t = from; t < to; t++)
        n += is_usable(trace, t);
    return n / (trace->time_s[to] - trace->time_s[from]);
}

void even_stretch(const struct wave_trace *trace, size_t *from, size_t *to)
{
    double best = -1.0;
    size_t start = 0;
    bool is_open = false;
    size_t last_good = 0;

    *from = *to = 0;
    for (size_t t = 0; t < trace->n_times; t++) {
        if (!is_usable(trace, t))
            continue;
        if (!is_open || trace->time_s[t] - trace->time_s[last_good] > LARGEST_GAP_S) {
            start = t;
            is_open = true;
        }
        last_good = t;
        if (trace->time_s[t] - trace->time_s[start] > best) {
            best = trace->time_s[t] - trace->time_s[start];
            *from = start;
            *to = t;
        }
    }
}

/* One position onto the grid by a weighted local mean. False when too little of it is trusted. */
static bool fill_row(const struct wave_trace *trace, size_t p, size_t from, size_t to, struct even *even,
                     double *row)
{
    size_t low = from;
    size_t n_known = 0;
    double mean = 0.0;
    double last = NAN;

    for (size_t i = 0; i < even->n; i++) {
        double now = even->from_s + (double)i / EVEN_HZ;
        double sum = 0.0;
        double total = 0.0;

        while (low < to && trace->time_s[low] < now - 3.0 * GRID_SIGMA_S)
            low++;
        for (size_t t = low; t <= to && trace->time_s[t] <= now + 3.0 * GRID_SIGMA_S; t++) {
            double away = (trace->time_s[t] - now) / GRID_SIGMA_S;
            size_t at = t * trace->n_positions + p;

            if (trace->trust[at] >= LEAST_TRUST) {
                double weight = exp(-0.5 * away * away);

                sum += weight * trace->change_mm[at];
                total += weight;
            }
        }
        row[i] = total > 1e-3 ? sum / total : NAN;
        n_known += total > 1e-3;
    }
    if (10 * n_known < 8 * even->n)
        return false;
    /* Holes are bridged by straight lines; ends are held. */
    for (size_t i = 0; i < even->n; i++) {
        size_t next = i;

        if (isfinite(row[i])) {
            last = row[i];
            continue;
        }
        while (next < even->n && !isfinite(row[next]))
            next++;
        if (next == even->n)
            row[i] = last;
        else if (!isfinite(last))
            row[i] = row[next];
        else
            row[i] = last + (row[next] - last) / (double)(next - i + 1);
        last = row[i];
    }
    for (size_t i = 0; i < even->n; i++)
        mean += row[i] / (double)even->n;
    for (size_t i = 0; i < even->n; i++)
        row[i] -= mean;
    return true;
}

/* Noise of a row: what a wave cannot do, from second differences over a second. */
static double noise_of(const double *row, size_t n, double *scratch)
{
    size_t step = (size_t)EVEN_HZ;
    size_t k = 0;

    for (size_t i = step; i + step < n; i++)
        scratch[k++] = row[i - step] - 2.0 * row[i] + row[i + step];
    return fmax(statistics_spread(scratch, k) / sqrt(6.0), 1e-4);
}

bool even_make(struct even *even, const struct wave_trace *trace, size_t from, size_t to)
{
    double *scratch = NULL;
    double total = 0.0;

    memset(even, 0, sizeof *even);
    even->from_s = trace->time_s[from];
    even->n = (size_t)floor((trace->time_s[to] - trace->time_s[from]) * EVEN_HZ) + 1;
    even->n_positions = trace->n_positions;
    even->value = calloc(even->n * even->n_positions, sizeof *even->value);
    even->weight = calloc(even->n_positions, sizeof *even->weight);
    even->band = calloc(even->n * even->n_positions, sizeof *even->band);
    scratch = calloc(even->n, sizeof *scratch);
    if (!even->value || !even->weight || !even->band || !scratch) {
        free(scratch);
        even_free(even);
        return false;
    }
    for (size_t p = 0; p < even->n_positions; p++) {
        double *row = even->value + p * even->n;

        if (fill_row(trace, p, from, to, even, row)) {
            double noise = noise_of(row, even->n, scratch);

            even->weight[p] = 1.0 / (noise * noise);
        } else {
            memset(row, 0, even->n * sizeof *row);
        }
    }
    /* No position may rule: weights are held to four times the median one. */
    for (size_t p = 0; p < even->n_positions; p++)
        scratch[p % even->n] = even->weight[p];
    {
        double most =
            4.0 * statistics_median(scratch, even->n_positions < even->n ? even->n_positions : even->n);

        for (size_t p = 0; p < even->n_positions; p++) {
            if (most > 0.0)
                even->weight[p] = fmin(even->weight[p], most);
            total += even->weight[p];
        }
    }
    for (size_t p = 0; p < even->n_positions && total > 0.0; p++)
        even->weight[p] /= total;
    free(scratch);
    return true;
}

double even_tone_energy(const struct even *even, double per_min)
{
    double energy = 0.0;

    for (size_t p = 0; p < even->n_positions; p++)
        if (even->weight[p] > 0.0)
            energy += even->weight[p] *
                      spectrum_tone(even->value + p * even->n, even->n, EVEN_HZ, per_min / 60.0, NULL);
    return energy;
}

size_t even_lag(double spacing_mm)
{
    return (size_t)fmax(1.0, round(LAG_MM / spacing_mm));
}
