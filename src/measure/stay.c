#include "measure/stay.h"

#include "base/parallel.h"
#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>

static const double FINE_SIGMA_MM = 0.45;
static const double LEAST_S = 2.5;   /* of rest */
static const double STEADY_MM = 2.0; /* a resting tip stays within */
/* Of the stay's frames, taken from the tip that is least deep and from the darkest: bubbles brighten what is
 * left, and join the shaft's line. */
static const double EARLY_SHARE = 0.3;
static const double NEWS = 10.0;      /* standard deviations: twice what a cluster needs to be seen */
static const double NEWS_SHARE = 0.1; /* of the stay */
static const double DARK_SHARE = 0.25;

struct stay {
    struct hunt *hunt;
    size_t *frame; /* at rest */
    size_t n;
    float *usual; /* rows x columns, luma */
};

static void fill_usual_row(void *context, size_t row)
{
    struct stay *stay = context;
    struct hunt *hunt = stay->hunt;
    size_t strip = hunt->n_rows * hunt->n_columns;
    double *series = malloc(stay->n * sizeof *series);

    if (series == NULL) {
        hunt->is_failed = true;
        return;
    }
    for (size_t column = 0; column < hunt->n_columns; column++) {
        size_t at = row * hunt->n_columns + column;

        for (size_t k = 0; k < stay->n; k++)
            series[k] = hunt->follow->strip[stay->frame[k] * strip + at] + hunt->lift[stay->frame[k]];
        stay->usual[at] = (float)statistics_quantile(series, stay->n, DARK_SHARE);
    }
    free(series);
}

static void fill_fresh(void *context, size_t k)
{
    struct stay *stay = context;
    struct hunt *hunt = stay->hunt;
    float *fresh = hunt->fresh + stay->frame[k] * hunt->n_rows;
    struct raster *excess = raster_make((int)hunt->n_columns, (int)hunt->n_rows);
    size_t strip = hunt->n_rows * hunt->n_columns;
    const uint8_t *luma = hunt->follow->strip + stay->frame[k] * strip;

    for (size_t i = 0; excess != NULL && i < strip; i++)
        excess->value[i] = (float)(luma[i] + hunt->lift[stay->frame[k]]) - stay->usual[i];
    if (excess == NULL ||
        !raster_smooth(excess, FINE_SIGMA_MM / FOLLOW_STEP_MM, FINE_SIGMA_MM / FOLLOW_STEP_MM)) {
        raster_free(&excess);
        hunt->is_failed = true;
        return;
    }
    for (size_t row = 0; row < hunt->n_rows; row++) {
        fresh[row] = -HUGE_VALF;
        for (size_t column = 2; column + 2 < hunt->n_columns; column++)
            fresh[row] = fmaxf(fresh[row], excess->value[row * hunt->n_columns + column]);
    }
    raster_free(&excess);
}

/* Crests of what is new, in standard deviations: above what the row shows in the darker frames of the stay,
 * and in the scatter of all rows, which bubbles are too small to move. */
static bool tell_fresh(struct stay *stay)
{
    struct hunt *hunt = stay->hunt;
    size_t n_rows = hunt->n_rows;
    double *series = malloc(stay->n * n_rows * sizeof *series);
    double scatter = 0.0;

    if (series == NULL)
        return false;
    parallel_run(n_rows, 0, fill_usual_row, stay);
    if (!hunt->is_failed)
        parallel_run(stay->n, 0, fill_fresh, stay);
    for (size_t row = 0; row < n_rows && !hunt->is_failed; row++) {
        float usual = 0.0F;

        for (size_t k = 0; k < stay->n; k++)
            series[k] = (double)hunt->fresh[stay->frame[k] * n_rows + row];
        usual = (float)statistics_quantile(series, stay->n, DARK_SHARE);
        for (size_t k = 0; k < stay->n; k++)
            hunt->fresh[stay->frame[k] * n_rows + row] -= usual;
    }
    for (size_t k = 0; k < stay->n; k++)
        for (size_t row = 0; row < n_rows; row++)
            series[k * n_rows + row] = (double)hunt->fresh[stay->frame[k] * n_rows + row];
    scatter = fmax(statistics_spread(series, stay->n * n_rows), hunt->noise);
    for (size_t k = 0; k < stay->n; k++)
        for (size_t row = 0; row < n_rows; row++)
            hunt->fresh[stay->frame[k] * n_rows + row] /= (float)scatter;
    free(series);
    return !hunt->is_failed;
}

