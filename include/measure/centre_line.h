#ifndef AFTERFLASH_MEASURE_CENTRE_LINE_H
#define AFTERFLASH_MEASURE_CENTRE_LINE_H

#include <stdbool.h>
#include <stddef.h>

/** A smooth curve with evenly spaced places, in millimetres, and its unit normals. */
struct centre_line {
    size_t n;
    double step_mm;
    double (*place_mm)[2]; /* owned */
    double (*normal)[2];   /* unit, a quarter turn from the direction of travel (x toward y); owned */
};

/** Resamples a polyline every step_mm, smoothed over about smooth_mm (Gaussian), and leads
 *  it straight on by extend_mm at both ends. The first place lies extend_mm before the
 *  polyline's. False when memory ran out or the polyline has fewer than two places. */
bool centre_line_make(struct centre_line *line, const double (*place_mm)[2], size_t n, double step_mm,
                      double smooth_mm, double extend_mm);

/** Frees what it holds; accepts NULL. */
void centre_line_free(struct centre_line *line);

/** The place at arc length `along_mm` (from the first place) and `across_mm` along the normal; clamped to the
 * ends. */
void centre_line_at(const struct centre_line *line, double along_mm, double across_mm, double *x_mm,
                    double *y_mm);

/** Arc length and signed distance of the nearest place of the line to (x, y). */
void centre_line_nearest(const struct centre_line *line, double x_mm, double y_mm, double *along_mm,
                         double *across_mm);

#endif
