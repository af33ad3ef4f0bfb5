#ifndef AFTERFLASH_PEER_QUIET_H
#define AFTERFLASH_PEER_QUIET_H

#include <stdbool.h>
#include <stddef.h>

/* What the program followed in a quiet loop, and trains of waves to be laid over it. */

struct quiet {
    size_t n_times, n_positions;
    double *time_s, *position_mm, *change_mm;
    float *trust;
};

/** Reads a motion.csv of one loop; false when it cannot be used. */
bool quiet_read(struct quiet *quiet, const char *path);

/** The same loop led on to a length by running back and forth in it. */
struct quiet quiet_led_on(const struct quiet *quiet, double duration_s);

void quiet_free(struct quiet *quiet);

#endif