/* Something plainly new came in the stay, and stayed. */
static bool has_news(const struct stay *stay)
{
    const struct hunt *hunt = stay->hunt;
    size_t n = 0;

    for (size_t k = 0; k < stay->n; k++) {
        const float *fresh = hunt->fresh + stay->frame[k] * hunt->n_rows;
        float most = 0.0F;

        for (size_t row = 0; row < hunt->n_rows; row++)
            most = fmaxf(most, fresh[row]);
        n += (double)most > NEWS;
    }
    return n >= 4 && (double)n >= NEWS_SHARE * (double)stay->n;
}

static void forget_fresh(struct stay *stay)
{
    for (size_t k = 0; k < stay->n; k++)
        for (size_t row = 0; row < stay->hunt->n_rows; row++)
            stay->hunt->fresh[stay->frame[k] * stay->hunt->n_rows + row] = -HUGE_VALF;
}

/* The frames of a stay in which the tip does not lie shorter than where it rests. */
static void choose_resting(struct stay *stay, const long *tip, size_t from, size_t end, double *scratch)
{
    double ahead = stay->hunt->cluster->catheter_from_last ? -1.0 : 1.0;
    double rest = 0.0;
    size_t n = 0;

    for (size_t t = from; t < end; t++)
        if (tip[t] >= 0)
            scratch[n++] = ahead * (double)tip[t];
    rest = statistics_quantile(scratch, n, EARLY_SHARE);
    stay->n = 0;
    for (size_t t = from; t < end; t++)
        if (tip[t] >= 0 && (ahead * (double)tip[t] - rest) * FOLLOW_STEP_MM > -STEADY_MM)
            stay->frame[stay->n++] = t;
}

static bool look_at_stay(struct stay *stay, const long *tip, size_t from, size_t end, double *scratch)
{
    const double *time_s = stay->hunt->follow->time_s;

    choose_resting(stay, tip, from, end, scratch);
    if (stay->n < 8 || time_s[stay->frame[stay->n - 1]] - time_s[stay->frame[0]] < LEAST_S)
        return true;
    if (!tell_fresh(stay))
        return false;
    if (!has_news(stay))
        forget_fresh(stay);
    return true;
}

bool stay_fill(struct hunt *hunt, const long *tip)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    struct stay stay = {.hunt = hunt};
    double *scratch = NULL;
    bool is_made = true;

    if (!hunt->cluster->has_catheter)
        return true;
    scratch = malloc(n * sizeof *scratch);
    stay.frame = malloc(n * sizeof *stay.frame);
    stay.usual = malloc(hunt->n_rows * hunt->n_columns * sizeof *stay.usual);
    hunt->fresh = malloc(n * hunt->n_rows * sizeof *hunt->fresh);
    is_made = scratch && stay.frame && stay.usual && hunt->fresh;
    for (size_t i = 0; is_made && i < n * hunt->n_rows; i++)
        hunt->fresh[i] = -HUGE_VALF;
    for (size_t t = 0; t < n && is_made;) {
        size_t end = t + 1;
        size_t last = t;

        while (tip[t] >= 0 && end < n && time_s[end] - time_s[last] <= HUNT_LOST_S) {
            if (tip[end] >= 0)
                last = end;
            end++;
        }
        if (tip[t] >= 0)
            is_made = look_at_stay(&stay, tip, t, last + 1, scratch);
        t = tip[t] >= 0 ? last + 1 : t + 1;
    }
    free(scratch);
    free(stay.frame);
    free(stay.usual);
    return is_made;
}
