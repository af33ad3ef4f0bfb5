#include "measure/transients.h"

#include "base/parallel.h"
#include "base/statistics.h"
#include "measure/keys.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { LEAST_KEYS = 8 };
static const double SMOOTH_MM = 0.7;   /* about the width of a catheter or a small cluster: common practice */
static const double STAY_S = 5.0;      /* what stays shorter is speckle that came and went */
static const double USUAL = 0.15;      /* quantile of a place's own brightness that is called usual */
static const double CLEAR_MM = 2.0;    /* from the edge of the picture */
static const double BLACK_LUMA = 8.0;  /* what lies outside a sector, coding noise included */
static const double MOST_LEVEL = 12.0; /* brighter than this is no more of a bubble */
static const double CLUSTER_MM = 1.0;
static const double TOUCH_MM = 1.0;
static const double JOINED_MM = 1.5;   /* a gap so wide does not part a shaft */
static const double DRAWN_IN_MM = 2.5; /* about half the width of a thin stripe */

struct weighing {
    const struct tissue *tissue;
    const struct canvas *canvas;
    const struct raster *window;
    double pixel_mm;
    size_t key[KEYS_MOST]; /* those that agree with the others */
    size_t n;
    size_t stay;                       /* keys that STAY_S spans */
    struct raster *at_rest[KEYS_MOST]; /* smoothed, at rest */
    bool is_failed[KEYS_MOST];
    double level[KEYS_MOST]; /* the picture's median luma: gain is none of a place's own doing */
    struct raster *map;
    struct raster *excess;
    struct raster *seen; /* least of the window over the keys */
};

/* Where a pixel at rest lies in a key. */
static void place_in_key(const struct weighing *weighing, size_t key, int column, int row, double place[2])
{
    const struct rigid *rigid = tissue_key_rigid(weighing->tissue, weighing->key[key]);

    rigid_apply(rigid, ((double)column + 0.5) * weighing->pixel_mm / weighing->canvas->mm_per_px_x - 0.5,
                ((double)row + 0.5) * weighing->pixel_mm / weighing->canvas->mm_per_px_y - 0.5, &place[0],
                &place[1]);
}

static void lay_key(void *context, size_t k)
{
    struct weighing *weighing = context;
    struct raster *copy = raster_copy(tissue_key(weighing->tissue, weighing->key[k]));
    struct raster *out = raster_make(weighing->map->width_px, weighing->map->height_px);
    bool is_made = copy != NULL && out != NULL &&
                   raster_smooth(copy, SMOOTH_MM / weighing->canvas->mm_per_px_x,
                                 SMOOTH_MM / weighing->canvas->mm_per_px_y);

    for (int row = 0; is_made && row < out->height_px; row++)
        for (int column = 0; column < out->width_px; column++) {
            double place[2];

            place_in_key(weighing, k, column, row, place);
            out->value[(size_t)row * (size_t)out->width_px + (size_t)column] =
                raster_at(copy, place[0], place[1]);
        }
    raster_free(&copy);
    weighing->at_rest[k] = out;
    weighing->is_failed[k] = !is_made;
}

static void see_row(void *context, size_t row)
{
    struct weighing *weighing = context;
    size_t width = (size_t)weighing->seen->width_px;

    for (size_t column = 0; column < width; column++) {
        float least = 1.0F;

        for (size_t k = 0; k < weighing->n; k++) {
            double place[2];

            place_in_key(weighing, k, (int)column, (int)row, place);
            least = place[0] < 0.0 || place[1] < 0.0 || place[0] > weighing->canvas->width_px - 1.0 ||
                            place[1] > weighing->canvas->height_px - 1.0
                        ? 0.0F
                        : fminf(least, raster_at(weighing->window, place[0], place[1]));
        }
        weighing->seen->value[row * width + column] = least;
    }
}

/* How far a place shone above its usual, for STAY_S, and its mean above the same. */
static void rise(struct weighing *weighing, size_t pixel)
{
    double mean[KEYS_MOST];
    size_t n = weighing->n - weighing->stay + 1;
    double sum = 0.0;
    double all = 0.0;
    double top = -HUGE_VAL;
    double usual = 0.0;

    for (size_t k = 0; k < weighing->n; k++) {
        sum += (double)weighing->at_rest[k]->value[pixel] - weighing->level[k];
        all += (double)weighing->at_rest[k]->value[pixel] - weighing->level[k];
        if (k + 1 < weighing->stay)
            continue;
        mean[k + 1 - weighing->stay] = sum / (double)weighing->stay;
        top = fmax(top, sum / (double)weighing->stay);
        sum -= (double)weighing->at_rest[k + 1 - weighing->stay]->value[pixel] -
               weighing->level[k + 1 - weighing->stay];
    }
    usual = statistics_quantile(mean, n, USUAL);
    weighing->map->value[pixel] = (float)(top - usual);
    weighing->excess->value[pixel] = (float)(all / (double)weighing->n - usual);
}

