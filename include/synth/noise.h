#ifndef AFTERFLASH_SYNTH_NOISE_H
#define AFTERFLASH_SYNTH_NOISE_H

/** A smooth random curve of x: mean 0, deviation about 1/2, features about one unit long. */
double noise_along(long seed, long stream, double x);

/** A smooth random plane of x and y: mean 0, deviation about 1/2, features about one unit long. */
double noise_plane(long seed, long stream, double x, double y);

#endif
