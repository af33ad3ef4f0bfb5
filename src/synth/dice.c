#include "synth/dice.h"

#include <math.h>

static const double TWO_PI = 6.283185307179586;

static uint64_t mixed(uint64_t bits)
{
    bits = (bits ^ (bits >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    bits = (bits ^ (bits >> 27)) * UINT64_C(0x94d049bb133111eb);
    return bits ^ (bits >> 31);
}

static double to_even(uint64_t bits)
{
    return (double)(bits >> 11) * 0x1p-53;
}

struct dice dice_make(long seed, unsigned stream)
{
    struct dice made = {
        mixed(mixed((uint64_t)seed + UINT64_C(0x9e3779b97f4a7c15)) ^ ((uint64_t)stream << 32))};

    return made;
}

uint64_t dice_bits(struct dice *dice)
{
    dice->state += UINT64_C(0x9e3779b97f4a7c15);
    return mixed(dice->state);
}

double dice_even(struct dice *dice)
{
    return to_even(dice_bits(dice));
}

double dice_normal(struct dice *dice)
{
    double radius = sqrt(-2.0 * log(1.0 - dice_even(dice)));

    return radius * cos(TWO_PI * dice_even(dice));
}

double dice_hash(long seed, long a, long b)
{
    uint64_t bits = mixed((uint64_t)seed + UINT64_C(0x9e3779b97f4a7c15));

    bits = mixed(bits ^ ((uint64_t)a * UINT64_C(0xd1342543de82ef95)));
    bits = mixed(bits ^ ((uint64_t)b * UINT64_C(0xaf251af3b0f025b5)));
    return to_even(bits);
}
