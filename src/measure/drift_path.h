#ifndef AFTERFLASH_MEASURE_DRIFT_PATH_INTERNAL_H
#define AFTERFLASH_MEASURE_DRIFT_PATH_INTERNAL_H

#include "measure/cluster.h"
#include "measure/follow.h"

/* The way that a cluster took between its first place and its last. */
struct drift_path {
    double length_mm;
    double farthest_mm; /* from the first place */
    double seen_s;      /* for how long the cluster was seen */
};

/* Told over medians of two seconds; places that hardly differ count as one. is_present, both ends seen. */
struct drift_path drift_path_trace(const struct follow *follow, const struct cluster *cluster);

#endif
