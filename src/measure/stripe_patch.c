#include "measure/stripe_patch.h"

#include "base/statistics.h"
#include "base/wide.h"
#include "measure/stripe_trial.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double TO_MM = 11.0;
static const double OUTSIDE_MM = 5.0;
static const double LEAN_OVER_MM = 10.0;  /* from the tip, where the centre line leaves the body's */
static const double NEAR_MM = 5.0;        /* standard deviation of what rows count about the tip */
static const double NEAR_INWARD_MM = 1.0; /* of its centre */
/* Speckle takes its likeness from the beam and is smooth: taking out all of it would leave
 * differences of neighbours only, where the rounded end's own shape is least true. */
static const double WHITEN = 0.9;
enum { LIKE_REACH = 6 };
enum { BLOCK = 64 }; /* samples added up before their sum is taken to more digits */
static const double LEAST_ALIKE = 2.0, MOST_ALIKE = 150.0; /* samples per independent one */
/* An end is no ellipse and its layers are not quite the body's: the picture counts less than by chance alone.
 */
static const double BELIEF = 0.8;

/* Weights of the parts: level, slope along, slope across, layers; outer line toward the tip, middle line. */
static const double PART_MEAN[PATCH_PARTS] = {0.0, 0.0, 0.0, 1.0, -0.3, 1.0};
static const double PART_SPREAD[PATCH_PARTS] = {1e3, 0.3, 0.3, 0.25, 0.4, 0.4};

static void fit_body_line(struct stripe_patch *patch, const struct stripe_view *view)
{
    double n = 0.0, x = 0.0, y = 0.0, xx = 0.0, xy = 0.0;

    for (double at = -14.0; at <= -4.0; at += view->straight->row_mm) {
        double centre = view->course->centre_mm[stripe_view_row(view, at)];

        n += 1.0;
        x += at;
        y += centre;
        xx += at * at;
        xy += at * centre;
    }
    patch->slope = fmin(fmax((n * xy - x * y) / (n * xx - x * x), -0.1), 0.1);
    patch->offset_mm = (y - patch->slope * x) / n;
}

/* Layers by depth; of three lines, the outer one and the middle one also by themselves. */
static void fill_layers(struct stripe_patch *patch, const struct stripe_view *view,
                        const struct stripe_layers *layers)
{
    double half = layers->deepest_mm;
    double inner = fmin(1.25, 0.4 * half);
    double inside = stripe_layers_mean(layers, inner, fmax(half - 1.25, inner));
    double outside = stripe_layers_mean(layers, -4.0, -1.0);
    bool has_lines = view->look == STRIPE_TRIPLE_LINE;

    patch->n_parts = has_lines ? PATCH_PARTS : PATCH_SHELL + 1;
    patch->contrast = fabs(inside - outside);
    if (has_lines)
        patch->contrast = fmax(patch->contrast, stripe_layers_at(layers, 0.0) - inside);
    patch->contrast = fmax(patch->contrast, 4.0);
    for (int i = 0; i < PATCH_FINE; i++) {
        double depth = PATCH_FINE_FROM_MM + (i + 0.5) * PATCH_FINE_MM;
        double off = (i + 0.5) * PATCH_FINE_MM;
        double shell = has_lines && depth > 0.5 * half ? inside : stripe_layers_at(layers, depth);

        patch->shell[i] = (float)(shell - outside);
        if (has_lines && fabs(depth) < 1.5)
            patch->line[i] = (float)(shell - (depth > 0.0 ? inside : outside));
        if (has_lines && off < 0.5 * half)
            patch->middle[i] = (float)(stripe_layers_at(layers, half - off) - inside);
    }
}

/* Limits values to what is usual: a bubble says nothing about the border. */
static bool limit_values(struct stripe_patch *patch)
{
    size_t n = (size_t)patch->n_rows * (size_t)patch->n_columns;
    size_t n_sorted = 0;
    double *sorted = calloc(n + 1, sizeof *sorted);
    double middle = 0.0;
    double most = 0.0;

    if (sorted == NULL)
        return false;
    for (size_t i = 0; i < n; i++)
        if (patch->scale[i] > 0.0F)
            sorted[n_sorted++] = (double)patch->value[i];
    middle = statistics_median(sorted, n_sorted);
    most = 3.0 * statistics_spread(sorted, n_sorted);
    free(sorted);
    for (size_t i = 0; i < n; i++)
        patch->value[i] = (float)fmin(fmax((double)patch->value[i], middle - most), middle + most);
    return true;
}

