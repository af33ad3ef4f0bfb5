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
static const float STILL_SHARE = 0.3F;      /* of the swing of tissue */
static const double MARK_MAX_LONG = 0.045;  /* of the width: a longer stroke is no tick */
static const double MARK_MAX_THICK = 0.012; /* of the height */
static const double TEXT_LONG = 0.05; /* of the width: beside a tick stands a number at most, not a line */
static const double TEXT_GAP = 0.02;  /* of the width: between letters and words */
enum { MARK_MIN_THICK_PX = 5, MARK_MIN_AREA_PX = 2 };

/** Median swing of what the mask calls tissue. */
static float tissue_swing(const struct survey *survey, const struct picture *picture)
{
    size_t n = (size_t)survey->width_px * (size_t)survey->height_px;
    float *kept = malloc((n / 7 + 1) * sizeof *kept);
    size_t n_kept = 0;
    float found = 0;

    for (size_t i = 0; kept != NULL && i < n; i += 7)
        if (picture->mask[i] != 0 && survey->mean[i] > 10.0F)
            kept[n_kept++] = survey->deviation[i];
    found = kept ? plane_quantile(kept, n_kept, 0.5) : 0;
    free(kept);
    return found;
}

/** Where marks may be: everywhere but in tissue, whose grain would do as marks. Over the picture
 *  only what was cut out of the mask and, where tissue moves, stands stiller than tissue. */
static void find_places(uint8_t *places, const struct survey *survey, const struct picture *picture,
                        bool is_transposed)
{
    int width = survey->width_px;
    int height = survey->height_px;
    float swing = tissue_swing(survey, picture);
    float still = fminf(STILL_WITHIN, STILL_SHARE * swing);
    bool is_moving = swing > 1.0F;

    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            size_t i = (size_t)y * (size_t)width + (size_t)x;
            size_t to = is_transposed ? (size_t)x * (size_t)height + (size_t)y : i;
            bool is_within = picture->is_found && picture->outline[i] != 0;
            bool is_mark = picture->mask[i] == 0 &&
                           (is_moving ? survey->deviation[i] <= still : !picture->has_colour_box);

            places[to] = !is_within || is_mark ? 255 : 0;
        }
}

/** Mean luma less its swing: what is bright and still. */
static void fill_still(float *plane, const struct survey *survey, bool is_transposed)
{
    int width = survey->width_px;
    int height = survey->height_px;

    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            size_t i = (size_t)y * (size_t)width + (size_t)x;
            size_t to = is_transposed ? (size_t)x * (size_t)height + (size_t)y : i;

            plane[to] = fmaxf(0.0F, survey->mean[i] - STILL_DEVIATIONS * survey->deviation[i]);
        }
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

/** ticks holds, on entry, where marks may be. */
static void find_ridges(const float *plane, float *along, uint8_t *ticks, uint8_t *strokes, int width,
                        int height, int thick)
{
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            size_t i = (size_t)y * (size_t)width + (size_t)x;
            float across = 0;

            along[i] = 0;
            strokes[i] = 0;
            if (ticks[i] == 0 || plane[i] < RIDGE_LEAST) {
                ticks[i] = 0;
                continue;
            }
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
    float *plane = calloc(n, sizeof *plane);
    uint8_t *ticks = malloc(n);
    int32_t *labels = calloc(n, sizeof *labels);
    int n_labels = -1;

    *marks = (struct marks){.width_px = width, .height_px = height};
    marks->strokes = malloc(n);
    marks->ridges = calloc(n, sizeof *marks->ridges);
    if (plane && ticks && labels && marks->strokes && marks->ridges) {
        fill_still(plane, survey, is_transposed);
        find_places(ticks, survey, picture, is_transposed);
        find_ridges(plane, marks->ridges, ticks, marks->strokes, width, height, thick);
        n_labels = plane_label(labels, ticks, width, height);
        if (n_labels >= 0)
            marks->items = calloc((size_t)n_labels + 1, sizeof *marks->items);
        if (marks->items != NULL) {
            gather(marks->items, labels, marks->ridges, width, height);
            marks->n = keep_small(marks->items, (size_t)n_labels, width, height);
        }
    }
    free(plane);
    free(ticks);
    free(labels);
    if (marks->items != NULL)
        return true;
    marks_free(marks);
    return error_memory(err);
}

/** How far strokes go on beside a mark, at its height: short for a number, long for a line of text. */
static int text_beside(const struct marks *marks, const struct mark *mark)
{
    int gap = (int)lround(TEXT_GAP * marks->width_px);
    int band = (int)lround(0.006 * marks->height_px) + 2;
    int y_from = (int)mark->y_px - band < 0 ? 0 : (int)mark->y_px - band;
    int y_to = (int)mark->y_px + band >= marks->height_px ? marks->height_px - 1 : (int)mark->y_px + band;
    int longest = 0;

    for (int way = -1; way <= 1; way += 2) {
        int last = way < 0 ? mark->left_px : mark->right_px;
        int start = last;

        for (int x = start + way; x >= 0 && x < marks->width_px && abs(x - last) <= gap; x += way) {
            bool is_stroke = false;

            for (int y = y_from; y <= y_to && !is_stroke; y++)
                is_stroke = marks->strokes[(size_t)y * (size_t)marks->width_px + (size_t)x] != 0;
            last = is_stroke ? x : last;
        }
        longest = abs(last - start) > longest ? abs(last - start) : longest;
    }
    return longest;
}

float marks_ridge_at(const struct marks *marks, double x_px, double y_px, int reach_x, int reach_y)
{
    float most = 0;

    for (int y = (int)lround(y_px) - reach_y; y <= (int)lround(y_px) + reach_y; y++)
        for (int x = (int)lround(x_px) - reach_x; x <= (int)lround(x_px) + reach_x; x++)
            if (x >= 0 && y >= 0 && x < marks->width_px && y < marks->height_px)
                most = fmaxf(most, marks->ridges[(size_t)y * (size_t)marks->width_px + (size_t)x]);
    return most;
}

bool marks_has_text_beside(const struct marks *marks, const struct mark *mark)
{
    return text_beside(marks, mark) > TEXT_LONG * marks->width_px;
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
