#include "image/canvas.h"

#include <math.h>
#include <stddef.h>

static const double FINEST_MM = 0.1; /* finer pixels are joined: speckle of a 5 to 9 MHz probe is coarser */
static const double SEARCH_SIGMA_PX = 0.7; /* makes bilinear interpolation nearly free of bias */
static const double SOFT_EDGE_MM = 2.0;

struct canvas canvas_lay(const struct picture *picture, const struct scale *scale)
{
    struct canvas made = {0};
    int box_width = picture->box.right_px - picture->box.left_px + 1;
    int box_height = picture->box.bottom_px - picture->box.top_px + 1;
    double mm_x = scale->mm_per_px_x;
    double mm_y = scale->mm_per_px_y;

    if (scale->source == SCALE_NONE || !(mm_x > 0.0) || !(mm_y > 0.0)) {
        made.is_nominal = true;
        mm_x = mm_y = CANVAS_NOMINAL_DEPTH_MM / box_height;
    }
    made.step_px = (int)fmax(1.0, floor(2.0 * FINEST_MM / fmax(mm_x, mm_y)));
    while (box_width / made.step_px < 32 && made.step_px > 1)
        made.step_px--;
    made.left_px = picture->box.left_px;
    made.top_px = picture->box.top_px;
    made.width_px = box_width / made.step_px;
    made.height_px = box_height / made.step_px;
    made.mm_per_px_x = mm_x * made.step_px;
    made.mm_per_px_y = mm_y * made.step_px;
    return made;
}

struct raster *canvas_take(const struct canvas *canvas, const struct frame *frame)
{
    struct raster *raster = raster_make(canvas->width_px, canvas->height_px);

    if (raster == NULL)
        return NULL;
    raster_reduce(raster, frame->luma, frame->width_px, frame->height_px, canvas->left_px, canvas->top_px,
                  canvas->step_px, canvas->step_px);
    if (!raster_smooth(raster, SEARCH_SIGMA_PX, SEARCH_SIGMA_PX))
        raster_free(&raster);
    return raster;
}

struct point canvas_from_frame(const struct canvas *canvas, struct point frame_px)
{
    struct point place = {
        .x_px = (frame_px.x_px + 0.5 - canvas->left_px) / canvas->step_px - 0.5,
        .y_px = (frame_px.y_px + 0.5 - canvas->top_px) / canvas->step_px - 0.5,
    };

    return place;
}

struct point canvas_to_frame(const struct canvas *canvas, struct point canvas_px)
{
    struct point place = {
        .x_px = (canvas_px.x_px + 0.5) * canvas->step_px + canvas->left_px - 0.5,
        .y_px = (canvas_px.y_px + 0.5) * canvas->step_px + canvas->top_px - 0.5,
    };

    return place;
}

struct raster *canvas_window(const struct canvas *canvas, const struct picture *picture)
{
    struct raster *raster = raster_make(canvas->width_px, canvas->height_px);
    double sigma_x = 0.5 * SOFT_EDGE_MM / canvas->mm_per_px_x;
    double sigma_y = 0.5 * SOFT_EDGE_MM / canvas->mm_per_px_y;

    if (raster == NULL)
        return NULL;
    raster_reduce(raster, picture->mask, picture->width_px, picture->height_px, canvas->left_px,
                  canvas->top_px, canvas->step_px, canvas->step_px);
    if (!raster_smooth(raster, sigma_x, sigma_y)) {
        raster_free(&raster);
        return NULL;
    }
    for (size_t i = 0; i < (size_t)raster->width_px * (size_t)raster->height_px; i++)
        raster->value[i] = fmaxf(0.0F, raster->value[i] / 127.5F - 1.0F);
    return raster;
}

void canvas_to_mm(const struct canvas *canvas, struct point place, double mm[2])
{
    mm[0] = (place.x_px + 0.5) * canvas->mm_per_px_x;
    mm[1] = (place.y_px + 0.5) * canvas->mm_per_px_y;
}

struct point canvas_from_mm(const struct canvas *canvas, const double mm[2])
{
    return (struct point){.x_px = mm[0] / canvas->mm_per_px_x - 0.5,
                          .y_px = mm[1] / canvas->mm_per_px_y - 0.5};
}

double canvas_distance_mm(const struct canvas *canvas, struct point a, struct point b)
{
    return hypot((a.x_px - b.x_px) * canvas->mm_per_px_x, (a.y_px - b.y_px) * canvas->mm_per_px_y);
}
