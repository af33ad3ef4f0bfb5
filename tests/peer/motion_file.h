#ifndef AFTERFLASH_PEER_MOTION_FILE_H
#define AFTERFLASH_PEER_MOTION_FILE_H

#include <stdbool.h>
#include <stddef.h>

/* Wall motion as motion.csv of one loop holds it. */
struct motion_file {
    size_t n_times, n_positions;
    double *time_s;      /* n_times */
    double *position_mm; /* at least n_positions */
    double *change_mm;   /* n_times x n_positions */
    float *trust;        /* n_times x n_positions */
};

/* Reads it; false when there is no such file or too little in it. Ends the program when memory runs out. */
bool motion_file_read(struct motion_file *motion, const char *path);

/* The same loop led on to a length by running back and forth in it. */
struct motion_file motion_file_led_on(const struct motion_file *motion, double duration_s);

/* Frees what it holds and empties it. */
void motion_file_free(struct motion_file *motion);

#endif
