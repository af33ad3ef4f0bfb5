#include "measure/fade.h"

#include <math.h>

static const double CUT_SIGMAS = 2.0; /* of a patch */
static const double LEAST_HALF_MM = 0.5;
static const double LEAST_FADE_MM = 1.5;
static const double MOST_FADE_MM = 60.0; /* as good as none within the reach of a patch */
enum { LEAST_PAIRS = 3, STEPS = 60, HALVINGS = 40 };

/* Motion of tissue at away_mm outward of a wall that moves by 1. */
static double motion_at(double half_mm, double away_mm, double fade_mm)
{
    if (away_mm >= 0.0)
        return exp(-away_mm / fade_mm);
    if (away_mm >= -2.0 * half_mm)
        return 1.0 + away_mm / half_mm;
    return -exp((away_mm + 2.0 * half_mm) / fade_mm); /* beyond the other wall, which moves the other way */
}

double fade_share(const struct wave_trace *trace, double half_mm, double away_mm, double fade_mm)
{
    double sigma = trace->patch_sigma_mm;
    double cut = CUT_SIGMAS * sigma;
    double sum = 0.0;
    double total = 0.0;

    half_mm = fmax(half_mm, LEAST_HALF_MM);
    if (sigma <= 0.0)
        return motion_at(half_mm, away_mm, fade_mm);
    for (int i = 0; i < STEPS; i++) {
        double across = cut * (2.0 * ((double)i + 0.5) / STEPS - 1.0);
        /* the patch is round: its weight in a row beside the wall */
        double weight = exp(-0.5 * across * across / (sigma * sigma)) *
                        erf(sqrt(0.5 * (cut * cut - across * across)) / sigma);

        sum += weight * motion_at(half_mm, away_mm + across, fade_mm);
        total += weight;
    }
    return sum / total;
}

/* What the walls and the tissue beside them do together in one pair: the product and the walls' own square.
 */
static void compare(const struct even *even, size_t p, const struct even *beside, size_t pair,
                    double *product, double *square)
{
    *product = *square = 0.0;
    for (size_t i = 0; i < even->n && i < beside->n; i++) {
        double complex wall = even->band[p * even->n + i];

        *product += creal(beside->band[pair * beside->n + i] * conj(wall));
        *square += creal(wall * conj(wall));
    }
}

bool fade_estimate(const struct wave_trace *trace, const struct even *even, const struct even *beside,
                   double *fade_mm)
{
    double low = log(LEAST_FADE_MM);
    double high = log(MOST_FADE_MM);
    size_t n = 0;

    for (int halving = 0; halving < HALVINGS; halving++) {
        double fade = exp(0.5 * (low + high));
        double excess = 0.0; /* of the motion beside the walls over what that fade leaves */

        n = 0;
        for (size_t pair = 0; pair < trace->beside.n; pair++) {
            size_t p = trace->beside.position[pair];
            double product = 0.0;
            double square = 0.0;

            if (even->weight[p] <= 0.0 || beside->weight[pair] <= 0.0 ||
                !(trace->half_mm[p] >= LEAST_HALF_MM))
                continue;
            compare(even, p, beside, pair, &product, &square);
            excess += product - square * fade_share(trace, trace->half_mm[p], trace->beside.away_mm, fade) /
                                    fade_share(trace, trace->half_mm[p], 0.0, fade);
            n++;
        }
        if (excess > 0.0)
            low = log(fade);
        else
            high = log(fade);
    }
    *fade_mm = exp(0.5 * (low + high));
    return n >= LEAST_PAIRS;
}
