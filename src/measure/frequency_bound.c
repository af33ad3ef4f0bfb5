#include "measure/frequency_bound.h"

#include "measure/even.h"

#include <math.h>
#include <stddef.h>

static const double PI = 3.14159265358979323846;
enum { N_UNKNOWN = 4, N_ALL = N_UNKNOWN + 1 };

/* What the model does at a moment when a parameter changes: offset, slope, the two parts of the amplitude,
 * and last the frequency of a sinusoid of amplitude 1 and that phase. */
static void slopes_at(double time_s, double turn_rad_per_s, double phase, double slope[N_ALL])
{
    slope[0] = 1.0;
    slope[1] = time_s;
    slope[2] = cos(turn_rad_per_s * time_s);
    slope[3] = sin(turn_rad_per_s * time_s);
    slope[4] = -time_s * sin(turn_rad_per_s * time_s + phase);
}

/* Integral over time of the squared slope of the frequency, less what the other four parameters explain of
 * it: the last pivot of the elimination of their products. */
static double left_over(const struct frequency_bound *bound, double phase)
{
    double turn = 2.0 * PI * bound->per_min / 60.0;
    size_t n = (size_t)fmax(round(bound->duration_s * EVEN_HZ), 2.0);
    double a[N_ALL][N_ALL] = {{0}};

    for (size_t i = 0; i < n; i++) {
        double slope[N_ALL];

        slopes_at(((double)i - 0.5 * (double)(n - 1)) / EVEN_HZ, turn, phase, slope);
        for (int p = 0; p < N_ALL; p++)
            for (int q = 0; q < N_ALL; q++)
                a[p][q] += slope[p] * slope[q] / EVEN_HZ;
    }
    for (int k = 0; k < N_UNKNOWN; k++)
        for (int p = k + 1; p < N_ALL; p++) {
            double share = a[k][k] > 0.0 ? a[p][k] / a[k][k] : 0.0;

            for (int q = k; q < N_ALL; q++)
                a[p][q] -= share * a[k][q];
        }
    return a[N_UNKNOWN][N_UNKNOWN];
}

double frequency_bound_error(const struct frequency_bound *bound)
{
    /* Phases differ along the stripe. */
    double energy = 0.5 * (left_over(bound, 0.0) + left_over(bound, 0.5 * PI));
    double information = 2.0 * bound->amplitude * bound->amplitude * energy *
                         fmax(bound->n_independent, 1.0) / fmax(bound->density, 1e-300);

    return information > 0.0 ? 60.0 / (2.0 * PI * sqrt(information)) : HUGE_VAL;
}