static void weigh_row(void *context, size_t row)
{
    struct weighing *weighing = context;
    size_t width = (size_t)weighing->map->width_px;

    for (size_t i = row * width; i < (row + 1) * width; i++)
        if (weighing->seen->value[i] > 0.5F)
            rise(weighing, i);
}

/* The picture's median luma in each key. */
static void fill_levels(struct weighing *weighing, double *scratch)
{
    size_t n_pixels = (size_t)weighing->map->width_px * (size_t)weighing->map->height_px;

    for (size_t k = 0; k < weighing->n; k++) {
        size_t n = 0;

        for (size_t i = 0; i < n_pixels; i++)
            if (weighing->seen->value[i] > 0.5F)
                scratch[n++] = (double)weighing->at_rest[k]->value[i];
        weighing->level[k] = statistics_median(scratch, n);
    }
}

/* From grey levels to robust standard deviations about what is usual in this picture. */
static void standardise(struct weighing *weighing, double *scratch)
{
    size_t n_pixels = (size_t)weighing->map->width_px * (size_t)weighing->map->height_px;
    size_t n = 0;
    double middle = 0.0;
    double spread = 0.0;
    double usual_excess = 0.0;

    for (size_t i = 0; i < n_pixels; i++)
        if (weighing->seen->value[i] > 0.5F)
            scratch[n++] = (double)weighing->excess->value[i];
    usual_excess = statistics_median(scratch, n);
    n = 0;
    for (size_t i = 0; i < n_pixels; i++)
        if (weighing->seen->value[i] > 0.5F)
            scratch[n++] = (double)weighing->map->value[i];
    middle = statistics_median(scratch, n);
    spread = fmax(statistics_spread(scratch, n), 1e-6);
    for (size_t i = 0; i < n_pixels; i++) {
        double level = ((double)weighing->map->value[i] - middle) / spread;
        double share = fmin(fmax((level - 0.5 * TRANSIENTS_LEAST) / (0.5 * TRANSIENTS_LEAST), 0.0), 1.0);

        if (weighing->seen->value[i] <= 0.5F)
            level = share = 0.0;
        weighing->map->value[i] = (float)level;
        weighing->excess->value[i] =
            (float)(share * fmax((double)weighing->excess->value[i] - usual_excess, 0.0));
    }
}

/* Takes away the black that leads in from the edge: the corners beside a sector. */
static bool take_corners(struct weighing *weighing)
{
    int width = weighing->seen->width_px;
    int height = weighing->seen->height_px;
    size_t n = 0;
    size_t *stack = malloc(5 * (size_t)width * (size_t)height * sizeof *stack);

    if (stack == NULL)
        return false;
    for (int row = 0; row < height; row++)
        for (int column = 0; column < width; column++)
            if (row == 0 || column == 0 || row == height - 1 || column == width - 1)
                stack[n++] = (size_t)row * (size_t)width + (size_t)column;
    while (n > 0) {
        size_t i = stack[--n];
        size_t column = i % (size_t)width;
        double sum = 0.0;

        if (weighing->seen->value[i] < 0.0F)
            continue;
        for (size_t k = 0; k < weighing->n; k++)
            sum += (double)weighing->at_rest[k]->value[i];
        if (weighing->seen->value[i] > 0.9F && sum > BLACK_LUMA * (double)weighing->n)
            continue;
        weighing->seen->value[i] = -1.0F;
        if (column > 0)
            stack[n++] = i - 1;
        if (column + 1 < (size_t)width)
            stack[n++] = i + 1;
        if (i >= (size_t)width)
            stack[n++] = i - (size_t)width;
        if (i + (size_t)width < (size_t)width * (size_t)height)
            stack[n++] = i + (size_t)width;
    }
    free(stack);
    return true;
}

