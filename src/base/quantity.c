#include "base/quantity.h"

#include <math.h>

struct quantity quantity_of(double value)
{
    struct quantity made = {0};

    if (isfinite(value)) {
        made.is_known = true;
        made.value = value;
    }
    return made;
}

struct quantity quantity_within(double value, double low, double high)
{
    struct quantity made = {0};

    if (isfinite(value) && isfinite(low) && isfinite(high)) {
        made = quantity_of(value);
        made.has_interval = true;
        made.low = low;
        made.high = high;
    }
    return made;
}

struct quantity quantity_scaled(struct quantity quantity, double factor)
{
    quantity.value *= factor;
    quantity.low *= factor;
    quantity.high *= factor;
    return quantity;
}
