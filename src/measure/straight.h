#ifndef AFTERFLASH_MEASURE_STRAIGHT_INTERNAL_H
#define AFTERFLASH_MEASURE_STRAIGHT_INTERNAL_H

#include "image/raster.h"
#include "measure/centre_line.h"

#include <stdbool.h>
#include <stddef.h>

/* A picture straightened along a curve: one row a place of the curve, columns across it. */
struct straight {
    size_t n_rows;    /* places of the curve */
    int n_columns;    /* odd; the middle column lies on the curve */
    double row_mm;    /* between rows */
    double column_mm; /* between columns */
    float *value;     /* n_rows x n_columns */
    float *inside;    /* the same, 0..1: where there is picture */
    double *sum;      /* running sums of value over each row, n_rows x (n_columns + 1) */
};

/* Straightens; picture and window have square pixels of pixel_mm. False when memory ran out. */
bool straight_make(struct straight *straight, const struct raster *picture, const struct raster *window,
                   double pixel_mm, const struct centre_line *line, double reach_mm, double column_mm);
void straight_free(struct straight *straight);

/* Smooths along the curve (the running sums follow). False when memory ran out. */
bool straight_smooth(struct straight *straight, double sigma_mm);

/* Mean of a row between two places across, mm from the curve; places outside are cut off. */
double straight_mean(const struct straight *straight, size_t row, double from_mm, double to_mm);

/* Whether the row has picture from one place across to another. */
bool straight_is_inside(const struct straight *straight, size_t row, double from_mm, double to_mm);

#endif
