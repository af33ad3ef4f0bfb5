#include "image/mark_internal.h"
#include "image/plane_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source. Grey levels, and shares of the frame's sides. */
static const float MARK_STANDS_OUT = 25.0F; /* above the darker of what lies beside it */
static const float RIDGE_LEAST = 4.0F;
static const float STILL_DEVIATIONS = 1.5F; /* what swings over time is taken down by so many deviations */
static const float STILL_WITHIN = 5.0F;     /* swing of a mark over the picture */
static const double MARK_MAX_LONG = 0.045;  /* of the width: a longer stroke is no tick */
static const double MARK_MAX_THICK = 0.012; /* of the height */
enum { MARK_MIN_THICK_PX = 5, MARK_MIN_AREA_PX = 2 };

/** Mean luma less its swing: what is bright and still. A still's picture is left out, its grain would do as
 * marks. */
static float *still_plane(const struct survey *survey, const struct picture *picture, bool is_transposed)
{
    int width = survey->width_px;
    int height = survey->height_px;
    size_t n = (size_t)width * (size_t)height;
    float *plane = malloc(n * sizeof *plane);
    bool is_moving = false;

    if (plane == NULL)
        return NULL;
    for (size_t i = 0; i < n && !is_moving; i++)
        is_moving = survey->deviation[i] > 2.0F;
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            size_t i = (size_t)y * (size_t)width + (size_t)x;
            size_t to = is_transposed ? (size_t)x * (size_t)height + (size_t)y : i;
            float still = survey->mean[i] - STILL_DEVIATIONS * survey->deviation[i];
            bool is_within = picture->is_found && picture->outline[i] != 0;
            bool is_mark = picture->mask[i] == 0 &&
                           (is_moving ? survey->deviation[i] <= STILL_WITHIN : !picture->has_colour_box);

            plane[to] = (is_within && !is_mark) || still < 0 ? 0 : still;
        }
    return plane;
}

/** How far a value stands above the darkest within reach on each of two opposite sides. */
static float ridge(const float *at, ptrdiff_t step, int n_before, int n_after)
{
    float before = *at;
    float after = *at;

    for (int i = 1; i <= n_before; i++)
        before = fminf(before, at[-i * step]);
    for (int i = 1; i <= n_after; i++)
        after = fminf(after, at[i * step]);
    return *at - fmaxf(before, after);
}

static int least(int a, int b)
{
    return a < b ? a : b;
}

static void find_ridges(const float *plane, float *along, uint8_t *ticks, uint8_t *strokes, int width,
                        int height, int thick)
{
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            size_t i = (size_t)y * (size_t)width + (size_t)x;
            float across = 0;

            along[i] = 0;
            ticks[i] = strokes[i] = 0;
            if (plane[i] < RIDGE_LEAST)
                continue;
            along[i] = ridge(plane + i, width, least(thick, y), least(thick, height - 1 - y));
            across = ridge(plane + i, 1, least(thick, x), least(thick, width - 1 - x));
            ticks[i] = along[i] >= MARK_STANDS_OUT ? 255 : 0;
            strokes[i] = ticks[i] || across >= MARK_STANDS_OUT ? 255 : 0;
        }
}

static void gather(struct mark *items, const int32_t *labels, const float *along, int width, int height)
{
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            size_t i = (size_t)y * (size_t)width + (size_t)x;
            struct mark *mark = labels[i] > 0 ? &items[labels[i] - 1] : NULL;
            double weight = (double)along[i];

            if (mark == NULL)
                continue;
            if (mark->size <= 0) {
                mark->left_px = mark->right_px = x;
                mark->top_px = y;
            }
            mark->left_px = x < mark->left_px ? x : mark->left_px;
            mark->right_px = x > mark->right_px ? x : mark->right_px;
            mark->bottom_px = y;
            mark->x_px += weight * x;
            mark->y_px += weight * y;
            mark->size += weight;
        }
}

/** Keeps what is small enough for a tick and ends the averages. */
static size_t keep_small(struct mark *items, size_t n, int width, int height)
{
    size_t n_kept = 0;
    int thickest = (int)lround(MARK_MAX_THICK * height);

    thickest = thickest > MARK_MIN_THICK_PX ? thickest : MARK_MIN_THICK_PX;
    for (size_t i = 0; i < n; i++) {
        int across = items[i].right_px - items[i].left_px + 1;
        int thick = items[i].bottom_px - items[i].top_px + 1;

        if (across > MARK_MAX_LONG * width || thick > thickest || across * thick < MARK_MIN_AREA_PX)
            continue;
        items[i].x_px /= items[i].size;
        items[i].y_px /= items[i].size;
        items[n_kept++] = items[i];
    }
    return n_kept;
}

bool marks_find(struct marks *marks, const struct survey *survey, const struct picture *picture,
                bool is_transposed, struct error **err)
{
    int width = is_transposed ? survey->height_px : survey->width_px;
    int height = is_transposed ? survey->width_px : survey->height_px;
    size_t n = (size_t)width * (size_t)height;
    int thick = (int)lround(MARK_MAX_THICK * height) + 1;
    float *plane = still_plane(survey, picture, is_transposed);
    uint8_t *ticks = malloc(n);
    int32_t *labels = malloc(n * sizeof *labels);
    int n_labels = -1;

    *marks = (struct marks){.width_px = width, .height_px = height};
    marks->strokes = malloc(n);
    marks->ridges = malloc(n * sizeof *marks->ridges);
    if (plane && ticks && labels && marks->strokes && marks->ridges) {
        find_ridges(plane, marks->ridges, ticks, marks->strokes, width, height, thick);
        n_labels = plane_label(labels, ticks, width, height);
    }
    if (n_labels >= 0)
        marks->items = calloc((size_t)n_labels + 1, sizeof *marks->items);
    if (marks->items != NULL) {
        gather(marks->items, labels, marks->ridges, width, height);
        marks->n = keep_small(marks->items, (size_t)n_labels, width, height);
    }
    free(plane);
    free(ticks);
    free(labels);
    if (marks->items != NULL)
        return true;
    marks_free(marks);
    return error_memory(err);
}

void marks_free(struct marks *marks)
{
    if (marks == NULL)
        return;
    free(marks->items);
    free(marks->strokes);
    free(marks->ridges);
    *marks = (struct marks){0};
}
