#include "synth/curve.h"

#include "base/wide.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

static const double FLOOR_DB = -44.0; /* what is shown black with 60 dB of range, soft tissue being 0 */
static const double LEAST_POWER = 1e-12;
static const double DB_AN_OCTAVE = 3.010299956639812; /* of power: 10 log10(2) */

static double luma_of_step(int step)
{
    double share = (double)step / CURVE_STEPS;

    return 255.0 * pow(share, 1.7) * (1.12 - 0.12 * share);
}

/* White is where 60 dB of range put it: a smaller range darkens the weak echoes. */
static double black_db(const struct recipe *recipe)
{
    return FLOOR_DB + 60.0 - recipe->dynamic_range_db;
}

static int step_at(const struct recipe *recipe, double power, double gain_db)
{
    double db = 10.0 * log10(power + LEAST_POWER) + recipe->gain_db + gain_db;
    double share = (db - black_db(recipe)) / recipe->dynamic_range_db;

    return (int)(fmin(fmax(share, 0.0), 1.0) * CURVE_STEPS);
}

double curve_luma(const struct recipe *recipe, double power, double gain_db)
{
    return (double)(float)luma_of_step(step_at(recipe, power, gain_db));
}

/* Floats from 0 on are ordered as the integers of the same bits are. */
static float from_bits(uint32_t bits)
{
    float value;

    memcpy(&value, &bits, sizeof value);
    return value;
}

void curve_make(struct curve *curve, const struct recipe *recipe, double gain_db)
{
    static const uint32_t INFINITE = 0x7f800000;
    double steps_a_db = CURVE_STEPS / recipe->dynamic_range_db;
    uint32_t bits = 0;

    if (curve->is_made && curve->gain_db == gain_db)
        return;
    curve->is_made = true;
    curve->gain_db = gain_db;
    curve->per_octave = (float)(DB_AN_OCTAVE * steps_a_db);
    curve->first = (float)((recipe->gain_db + gain_db - black_db(recipe)) * steps_a_db);
    for (int step = 0; step <= CURVE_STEPS; step++) {
        uint32_t enough = INFINITE;

        while (bits < enough) {
            uint32_t middle = bits + (enough - bits) / 2;

            if (step_at(recipe, (double)from_bits(middle), gain_db) >= step)
                enough = middle;
            else
                bits = middle + 1;
        }
        curve->least[step] = from_bits(bits);
        curve->luma[step] = (float)luma_of_step(step);
    }
    curve->least[CURVE_STEPS + 1] = INFINITY;
}

/* Binary logarithm, right to 0.0002: the exponent, and a polynomial for the rest that meets it at both ends.
 */
static inline float rough_octaves(float power)
{
    uint32_t bits, fraction_bits;
    float beyond;

    memcpy(&bits, &power, sizeof bits);
    fraction_bits = (bits & 0x007fffff) | 0x3f800000;
    memcpy(&beyond, &fraction_bits, sizeof beyond);
    beyond -= 1.0f;
    return (float)((int32_t)(bits >> 23) - 127) +
           beyond * (1.0f + (1.0f - beyond) * (0.4387f + beyond * (0.0821f * beyond - 0.2390f)));
}

/* The line over the logarithm is right to a tenth of a step (with 20 dB of range, the least that a recipe may
 * have), so that the step is the one that it tells or a neighbour. */
WIDE static void show(const struct curve *curve, float *restrict values, size_t n)
{
    const float *least = curve->least, *luma = curve->luma;
    float first = curve->first, per_octave = curve->per_octave;

#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        float power = values[i];
        int step = (int)(first + per_octave * rough_octaves(power + (float)LEAST_POWER));

        step = step < 0 ? 0 : step;
        step = step > CURVE_STEPS ? CURVE_STEPS : step;
        step += (power >= least[step + 1] ? 1 : 0) - (power < least[step] ? 1 : 0);
        values[i] = luma[step];
    }
}

void curve_show(const struct curve *curve, float *values, size_t n)
{
    show(curve, values, n);
}
