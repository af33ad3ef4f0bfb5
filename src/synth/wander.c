#include "synth/wander.h"

#include "synth/dice.h"

#include <math.h>

enum { N_SINES = 64, N_SAMPLES = 2048 };
static const double TWO_PI = 6.283185307179586;

double wander_at(const struct wander *wander, double time_s)
{
    double sum = 0.0;

    for (int i = 0; i < N_SINES; i++)
        if (wander->amplitude[i] > 0.0)
            sum += wander->amplitude[i] * sin(TWO_PI * wander->hz[i] * time_s + wander->phase[i]);
    return sum - wander->mean;
}

static void scale_to(struct wander *wander, double deviation, double duration_s)
{
    double sum = 0.0, squares = 0.0, factor;

    for (int i = 0; i < N_SAMPLES; i++) {
        double value = wander_at(wander, duration_s * (i + 0.5) / N_SAMPLES);

        sum += value;
        squares += value * value;
    }
    sum /= N_SAMPLES;
    squares = squares / N_SAMPLES - sum * sum;
    factor = squares > 0.0 ? deviation / sqrt(squares) : 0.0;
    for (int i = 0; i < N_SINES; i++)
        wander->amplitude[i] *= factor;
    wander->mean = sum * factor;
}

struct wander wander_make(long seed, unsigned stream, double deviation, double highest_hz, double duration_s)
{
    struct wander made = {0};
    struct dice dice = dice_make(seed, stream);
    double lowest = fmin(0.5 / fmax(duration_s, 1.0), 0.5 * highest_hz);

    for (int i = 0; i < N_SINES; i++) {
        double share = (i + dice_even(&dice)) / N_SINES;

        made.hz[i] = lowest + (highest_hz - lowest) * share;
        made.phase[i] = TWO_PI * dice_even(&dice);
        made.amplitude[i] = deviation > 0.0 ? fabs(dice_normal(&dice)) / made.hz[i] : 0.0;
    }
    if (deviation > 0.0)
        scale_to(&made, deviation, duration_s);
    return made;
}
