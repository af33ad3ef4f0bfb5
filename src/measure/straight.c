#include "measure/straight.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void fill_sums(struct straight *straight)
{
    size_t n_columns = (size_t)straight->n_columns;

    for (size_t row = 0; row < straight->n_rows; row++) {
        double *sum = straight->sum + row * (n_columns + 1);

        sum[0] = 0.0;
        for (size_t i = 0; i < n_columns; i++)
            sum[i + 1] = sum[i] + (double)straight->value[row * n_columns + i];
    }
}

bool straight_make(struct straight *straight, const struct raster *picture, const struct raster *window,
                   double pixel_mm, const struct centre_line *line, double reach_mm, double column_mm)
{
    int reach = (int)round(reach_mm / column_mm);
    size_t n = 0;

    memset(straight, 0, sizeof *straight);
    straight->n_rows = line->n;
    straight->n_columns = 2 * reach + 1;
    straight->row_mm = line->step_mm;
    straight->column_mm = column_mm;
    n = line->n * (size_t)straight->n_columns;
    straight->value = calloc(n, sizeof *straight->value);
    straight->inside = calloc(n, sizeof *straight->inside);
    straight->sum = calloc(n + line->n, sizeof *straight->sum);
    if (straight->value == NULL || straight->inside == NULL || straight->sum == NULL) {
        straight_free(straight);
        return false;
    }
    for (size_t row = 0; row < line->n; row++)
        for (int i = -reach; i <= reach; i++) {
            double x = (line->place_mm[row][0] + i * column_mm * line->normal[row][0]) / pixel_mm - 0.5;
            double y = (line->place_mm[row][1] + i * column_mm * line->normal[row][1]) / pixel_mm - 0.5;
            size_t at = row * (size_t)straight->n_columns + (size_t)(i + reach);
            bool is_on = x > -0.5 && y > -0.5 && x < picture->width_px - 0.5 && y < picture->height_px - 0.5;

            straight->value[at] = raster_at(picture, x, y);
            straight->inside[at] = is_on ? raster_at(window, x, y) : 0.0F;
        }
    fill_sums(straight);
    return true;
}

void straight_free(struct straight *straight)
{
    if (straight == NULL)
        return;
    free(straight->value);
    free(straight->inside);
    free(straight->sum);
    memset(straight, 0, sizeof *straight);
}

bool straight_smooth(struct straight *straight, double sigma_mm)
{
    struct raster view = {
        .width_px = straight->n_columns, .height_px = (int)straight->n_rows, .value = straight->value};

    if (!raster_smooth(&view, 0.0, sigma_mm / straight->row_mm))
        return false;
    fill_sums(straight);
    return true;
}

double straight_mean(const struct straight *straight, size_t row, double from_mm, double to_mm)
{
    int reach = straight->n_columns / 2;
    int from = (int)floor(from_mm / straight->column_mm + 0.5) + reach;
    int to = (int)floor(to_mm / straight->column_mm + 0.5) + reach;
    const double *sum = straight->sum + row * ((size_t)straight->n_columns + 1);

    from = from < 0 ? 0 : from >= straight->n_columns ? straight->n_columns - 1 : from;
    to = to < from ? from : to >= straight->n_columns ? straight->n_columns - 1 : to;
    return (sum[to + 1] - sum[from]) / (to - from + 1);
}

bool straight_is_inside(const struct straight *straight, size_t row, double from_mm, double to_mm)
{
    int reach = straight->n_columns / 2;
    int from = (int)floor(from_mm / straight->column_mm + 0.5) + reach;
    int to = (int)floor(to_mm / straight->column_mm + 0.5) + reach;

    if (from < 0 || to >= straight->n_columns)
        return false;
    return straight->inside[row * (size_t)straight->n_columns + (size_t)from] > 0.5F &&
           straight->inside[row * (size_t)straight->n_columns + (size_t)to] > 0.5F;
}
