#include "measure/mean_picture.h"

#include "base/parallel.h"
#include "measure/keys.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double TRANSIENTS_PIXEL_MM = 0.5;

/* Keys smoothed at a time: copies of all would take as much memory as all the rest. */
enum { TOGETHER = 8 };

struct laying {
    struct mean_picture *mean;
    const struct tissue *tissue;
    const struct canvas *canvas;
    const struct raster *window;
    double *sum;                   /* as large as the picture */
    struct raster *keys[TOGETHER]; /* smoothed copies of keys [first, first + n) */
    size_t first, n;
    bool is_used[KEYS_MOST]; /* a key that shows other tissue than the rest is left out */
};

/* Adds these keys to one row, in order: the same sum whatever the number of threads. */
static void add_row(void *context, size_t row)
{
    const struct laying *laying = context;
    size_t width = (size_t)laying->mean->picture->width_px;
    double *sum = laying->sum + row * width;
    double step = laying->mean->pixel_mm;
    double y = ((double)row + 0.5) * step / laying->canvas->mm_per_px_y - 0.5;

    for (size_t k = 0; k < laying->n; k++) {
        const struct rigid *rigid = tissue_key_rigid(laying->tissue, laying->first + k);
        double cosine = cos(rigid->turn_rad);
        double sine = sin(rigid->turn_rad);

        if (!laying->is_used[laying->first + k])
            continue;
        for (size_t column = 0; column < width; column++) {
            double x = ((double)column + 0.5) * step / laying->canvas->mm_per_px_x - 0.5;
            double away_x = x - rigid->pivot_x;
            double away_y = y - rigid->pivot_y;

            sum[column] += (double)raster_at(
                laying->keys[k], rigid->pivot_x + cosine * away_x - sine * away_y + rigid->shift_x,
                rigid->pivot_y + sine * away_x + cosine * away_y + rigid->shift_y);
        }
    }
}

static void lay_row(void *context, size_t row)
{
    const struct laying *laying = context;
    size_t width = (size_t)laying->mean->picture->width_px;
    double step = laying->mean->pixel_mm;
    double y = ((double)row + 0.5) * step / laying->canvas->mm_per_px_y - 0.5;

    for (size_t column = 0; column < width; column++) {
        double x = ((double)column + 0.5) * step / laying->canvas->mm_per_px_x - 0.5;

        laying->mean->picture->value[row * width + column] =
            (float)(laying->sum[row * width + column] / (double)laying->mean->n_keys);
        laying->mean->window->value[row * width + column] = raster_at(laying->window, x, y);
    }
}

static void smooth_key(void *context, size_t k)
{
    struct laying *laying = context;
    double sigma_mm = 0.4 * laying->mean->pixel_mm;
    struct raster *copy = raster_copy(tissue_key(laying->tissue, laying->first + k));

    if (copy != NULL &&
        !raster_smooth(copy, sigma_mm / laying->canvas->mm_per_px_x, sigma_mm / laying->canvas->mm_per_px_y))
        raster_free(&copy);
    laying->keys[k] = copy;
}

/* Adds keys [first, first + n) to the sum; false when memory ran out. */
static bool add_keys(struct laying *laying)
{
    bool is_made = true;

    parallel_run(laying->n, 0, smooth_key, laying);
    for (size_t k = 0; k < laying->n; k++)
        is_made = is_made && laying->keys[k] != NULL;
    if (is_made)
        parallel_run((size_t)laying->mean->picture->height_px, 0, add_row, laying);
    for (size_t k = 0; k < laying->n; k++)
        raster_free(&laying->keys[k]);
    return is_made;
}

/* Upper quartile of luma within the picture. */
static double bright_tissue(const struct mean_picture *mean)
{
    size_t counts[256] = {0};
    size_t total = 0;
    size_t passed = 0;
    size_t n = (size_t)mean->picture->width_px * (size_t)mean->picture->height_px;
    size_t level = 0;

    for (size_t i = 0; i < n; i++)
        if (mean->window->value[i] > 0.5F) {
            counts[(size_t)fminf(fmaxf(mean->picture->value[i], 0.0F), 255.0F)]++;
            total++;
        }
    while (level < 255 && 4 * (passed += counts[level]) < 3 * total)
        level++;
    return fmax((double)level, 1.0);
}

