#include "measure/mean_picture.h"

#include "base/parallel.h"
#include "measure/keys.h"

#include <stdlib.h>
#include <string.h>

/* Share of the blocks, weighed by their correlation, that must be found again. */
static const double LEAST_AGREEMENT = 0.15;

struct laying {
    struct mean_picture *mean;
    const struct tissue *tissue;
    const struct canvas *canvas;
    const struct raster *window;
    struct raster **keys;    /* smoothed copies */
    bool is_used[KEYS_MOST]; /* a key that shows other tissue than the rest is left out */
};

/* One row of the mean, all keys in order: the same sum whatever the number of threads. */
static void lay_row(void *context, size_t row)
{
    const struct laying *laying = context;
    struct raster *picture = laying->mean->picture;
    float *out = picture->value + row * (size_t)picture->width_px;
    float *covered = laying->mean->window->value + row * (size_t)picture->width_px;
    size_t n_keys = tissue_n_keys(laying->tissue);
    double step = laying->mean->pixel_mm;

    for (int column = 0; column < picture->width_px; column++) {
        double x = (column + 0.5) * step / laying->canvas->mm_per_px_x - 0.5;
        double y = ((double)row + 0.5) * step / laying->canvas->mm_per_px_y - 0.5;
        double sum = 0.0;
        double n = 0.0;

        for (size_t k = 0; k < n_keys; k++) {
            double to_x = 0.0;
            double to_y = 0.0;

            if (!laying->is_used[k])
                continue;
            rigid_apply(tissue_key_rigid(laying->tissue, k), x, y, &to_x, &to_y);
            n += 1.0;
            sum += (double)raster_at(laying->keys[k], to_x, to_y);
        }
        out[column] = (float)(sum / n);
        covered[column] = raster_at(laying->window, x, y);
    }
}

static void smooth_key(void *context, size_t k)
{
    const struct laying *laying = context;
    double sigma_mm = 0.4 * laying->mean->pixel_mm;
    struct raster *copy = raster_copy(tissue_key(laying->tissue, k));

    if (copy != NULL &&
        !raster_smooth(copy, sigma_mm / laying->canvas->mm_per_px_x, sigma_mm / laying->canvas->mm_per_px_y))
        raster_free(&copy);
    laying->keys[k] = copy;
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
    mean->picture = raster_make(width, height);
    mean->window = raster_make(width, height);
    mean->n_keys = 0;
    for (size_t k = 0; k < n_keys && k < KEYS_MOST; k++) {
        laying.is_used[k] = k == 0 || tissue_key_trust(tissue, k) > LEAST_AGREEMENT;
        mean->n_keys += laying.is_used[k];
    }
    laying.keys = calloc(n_keys, sizeof *laying.keys);
    is_made = mean->picture != NULL && mean->window != NULL && laying.keys != NULL;
    if (is_made)
        parallel_run(n_keys, 0, smooth_key, &laying);
    for (size_t k = 0; is_made && k < n_keys; k++)
        is_made = laying.keys[k] != NULL;
    if (is_made)
        parallel_run((size_t)height, 0, lay_row, &laying);
    for (size_t k = 0; laying.keys != NULL && k < n_keys; k++)
        raster_free(&laying.keys[k]);
    free(laying.keys);
    if (!is_made) {
        mean_picture_free(mean);
        return error_memory(err);
    }
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
    half->n_keys = mean->n_keys;
    half->picture = halve(mean->picture);
    half->window = halve(mean->window);
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
}
