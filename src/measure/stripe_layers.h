#ifndef AFTERFLASH_MEASURE_STRIPE_LAYERS_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_LAYERS_INTERNAL_H

#include "measure/stripe_course.h"

/* One end of a stripe, seen with rows counted outward from the coarse end of the run. */
struct stripe_view {
    const struct straight *straight; /* not smoothed */
    const struct stripe_course *course;
    enum stripe_look look;
    bool is_last;
};

/* The row that lies outward_mm beyond the coarse end; clamped. */
size_t stripe_view_row(const struct stripe_view *view, double outward_mm);

/* Whether there is such a row. */
bool stripe_view_has(const struct stripe_view *view, double outward_mm);

/* Brightness by signed depth inside the nearer wall, learned from the body next to an end. */
enum { STRIPE_LAYER_BINS = 64 };
struct stripe_layers {
    double value[STRIPE_LAYER_BINS];
    double deepest_mm; /* half thickness there */
    double edge_mm; /* depth of the border as the eye sets it: the walls that were followed may stand off */
};

void stripe_layers_learn(struct stripe_layers *layers, const struct stripe_view *view);

/* Brightness at a depth; 6 mm outside the wall is the least that is known. */
double stripe_layers_at(const struct stripe_layers *layers, double depth_mm);
double stripe_layers_mean(const struct stripe_layers *layers, double from_mm, double to_mm);

#endif