/* Bubbles and a catheter that stay hide the layers that they lie on. */
static void take_transients_out(struct mean_picture *mean)
{
    const struct raster *excess = mean->transients.excess;
    double ratio = mean->pixel_mm / TRANSIENTS_PIXEL_MM;
    int width = mean->picture->width_px;

    for (int row = 0; excess != NULL && row < mean->picture->height_px; row++)
        for (int column = 0; column < width; column++)
            mean->picture->value[(size_t)row * (size_t)width + (size_t)column] -=
                raster_at(excess, (column + 0.5) * ratio - 0.5, (row + 0.5) * ratio - 0.5);
}

bool mean_picture_make(struct mean_picture *mean, const struct tissue *tissue, const struct canvas *canvas,
                       const struct raster *window, double pixel_mm, struct error **err)
{
    size_t n_keys = tissue_n_keys(tissue);
    int width = (int)(canvas->width_px * canvas->mm_per_px_x / pixel_mm);
    int height = (int)(canvas->height_px * canvas->mm_per_px_y / pixel_mm);
    struct laying laying = {.mean = mean, .tissue = tissue, .canvas = canvas, .window = window};
    bool is_made = false;

    mean->pixel_mm = pixel_mm;
    mean->recorded_mm = sqrt(canvas->mm_per_px_x * canvas->mm_per_px_y);
    mean->picture = raster_make(width, height);
    mean->window = raster_make(width, height);
    mean->n_keys = 0;
    mean->transients = (struct transients){0};
    for (size_t k = 0; k < n_keys && k < KEYS_MOST; k++) {
        laying.is_used[k] = tissue_key_agrees(tissue, k);
        mean->n_keys += laying.is_used[k];
    }
    is_made = mean->picture != NULL && mean->window != NULL;
    if (is_made)
        laying.sum = calloc((size_t)width * (size_t)height, sizeof *laying.sum);
    is_made = is_made && laying.sum != NULL;
    for (; is_made && laying.first < n_keys; laying.first += laying.n) {
        laying.n = n_keys - laying.first < TOGETHER ? n_keys - laying.first : TOGETHER;
        is_made = add_keys(&laying);
    }
    if (is_made)
        parallel_run((size_t)height, 0, lay_row, &laying);
    free(laying.sum);
    if (!is_made) {
        mean_picture_free(mean);
        return error_memory(err);
    }
    if (!transients_make(&mean->transients, tissue, canvas, window, TRANSIENTS_PIXEL_MM, err)) {
        mean_picture_free(mean);
        return false;
    }
    take_transients_out(mean);
    mean->tissue_luma = bright_tissue(mean);
    return true;
}

static struct raster *halve(const struct raster *full)
{
    struct raster *half = raster_make(full->width_px / 2, full->height_px / 2);

    for (int y = 0; half != NULL && y < half->height_px; y++)
        for (int x = 0; x < half->width_px; x++) {
            const float *upper = full->value + (size_t)(2 * y) * (size_t)full->width_px + (size_t)(2 * x);
            const float *lower = upper + full->width_px;

            half->value[(size_t)y * (size_t)half->width_px + (size_t)x] =
                0.25F * (upper[0] + upper[1] + lower[0] + lower[1]);
        }
    return half;
}

bool mean_picture_halve(struct mean_picture *half, const struct mean_picture *mean, struct error **err)
{
    half->pixel_mm = 2.0 * mean->pixel_mm;
    half->recorded_mm = mean->recorded_mm;
    half->picture = halve(mean->picture);
    half->window = halve(mean->window);
    half->tissue_luma = mean->tissue_luma;
    half->transients = (struct transients){0};
    if (half->picture != NULL && half->window != NULL)
        return true;
    mean_picture_free(half);
    return error_memory(err);
}

void mean_picture_free(struct mean_picture *mean)
{
    if (mean == NULL)
        return;
    raster_free(&mean->picture);
    raster_free(&mean->window);
    transients_free(&mean->transients);
}
