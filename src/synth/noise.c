#include "synth/noise.h"

#include "synth/dice.h"

#include <math.h>

static double lattice(long seed, long stream, long i, long j)
{
    return 2.0 * dice_hash(seed * 1009 + stream, i, j) - 1.0;
}

static double eased(double x)
{
    return x * x * (3.0 - 2.0 * x);
}

double noise_along(long seed, long stream, double x)
{
    long i = (long)floor(x);
    double share = eased(x - floor(x));

    return lattice(seed, stream, i, 0) * (1.0 - share) + lattice(seed, stream, i + 1, 0) * share;
}

double noise_plane(long seed, long stream, double x, double y)
{
    long i = (long)floor(x), j = (long)floor(y);
    double a = eased(x - floor(x)), b = eased(y - floor(y));
    double upper = lattice(seed, stream, i, j) * (1.0 - a) + lattice(seed, stream, i + 1, j) * a;
    double lower = lattice(seed, stream, i, j + 1) * (1.0 - a) + lattice(seed, stream, i + 1, j + 1) * a;

    return upper * (1.0 - b) + lower * b;
}
