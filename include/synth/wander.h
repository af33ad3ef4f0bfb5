#ifndef AFTERFLASH_SYNTH_WANDER_H
#define AFTERFLASH_SYNTH_WANDER_H

/** A band-limited random walk that can be asked for any time: 64 sines with random phases
 *  whose amplitudes fall with frequency as those of a random walk do (power as 1/f^2). */
struct wander {
    double hz[64];
    double amplitude[64];
    double phase[64];
    double mean;
};

/** Makes a wander whose deviation over [0, duration_s] is exactly `deviation`, mean 0.
 *
 *  highest_hz  fastest part; the slowest is half a turn in the whole loop */
struct wander wander_make(long seed, unsigned stream, double deviation, double highest_hz, double duration_s);

/** Its value at a time. */
double wander_at(const struct wander *wander, double time_s);

#endif
