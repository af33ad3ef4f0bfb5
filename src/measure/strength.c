#include "measure/strength.h"

#include <math.h>

double strength_half_way(double one_luma, double other_luma)
{
    double bels = STRENGTH_RANGE_DB / 10.0 / 255.0; /* of energy, a grey level */

    return log10(0.5 * (pow(10.0, one_luma * bels) + pow(10.0, other_luma * bels))) / bels;
}
