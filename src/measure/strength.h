#ifndef AFTERFLASH_MEASURE_STRENGTH_INTERNAL_H
#define AFTERFLASH_MEASURE_STRENGTH_INTERNAL_H

/* Strength of an echo, of which a scanner shows the logarithm. */

/* From black (0) to white (255): machines show 40 to 70 dB; common practice, no source. */
#define STRENGTH_RANGE_DB 50.0

/* Luma half-way between two, as their energies add up (0 to 255, not rounded). A line that is about as thin
 * as the sound's pulse is spread by it in energy; half-way in luma it would be told too wide. */
double strength_half_way(double one_luma, double other_luma);

#endif