/* Keeps the edge of the picture out: what lies there comes and goes with the probe. */
static bool narrow_seen(struct weighing *weighing)
{
    double sigma_px = CLEAR_MM / 2.0 / weighing->pixel_mm;
    size_t n_pixels = (size_t)weighing->seen->width_px * (size_t)weighing->seen->height_px;

    if (!take_corners(weighing))
        return false;
    for (size_t i = 0; i < n_pixels; i++)
        weighing->seen->value[i] = weighing->seen->value[i] > 0.9F ? 1.0F : 0.0F;
    if (!raster_smooth(weighing->seen, sigma_px, sigma_px))
        return false;
    for (size_t i = 0; i < n_pixels; i++)
        weighing->seen->value[i] = weighing->seen->value[i] > 0.97F ? 1.0F : 0.0F;
    return true;
}

static bool weigh_all(struct weighing *weighing)
{
    size_t n_pixels = (size_t)weighing->map->width_px * (size_t)weighing->map->height_px;
    double *scratch = malloc(n_pixels * sizeof *scratch);
    bool is_made = scratch != NULL;

    parallel_run(weighing->n, 0, lay_key, weighing);
    for (size_t k = 0; k < weighing->n; k++)
        is_made = is_made && !weighing->is_failed[k];
    parallel_run((size_t)weighing->seen->height_px, 0, see_row, weighing);
    is_made = is_made && narrow_seen(weighing);
    if (is_made) {
        fill_levels(weighing, scratch);
        parallel_run((size_t)weighing->map->height_px, 0, weigh_row, weighing);
        standardise(weighing, scratch);
    }
    for (size_t k = 0; k < weighing->n; k++)
        raster_free(&weighing->at_rest[k]);
    free(scratch);
    return is_made;
}

bool transients_make(struct transients *transients, const struct tissue *tissue, const struct canvas *canvas,
                     const struct raster *window, double pixel_mm, struct error **err)
{
    struct weighing weighing = {.tissue = tissue, .canvas = canvas, .window = window, .pixel_mm = pixel_mm};
    int width = (int)(canvas->width_px * canvas->mm_per_px_x / pixel_mm);
    int height = (int)(canvas->height_px * canvas->mm_per_px_y / pixel_mm);
    double spacing_s = 0.0;
    bool is_made = false;

    *transients = (struct transients){.pixel_mm = pixel_mm};
    for (size_t k = 0; k < tissue_n_keys(tissue) && k < KEYS_MOST; k++)
        if (tissue_key_agrees(tissue, k))
            weighing.key[weighing.n++] = k;
    if (weighing.n < LEAST_KEYS || width < 1 || height < 1)
        return true;
    spacing_s = (tissue_key_time_s(tissue, weighing.key[weighing.n - 1]) - tissue_key_time_s(tissue, 0)) /
                (double)(weighing.n - 1);
    weighing.stay =
        (size_t)fmin(fmax(round(STAY_S / fmax(spacing_s, 1e-3)), 1.0), floor((double)weighing.n / 4.0));
    weighing.map = raster_make(width, height);
    weighing.excess = raster_make(width, height);
    weighing.seen = raster_make(width, height);
    is_made =
        weighing.map != NULL && weighing.excess != NULL && weighing.seen != NULL && weigh_all(&weighing);
    raster_free(&weighing.seen);
    transients->level = weighing.map;
    transients->excess = weighing.excess;
    if (!is_made) {
        transients_free(transients);
        return error_memory(err);
    }
    return true;
}

double transients_strength_mm2(const struct transients *transients, size_t pixel)
{
    double level = (double)transients->level->value[pixel];

    return fmin(fmax((level - TRANSIENTS_LEAST) / (TRANSIENTS_FULL - TRANSIENTS_LEAST), 0.0), 1.0) *
           transients->pixel_mm * transients->pixel_mm;
}

double transients_mm2(const struct transients *transients)
{
    const struct raster *level = transients->level;
    size_t n = level == NULL ? 0 : (size_t)level->width_px * (size_t)level->height_px;
    double sum = 0.0;

    for (size_t i = 0; i < n; i++)
        sum += transients_strength_mm2(transients, i);
    return sum;
}

bool transients_touch(const struct transients *transients, const double place_mm[2])
{
    const struct raster *level = transients->level;
    int reach = (int)(TOUCH_MM / transients->pixel_mm);
    int column = (int)floor(place_mm[0] / transients->pixel_mm);
    int row = (int)floor(place_mm[1] / transients->pixel_mm);

    for (int y = row - reach; level != NULL && y <= row + reach; y++)
        for (int x = column - reach; x <= column + reach; x++)
            if (x >= 0 && y >= 0 && x < level->width_px && y < level->height_px &&
                (double)level->value[(size_t)y * (size_t)level->width_px + (size_t)x] > TRANSIENTS_LEAST)
                return true;
    return false;
}

