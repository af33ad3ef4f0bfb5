#ifndef AFTERFLASH_SYNTH_DICE_H
#define AFTERFLASH_SYNTH_DICE_H

#include <stdint.h>

/** Seeded random numbers: splitmix64 (Steele, Lea, Flood, OOPSLA 2014), the same on every machine. */
struct dice {
    uint64_t state;
};

/** Dice for one purpose: each stream of one seed is independent of the others. */
struct dice dice_make(long seed, unsigned stream);

/** 64 random bits. */
uint64_t dice_bits(struct dice *dice);

/** Evenly distributed in [0, 1). */
double dice_even(struct dice *dice);

/** Normally distributed, mean 0, deviation 1 (Box and Muller, Ann. Math. Stat. 29:610, 1958). */
double dice_normal(struct dice *dice);

/** A value in [0, 1) that depends on nothing but its arguments. */
double dice_hash(long seed, long a, long b);

#endif
