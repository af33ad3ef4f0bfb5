#ifndef AFTERFLASH_MEASURE_FREQUENCY_BOUND_INTERNAL_H
#define AFTERFLASH_MEASURE_FREQUENCY_BOUND_INTERNAL_H

/* A steady wave and the noise that it stands in, as the traces of the walls show them. */
struct frequency_bound {
    double per_min;
    double duration_s;    /* > 0 */
    double amplitude;     /* root mean square over the positions of the sinusoid's amplitude */
    double density;       /* of the noise at the frequency: one-sided, (unit of amplitude)^2 per hertz, > 0 */
    double n_independent; /* positions whose noise is independent, >= 1 */
};

/* The least standard error, per minute, with which any unbiased estimate tells the frequency: the Cramer-Rao
 * bound with amplitude, phase, offset and slope of each position unknown. HUGE_VAL where there is no wave, or
 * too little of one. Derived in docs/method.md, section 4. Source: Rife and Boorstyn, IEEE Trans. Inf. Theory
 * 20:591-598, 1974 (one sinusoid in white noise). */
double frequency_bound_error(const struct frequency_bound *bound);

#endif
