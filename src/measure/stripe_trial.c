#include "measure/stripe_trial.h"

#include "base/wide.h"

#include <math.h>
#include <string.h>

/* How one row shows a trial. */
struct trial_row {
    float first_mm;   /* of the first column off the centre line */
    float apart_mm;   /* of the columns */
    float half_mm;    /* half thickness */
    float cap_mm;     /* length of the rounded end */
    float in_cap;     /* 0 where the rounded end begins, 1 at its tip, as far on either way as the row lies */
    float has_middle; /* 1 where the middle line shows, 0 where it has ended */
};

static struct trial_row lay_row(const struct stripe_patch *patch, const double *trial, float cap_mm, int row)
{
    double at = PATCH_FROM_MM + row * patch->row_mm;
    double inward = trial[TRIAL_AT] - at;
    double ramp = stripe_patch_ramp(inward);
    double width = exp(trial[TRIAL_WIDTH] * fmin(ramp, 1.0));

    return (struct trial_row){
        .first_mm =
            (float)(patch->first_mm - patch->offset_mm - patch->slope * at - trial[TRIAL_LEAN] * ramp),
        .apart_mm = (float)patch->column_mm,
        .half_mm = (float)(patch->half_mm * width),
        .cap_mm = cap_mm,
        .in_cap = (cap_mm - (float)inward) / cap_mm,
        .has_middle =
            (float)fmin(fmax((inward - trial[TRIAL_MIDDLE] * patch->half_mm) / 0.5 + 0.5, 0.0), 1.0)};
}

/* How deep the places of a row lie inside the rounded end. */
WIDE static void find_depths_in_cap(float *restrict depth_mm, const float *restrict off_mm, int n,
                                    const struct trial_row *row)
{
    float half = row->half_mm;
    float v = row->in_cap;
    float along = v * v / (row->cap_mm * row->cap_mm);

#pragma omp simd
    for (int j = 0; j < n; j++) {
        float u = off_mm[j] / half;
        float slope = 2.0F * sqrtf(u * u / (half * half) + along);

        /* First-order distance to the ellipse u^2 + v^2 = 1: value over slope. */
        float depth = (1.0F - u * u - v * v) / (slope > 1e-6F ? slope : 1e-6F);

        depth_mm[j] = depth < half ? depth : half;
    }
}

/* And inside the body. */
static void find_depths_in_body(float *restrict depth_mm, const float *restrict off_mm, int n, float half_mm)
{
#pragma omp simd
    for (int j = 0; j < n; j++)
        depth_mm[j] = half_mm - fabsf(off_mm[j]);
}

/* Where a place from the beginning of a table on stands in it. */
WIDE_PART int entry_at(float mm)
{
    int i = (int)(mm * (float)(1.0 / PATCH_FINE_MM));

    return i < 0 ? 0 : i >= PATCH_FINE ? PATCH_FINE - 1 : i;
}

WIDE static void find_depth_entries(int *restrict entry, const float *restrict depth_mm, int n)
{
#pragma omp simd
    for (int j = 0; j < n; j++)
        entry[j] = entry_at(depth_mm[j] - (float)PATCH_FINE_FROM_MM);
}

WIDE static void find_off_entries(int *restrict entry, const float *restrict off_mm, int n)
{
#pragma omp simd
    for (int j = 0; j < n; j++)
        entry[j] = entry_at(fabsf(off_mm[j]));
}

static void look_up(float *restrict out, const float *table, const int *entry, float part, int n)
{
    for (int j = 0; j < n; j++)
        out[j] = table[entry[j]] * part;
}

/* The parts of one row. The outer lines' own is 0 in the body, the middle line's beyond its end. */
static void fill_row(struct stripe_patch *patch, const struct trial_row *row, int i)
{
    float off_mm[PATCH_COLUMNS];
    float depth_mm[PATCH_COLUMNS] = {0};
    int entry[PATCH_COLUMNS];
    int n = patch->n_columns;
    int first = i * n;
    float off = row->first_mm;
    float *line = patch->part[PATCH_LINE] + first;
    float *middle = patch->part[PATCH_MIDDLE] + first;

    for (int j = 0; j < n; j++, off += row->apart_mm)
        off_mm[j] = off;
    if (row->in_cap > 0.0F)
        find_depths_in_cap(depth_mm, off_mm, n, row);
    else
        find_depths_in_body(depth_mm, off_mm, n, row->half_mm);
    find_depth_entries(entry, depth_mm, n);
    look_up(patch->part[PATCH_SHELL] + first, patch->shell, entry, 1.0F, n);
    if (patch->n_parts == PATCH_SHELL + 1)
        return;
    if (row->in_cap > 0.0F)
        look_up(line, patch->line, entry, fminf(row->in_cap, 1.0F), n);
    else
        memset(line, 0, (size_t)n * sizeof *line);
    if (row->has_middle > 0.0F) {
        find_off_entries(entry, off_mm, n);
        look_up(middle, patch->middle, entry, row->has_middle, n);
    } else {
        memset(middle, 0, (size_t)n * sizeof *middle);
    }
}

void stripe_trial_fill(struct stripe_patch *patch, const double trial[TRIAL_N])
{
    float cap_mm = (float)(patch->half_mm * exp(trial[TRIAL_CAP]));
    struct patch_rows *rows = patch->rows;

    rows[PATCH_SHELL] = (struct patch_rows){0, patch->n_rows};
    rows[PATCH_LINE] = (struct patch_rows){patch->n_rows, patch->n_rows};
    rows[PATCH_MIDDLE] = (struct patch_rows){0, 0};
    for (int i = 0; i < patch->n_rows; i++) {
        struct trial_row row = lay_row(patch, trial, cap_mm, i);

        fill_row(patch, &row, i);
        if (row.in_cap > 0.0F && i < rows[PATCH_LINE].first)
            rows[PATCH_LINE].first = i;
        if (row.has_middle > 0.0F)
            rows[PATCH_MIDDLE].end = i + 1;
    }
}