/* Pairs of columns about the body's centre line. */
static void lay_columns(struct stripe_patch *patch, const struct straight *straight, int *first)
{
    int middle = straight->n_columns / 2;
    double reach = fmin(1.2 * patch->half_mm + OUTSIDE_MM, 0.5 * PATCH_COLUMNS * patch->column_mm);

    *first = (int)round((patch->offset_mm - reach) / straight->column_mm) + middle;
    *first = *first < 0 ? 0 : *first;
    patch->first_mm = (*first - middle + 0.5) * straight->column_mm;
    patch->n_columns = (int)(2.0 * reach / patch->column_mm);
    if (patch->n_columns > (straight->n_columns - *first) / 2)
        patch->n_columns = (straight->n_columns - *first) / 2;
}

bool stripe_patch_take(struct stripe_patch *patch, const struct stripe_view *view,
                       const struct stripe_layers *layers)
{
    const struct straight *straight = view->straight;
    int first = 0;

    memset(patch, 0, sizeof *patch);
    fit_body_line(patch, view);
    patch->half_mm = layers->deepest_mm;
    patch->row_mm = straight->row_mm;
    patch->column_mm = 2.0 * straight->column_mm;
    lay_columns(patch, straight, &first);
    patch->n_rows = (int)fmin(round((TO_MM - PATCH_FROM_MM) / patch->row_mm) + 1.0, PATCH_ROWS);
    for (int i = 0; i < patch->n_rows; i++) {
        double at = PATCH_FROM_MM + i * patch->row_mm;
        size_t place = stripe_view_row(view, at) * (size_t)straight->n_columns + (size_t)first;
        bool is_on = stripe_view_has(view, at);

        for (int j = 0; j < patch->n_columns; j++) {
            const float *value = straight->value + place + 2 * (size_t)j;
            const float *inside = straight->inside + place + 2 * (size_t)j;
            bool is_seen = is_on && inside[0] > 0.5F && inside[1] > 0.5F;

            patch->value[i * patch->n_columns + j] = 0.5F * (value[0] + value[1]);
            patch->scale[i * patch->n_columns + j] = is_seen ? 1.0F : 0.0F;
        }
    }
    fill_layers(patch, view, layers);
    patch->noise = 0.25 * patch->contrast * patch->contrast;
    return limit_values(patch);
}

double stripe_patch_ramp(double inward_mm)
{
    double part = fmax(1.0 - inward_mm / LEAN_OVER_MM, 0.0);

    return inward_mm < 0.0 ? 1.0 - 2.0 * inward_mm / LEAN_OVER_MM : part * part;
}

/* ---- a trial beside the picture ---- */

/* Takes out what a sample shares with its neighbours before it, along and across, in some rows; those before
 * and behind them are 0. */
WIDE static void whiten_rows(const struct stripe_patch *patch, const float *from, float *to,
                             struct patch_rows rows)
{
    float row[PATCH_COLUMNS + 1] = {0}; /* one row, likeness along taken out; a zero before it */
    size_t width = (size_t)patch->n_columns;
    float along = patch->along;
    float across = patch->across;

    for (int i = rows.first; i < rows.end; i++) {
        size_t first = (size_t)i * width;
        const float *here = from + first;
        const float *before = i > 0 ? here - width : here;
        const float *scale = patch->scale + first;
        float *out = to + first;
        float part = i > 0 ? along : 0.0F;

#pragma omp simd
        for (size_t j = 0; j < width; j++)
            row[j + 1] = here[j] - part * before[j];
#pragma omp simd
        for (size_t j = 0; j < width; j++)
            out[j] = scale[j] * (row[j + 1] - across * row[j]);
    }
}

