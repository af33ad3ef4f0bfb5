#include "measure/wave_delay.h"

#include <math.h>

bool wave_delay(const struct wave_result *result, double away, double *delay_s)
{
    double way = 1.0;

    if (!result->has_velocity)
        return false;
    switch (result->direction) {
    case DIRECTION_FUNDUS_TO_CERVIX:
        break;
    case DIRECTION_CERVIX_TO_FUNDUS:
        way = -1.0;
        break;
    case DIRECTION_OPPOSING:
        way = away > 0.0 ? -1.0 : 1.0;
        break;
    default:
        return false;
    }
    *delay_s = way * away / result->velocity_per_s;
    return true;
}