/* The pixel that shines most over about the size of a cluster; n where nothing shines enough. */
static size_t brightest(const struct transients *transients)
{
    size_t n = (size_t)transients->level->width_px * (size_t)transients->level->height_px;
    struct raster *capped = raster_copy(transients->level);
    size_t best = n;

    for (size_t i = 0; i < n && capped != NULL; i++)
        capped->value[i] = fminf(fmaxf(capped->value[i], 0.0F), (float)MOST_LEVEL);
    if (capped != NULL &&
        raster_smooth(capped, CLUSTER_MM / transients->pixel_mm, CLUSTER_MM / transients->pixel_mm))
        for (size_t i = 0; i < n; i++)
            if ((double)transients->level->value[i] > TRANSIENTS_LEAST &&
                (best == n || capped->value[i] > capped->value[best]))
                best = i;
    raster_free(&capped);
    return best;
}

/* Marks what shines enough and is joined to a pixel. */
static void mark_joined(const struct transients *transients, size_t from, char *is_joined, size_t *stack)
{
    int width = transients->level->width_px;
    int reach = (int)(JOINED_MM / transients->pixel_mm);
    size_t n = 1;

    stack[0] = from;
    is_joined[from] = 1;
    while (n > 0) {
        size_t i = stack[--n];
        int row = (int)(i / (size_t)width);
        int column = (int)(i % (size_t)width);

        for (int y = row > reach ? row - reach : 0; y < transients->level->height_px && y <= row + reach; y++)
            for (int x = column > reach ? column - reach : 0; x < width && x <= column + reach; x++) {
                size_t j = (size_t)y * (size_t)width + (size_t)x;

                if (!is_joined[j] && (double)transients->level->value[j] > TRANSIENTS_LEAST) {
                    is_joined[j] = 1;
                    stack[n++] = j;
                }
            }
    }
}

void transients_place(const struct transients *transients, size_t pixel, double place_mm[2])
{
    size_t width = (size_t)transients->level->width_px;

    place_mm[0] = ((double)(pixel % width) + 0.5) * transients->pixel_mm;
    place_mm[1] = ((double)(pixel / width) + 0.5) * transients->pixel_mm;
}

/* The marked place that lies farthest from another. */
static void farthest(const struct transients *transients, const char *is_joined, const double from_mm[2],
                     double place_mm[2])
{
    size_t n = (size_t)transients->level->width_px * (size_t)transients->level->height_px;
    double most_mm = -1.0;

    for (size_t i = 0; i < n; i++)
        if (is_joined[i]) {
            double place[2];
            double away_mm = 0.0;

            transients_place(transients, i, place);
            away_mm = hypot(place[0] - from_mm[0], place[1] - from_mm[1]);
            if (away_mm > most_mm) {
                most_mm = away_mm;
                place_mm[0] = place[0];
                place_mm[1] = place[1];
            }
        }
}

size_t transients_places(const struct transients *transients, double (*place_mm)[2])
{
    size_t n_pixels = transients->level == NULL
                          ? 0
                          : (size_t)transients->level->width_px * (size_t)transients->level->height_px;
    size_t best = n_pixels == 0 ? 0 : brightest(transients);
    char *is_joined = calloc(n_pixels + 1, sizeof *is_joined);
    size_t *stack = malloc((n_pixels + 1) * sizeof *stack);
    double ends_mm[2][2] = {{0}};
    size_t n = 0;

    if (best < n_pixels && is_joined != NULL && stack != NULL) {
        mark_joined(transients, best, is_joined, stack);
        transients_place(transients, best, place_mm[n++]);
        farthest(transients, is_joined, place_mm[0], ends_mm[0]);
        farthest(transients, is_joined, ends_mm[0], ends_mm[1]);
        for (int end = 0; end < 2; end++) {
            double *from = place_mm[0];
            double away_mm = hypot(ends_mm[end][0] - from[0], ends_mm[end][1] - from[1]);

            if (away_mm < 3.0 * DRAWN_IN_MM)
                continue;
            for (int axis = 0; axis < 2; axis++)
                place_mm[n][axis] =
                    ends_mm[end][axis] + DRAWN_IN_MM / away_mm * (from[axis] - ends_mm[end][axis]);
            n++;
        }
    }
    free(is_joined);
    free(stack);
    return n;
}

void transients_free(struct transients *transients)
{
    if (transients == NULL)
        return;
    raster_free(&transients->level);
    raster_free(&transients->excess);
}