static void whiten(const struct stripe_patch *patch, const float *from, float *to)
{
    whiten_rows(patch, from, to, (struct patch_rows){0, patch->n_rows});
}

/* A part of a trial, and which rows of it are not 0 then: one more. */
static void whiten_part(struct stripe_patch *patch, int k)
{
    struct patch_rows *rows = &patch->rows[k];
    size_t width = (size_t)patch->n_columns;
    size_t n = (size_t)patch->n_rows * width;
    size_t end = 0;

    rows->end = rows->end < patch->n_rows ? rows->end + 1 : patch->n_rows;
    end = (size_t)rows->end * width;
    memset(patch->white[k], 0, (size_t)rows->first * width * sizeof **patch->white);
    memset(patch->white[k] + end, 0, (n - end) * sizeof **patch->white);
    whiten_rows(patch, patch->part[k], patch->white[k], *rows);
}

/* Sum of products over [first, end); first is a multiple of BLOCK. */
static double product(const float *a, const float *b, int first, int end)
{
    double sum = 0.0;

    for (int from = first; from < end; from += BLOCK) {
        float part = 0.0F;

        int to = from + BLOCK < end ? from + BLOCK : end;

#pragma omp simd reduction(+ : part)
        for (int i = from; i < to; i++)
            part += a[i] * b[i];
        sum += (double)part;
    }
    return sum;
}

/* Products of a whitened part with those up to it and with the picture, where it is not 0. */
static void multiply(const struct stripe_patch *patch, int k, double *with_parts, double *with_value)
{
    int n = patch->n_rows * patch->n_columns;
    int first = patch->rows[k].first * patch->n_columns / BLOCK * BLOCK;
    int end = (patch->rows[k].end * patch->n_columns + BLOCK - 1) / BLOCK * BLOCK;

    end = end < n ? end : n;
    for (int m = 0; m <= k; m++)
        with_parts[m] = product(patch->white[k], patch->white[m], first, end);
    *with_value = product(patch->white[k], patch->white_value, first, end);
}

/* Parts that no trial moves: a level and a slope each way. */
static void fill_fixed(struct stripe_patch *patch)
{
    for (int i = 0; i < patch->n_rows; i++)
        for (int j = 0; j < patch->n_columns; j++) {
            int place = i * patch->n_columns + j;

            patch->part[0][place] = 1.0F;
            patch->part[1][place] = (float)(patch->contrast * 0.1 * (PATCH_FROM_MM + i * patch->row_mm));
            patch->part[2][place] =
                (float)(patch->contrast * 0.1 * (patch->first_mm + j * patch->column_mm - patch->offset_mm));
        }
    for (int k = 0; k < PATCH_FIXED; k++) {
        patch->rows[k] = (struct patch_rows){0, patch->n_rows};
        whiten_part(patch, k);
    }
    whiten(patch, patch->value, patch->white_value);
    patch->square = product(patch->white_value, patch->white_value, 0, patch->n_rows * patch->n_columns);
    for (int k = 0; k < PATCH_FIXED; k++)
        multiply(patch, k, patch->fixed[k], &patch->fixed_value[k]);
}

/* Solves the symmetric system a x = b in place by Cholesky's factors. */
static void solve(double a[PATCH_PARTS][PATCH_PARTS], double *b, int n)
{
    for (int i = 0; i < n; i++)
        for (int j = 0; j <= i; j++) {
            double sum = a[i][j];

            for (int k = 0; k < j; k++)
                sum -= a[i][k] * a[j][k];
            a[i][j] = i == j ? sqrt(fmax(sum, 1e-12)) : sum / a[j][j];
        }
    for (int i = 0; i < n; i++) {
        for (int k = 0; k < i; k++)
            b[i] -= a[i][k] * b[k];
        b[i] /= a[i][i];
    }
    for (int i = n; i-- > 0;) {
        for (int k = i + 1; k < n; k++)
            b[i] -= a[k][i] * b[k];
        b[i] /= a[i][i];
    }
}

