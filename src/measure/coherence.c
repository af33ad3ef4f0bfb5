#include "measure/coherence.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

/* How far neighbouring places along the stripe move together with a fixed lag: sizes of the
 * summed products over halves of the stripe and windows of 20 s, over what full agreement
 * would give; 0..1. shift[p] turns a position's trace round in time. *running (may be NULL):
 * share of that size which lies across the real axis, where only motion that comes later at one
 * place than at the other gets (Nolte et al., Clin. Neurophysiol. 115:2292-2307, 2004, from memory). */
static double coherence_of(const struct even *even, size_t lag, const size_t *shift, double *running)
{
    size_t window = (size_t)(20.0 * EVEN_HZ);
    size_t half = even->n_positions / 2;
    double agreed = 0.0;
    double lagged = 0.0;
    double most = 0.0;

    for (size_t from = 0; from + window / 2 < even->n; from += window)
        for (int part = 0; part < 2; part++) {
            double complex sum = 0.0;
            size_t first = part == 0 ? 0 : half;
            size_t end = part == 0 ? half : even->n_positions;

            for (size_t p = first; p < end && p + lag < even->n_positions; p++) {
                double weight = sqrt(even->weight[p] * even->weight[p + lag]);
                double one = 0.0;
                double other = 0.0;

                for (size_t i = from; i < from + window && i < even->n; i += 2) {
                    double complex a = even->band[p * even->n + (i + shift[p]) % even->n];
                    double complex b = even->band[(p + lag) * even->n + (i + shift[p + lag]) % even->n];

                    sum += weight * b * conj(a);
                    one += weight * creal(a * conj(a));
                    other += weight * creal(b * conj(b));
                }
                most += sqrt(one * other);
            }
            agreed += cabs(sum);
            lagged += fabs(cimag(sum));
        }
    if (running != NULL)
        *running = agreed > 0.0 ? lagged / agreed : 0.0;
    return most > 0.0 ? agreed / most : 0.0;
}

double coherence_at(const struct even *even, size_t lag, size_t *shift)
{
    memset(shift, 0, even->n_positions * sizeof *shift);
    return coherence_of(even, lag, shift, NULL);
}

double coherence_test(const struct even *even, size_t lag, size_t *shift, double *coherence, double *running)
{
    uint64_t state = 0x9E3779B97F4A7C15U; /* the same lots every time: the same answer */
    size_t n_reach = 0;

    memset(shift, 0, even->n_positions * sizeof *shift);
    *coherence = coherence_of(even, lag, shift, running);
    for (int round = 0; round < COHERENCE_SURROGATES; round++) {
        for (size_t p = 0; p < even->n_positions; p++) {
            state = state * 6364136223846793005U + 1442695040888963407U;
            shift[p] = (size_t)(state >> 33) % even->n;
        }
        n_reach += coherence_of(even, lag, shift, NULL) >= *coherence;
    }
    return ((double)n_reach + 1.0) / (COHERENCE_SURROGATES + 1.0);
}
