#include "motion/foothold.h"

#include "motion/tissue_internal.h"

#include <math.h>

static const double POINT_REACH_MM = 2.5;

static double to_coarse(double fine_px, int step)
{
    return (fine_px + 0.5) / step - 0.5;
}

void foothold_clear(struct foothold *foothold)
{
    patch_free(&foothold->fine);
    patch_free(&foothold->coarse);
}

void foothold_cut(const struct tissue *tissue, size_t key, struct foothold *foothold)
{
    double coarse_x = to_coarse(foothold->place.x_px, tissue->step);
    double coarse_y = to_coarse(foothold->place.y_px, tissue->step);

    foothold_clear(foothold);
    foothold->x_px = (int)lround(foothold->place.x_px);
    foothold->y_px = (int)lround(foothold->place.y_px);
    foothold->coarse_x_px = (int)lround(coarse_x);
    foothold->coarse_y_px = (int)lround(coarse_y);
    foothold->fine =
        patch_make_shaped(tissue->keys[key].fine, foothold->x_px, foothold->y_px, tissue->fine_shape);
    foothold->coarse = patch_make_shaped(tissue->keys[key].coarse, foothold->coarse_x_px,
                                         foothold->coarse_y_px, tissue->coarse_shape);
}

bool foothold_find(const struct tissue *tissue, const struct foothold *foothold, const struct raster *fine,
                   const struct raster *coarse, double dx, double dy, struct patch_match *match)
{
    double mm = fmin(tissue->mm_x, tissue->mm_y);
    double guess_x = dx;
    double guess_y = dy;

    if (foothold->fine == NULL)
        return false;
    if (foothold->coarse != NULL) {
        struct patch_match rough = {.x_px = foothold->coarse_x_px + dx / tissue->step,
                                    .y_px = foothold->coarse_y_px + dy / tissue->step};

        if (patch_find_stiff(foothold->coarse, coarse, POINT_REACH_MM / (mm * tissue->step), &rough) &&
            rough.correlation > TISSUE_LEAST_CORRELATION) {
            guess_x = (rough.x_px - foothold->coarse_x_px) * tissue->step;
            guess_y = (rough.y_px - foothold->coarse_y_px) * tissue->step;
        }
    }
    match->x_px = foothold->x_px + guess_x;
    match->y_px = foothold->y_px + guess_y;
    if (!patch_find(foothold->fine, fine, 0.4 * POINT_REACH_MM / mm, match) ||
        match->correlation < TISSUE_LEAST_CORRELATION)
        return false;
    match->x_px += foothold->place.x_px - foothold->x_px;
    match->y_px += foothold->place.y_px - foothold->y_px;
    return true;
}

double foothold_weight(double correlation)
{
    double square = correlation * correlation;

    return square / (1.002 - square);
}