/* Least squares of the whitened parts, their weights held to what is usual. */
static double misfit_of(struct stripe_patch *patch, const double *trial, double *weight)
{
    double a[PATCH_PARTS][PATCH_PARTS] = {{0}};
    double b[PATCH_PARTS] = {0};
    double misfit = patch->square;

    memcpy(a, patch->fixed, sizeof patch->fixed);
    memcpy(b, patch->fixed_value, sizeof patch->fixed_value);
    stripe_trial_fill(patch, trial);
    for (int k = PATCH_FIXED; k < patch->n_parts; k++) {
        whiten_part(patch, k);
        multiply(patch, k, a[k], &b[k]);
    }
    for (int k = 0; k < patch->n_parts; k++) {
        double stiff = patch->noise / (PART_SPREAD[k] * PART_SPREAD[k]);

        a[k][k] += stiff;
        b[k] += stiff * PART_MEAN[k];
        misfit += stiff * PART_MEAN[k] * PART_MEAN[k];
    }
    memcpy(weight, b, sizeof b);
    solve(a, weight, patch->n_parts);
    for (int k = 0; k < patch->n_parts; k++)
        misfit -= weight[k] * b[k];
    return misfit;
}

double stripe_patch_level(struct stripe_patch *patch, const double trial[TRIAL_N])
{
    double weight[PATCH_PARTS];

    return -0.5 * BELIEF / patch->noise * misfit_of(patch, trial, weight);
}

/* ---- what a trial leaves ---- */

void stripe_patch_look_near(struct stripe_patch *patch, double tip_mm)
{
    for (int i = 0; i < patch->n_rows; i++) {
        double away = (PATCH_FROM_MM + i * patch->row_mm - tip_mm + NEAR_INWARD_MM) / NEAR_MM;
        float near = (float)exp(-0.25 * away * away); /* root of the weight */

        for (int j = 0; j < patch->n_columns; j++)
            if (patch->scale[i * patch->n_columns + j] > 0.0F)
                patch->scale[i * patch->n_columns + j] = near;
    }
}

/* Mean product of residues so many rows and columns apart; both scaled already. */
static double alike(const struct stripe_patch *patch, const float *left, int rows, int columns)
{
    double sum = 0.0;
    double pairs = 0.0;
    int width = patch->n_columns;

    for (int i = 0; i + rows < patch->n_rows; i++)
        for (int j = columns < 0 ? -columns : 0; j < width && j + columns < width; j++) {
            int other = (i + rows) * width + j + columns;

            sum += (double)(left[i * width + j] * left[other]);
            pairs += (double)(patch->scale[i * width + j] * patch->scale[other]);
        }
    return pairs > 0.0 ? sum / pairs : 0.0;
}

void stripe_patch_learn_noise(struct stripe_patch *patch, const double trial[TRIAL_N])
{
    int n = patch->n_rows * patch->n_columns;
    float *scaled = patch->white[PATCH_SHELL]; /* free until the next trial */
    float *left = patch->part[PATCH_LINE];
    double weight[PATCH_PARTS];
    double square = 0.0;
    double sum = 1.0;

    fill_fixed(patch);
    (void)misfit_of(patch, trial, weight);
    for (int i = 0; i < n; i++) {
        double model = 0.0;

        for (int k = 0; k < patch->n_parts; k++)
            model += weight[k] * (double)patch->part[k][i];
        left[i] = patch->value[i] - (float)model;
        scaled[i] = patch->scale[i] * left[i];
    }
    square = fmax(alike(patch, scaled, 0, 0), 1e-6);
    patch->along = (float)(WHITEN * fmin(fmax(alike(patch, scaled, 1, 0) / square, 0.0), 0.95));
    patch->across = (float)(WHITEN * fmin(fmax(alike(patch, scaled, 0, 1) / square, 0.0), 0.95));
    whiten(patch, left, scaled);
    square = fmax(alike(patch, scaled, 0, 0), 0.05);
    for (int rows = 0; rows <= LIKE_REACH; rows++)
        for (int columns = rows == 0 ? 1 : -LIKE_REACH; columns <= LIKE_REACH; columns++)
            sum += 2.0 * alike(patch, scaled, rows, columns) / square;
    patch->noise = square * fmin(fmax(sum, LEAST_ALIKE), MOST_ALIKE);
    fill_fixed(patch);
}
