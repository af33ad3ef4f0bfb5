#include "measure/echo.h"

#include "base/parallel.h"
#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double BEFORE_FROM_S = 2.0; /* before the instant */
static const double BEFORE_TO_S = 0.4;   /* the instant itself is open by that much */
static const double FRESH_S = 2.0;       /* after the instant the speckle is still the same as before */
static const double CLEAR_S = 0.5;       /* of the instant and of the catheter */
static const double CLEAR_MM = 6.0;      /* of the cluster: more than half of any */
static const double REST_S = 2.0;        /* least time in which a place was clear */
static const double HOLE_S = 0.5;        /* in the catheter's stay */
static const double SHAFT_BLUR_MM = 1.2; /* ahead of the tip that the shaft still brightens */
static const double PATCH_MM = 14.0;     /* to either side of the cluster */
enum { GRAIN_FRAMES = 16, GRAIN_REACH = 6 };

/* ---- what a place shows without bubbles ---- */

static bool steady_tips(struct echo *echo, const long *tip)
{
    const struct follow *follow = echo->hunt->follow;
    double rows[64];

    echo->steady_tip = calloc(follow->n_frames + 1, sizeof *echo->steady_tip);
    if (echo->steady_tip == NULL)
        return false;
    for (size_t t = 0, from = 0; t < follow->n_frames; t++) {
        size_t n = 0;

        while (follow->time_s[t] - follow->time_s[from] > HOLE_S)
            from++;
        for (size_t k = from; k < follow->n_frames && follow->time_s[k] - follow->time_s[t] <= HOLE_S; k++)
            if (tip[k] >= 0 && n < 64)
                rows[n++] = (double)tip[k];
        echo->steady_tip[t] = n > 0 ? statistics_median(rows, n) : -1.0;
    }
    return true;
}

/* Strength by luma in a frame. */
static const float *strength_in(const struct echo *echo, size_t t)
{
    return echo->strength + HUNT_MOST_LIFT + echo->hunt->lift[t];
}

/* Whether a shaft whose tip is there brightens a row. */
static bool is_under_shaft(const struct echo *echo, double tip, size_t row)
{
    double behind = echo->hunt->cluster->catheter_from_last ? (double)row - tip : tip - (double)row;

    return tip >= 0.0 && behind * FOLLOW_STEP_MM > -SHAFT_BLUR_MM;
}

/* Whether what lies at a row, -1 for nothing, may brighten another one. */
static bool is_beside(long bubbles, size_t row)
{
    return bubbles >= 0 && fabs((double)(bubbles - (long)row)) * FOLLOW_STEP_MM <= CLEAR_MM;
}

/* Whether neither bubbles nor catheter were near a row in a frame. */
static bool is_clear(const struct echo *echo, size_t t, size_t row)
{
    const struct cluster *cluster = echo->hunt->cluster;
    const double *time_s = echo->hunt->follow->time_s;

    if (echo->steady_tip[t] >= 0.0)
        return false;
    if (cluster->has_onset && time_s[t] < time_s[cluster->onset] - CLEAR_S)
        return true;
    for (size_t i = 0; i < echo->hunt->n_parted; i++)
        if (is_beside(echo->hunt->parted[i][t], row))
            return false;
    return echo->way[t] >= 0 && !is_beside(echo->way[t], row);
}

static void fill_rest_row(void *context, size_t row)
{
    struct echo *echo = context;
    const struct hunt *hunt = echo->hunt;
    size_t strip = hunt->n_rows * hunt->n_columns;
    float *rest = echo->rest + row * hunt->n_columns;
    double seen_s = 0.0;
    float n = 0.0F;

    for (size_t t = 0; t < hunt->follow->n_frames; t++) {
        const uint8_t *luma = hunt->follow->strip + t * strip + row * hunt->n_columns;
        const float *strength = strength_in(echo, t);

        if (!is_clear(echo, t, row))
            continue;
        for (size_t column = 0; column < hunt->n_columns; column++)
            rest[column] += strength[luma[column]];
        n += 1.0F;
        seen_s += t > 0 ? fmin(hunt->follow->time_s[t] - hunt->follow->time_s[t - 1], 0.5) : 0.0;
    }
    for (size_t column = 0; column < hunt->n_columns; column++)
        if (seen_s >= REST_S)
            rest[column] /= n;
        else
            rest[column] =
                echo->strength[HUNT_MOST_LIFT +
                               (int)lrintf(fminf(
                                   fmaxf(hunt->background[row * hunt->n_columns + column], 0.0F), 255.0F))];
}

/* The mean of the last frames before the instant. */
static void fill_before(struct echo *echo)
{
    const struct hunt *hunt = echo->hunt;
    const double *time_s = hunt->follow->time_s;
    size_t strip = hunt->n_rows * hunt->n_columns;
    double onset_s = time_s[hunt->cluster->onset];
    double tips[64];
    size_t n_tips = 0;
    float n = 0.0F;

    echo->before_tip = -1.0;
    if (!hunt->cluster->has_onset)
        return;
    for (size_t t = 0; t < hunt->cluster->onset; t++) {
        if (time_s[t] < onset_s - BEFORE_FROM_S || time_s[t] > onset_s - BEFORE_TO_S)
            continue;
        for (size_t i = 0; i < strip; i++)
            echo->before[i] += strength_in(echo, t)[hunt->follow->strip[t * strip + i]];
        if (echo->steady_tip[t] >= 0.0 && n_tips < 64)
            tips[n_tips++] = echo->steady_tip[t];
        n += 1.0F;
    }
    for (size_t i = 0; i < strip; i++)
        echo->before[i] /= fmaxf(n, 1.0F);
    echo->has_before = n >= 2.0F;
    if (n_tips > 0 && echo->has_before)
        echo->before_tip = statistics_median(tips, n_tips);
}

/* Mean product of the deviations of places `rows` and `columns` apart. */
static double covary(const float *deviation, size_t n_rows, size_t n_columns, size_t rows, size_t columns)
{
    double sum = 0.0;
    double n = 0.0;

    for (size_t row = 0; row + rows < n_rows; row++)
        for (size_t column = 0; column + columns < n_columns; column++) {
            sum += (double)deviation[row * n_columns + column] *
                   (double)deviation[(row + rows) * n_columns + column + columns];
            n += 1.0;
        }
    return n > 0.0 ? sum / n : 0.0;
}

/* How many places of the strip one grain of speckle covers: the correlation of what differs between frames
 * half a second apart, summed along and across. */
static bool measure_grain(struct echo *echo)
{
    const struct hunt *hunt = echo->hunt;
    size_t strip = hunt->n_rows * hunt->n_columns;
    size_t n_frames = hunt->follow->n_frames;
    float *deviation = calloc(strip, sizeof *deviation);
    double products[2][GRAIN_REACH + 1] = {{0}};

    if (deviation == NULL)
        return false;
    for (size_t k = 0; k < GRAIN_FRAMES; k++) {
        size_t t = k * n_frames / GRAIN_FRAMES;
        size_t other = hunt_frame_at(hunt, hunt->follow->time_s[t] + 0.5);

        for (size_t i = 0; i < strip; i++)
            deviation[i] = strength_in(echo, t)[hunt->follow->strip[t * strip + i]] -
                           strength_in(echo, other)[hunt->follow->strip[other * strip + i]];
        for (size_t lag = 0; lag <= GRAIN_REACH; lag++) {
            products[0][lag] += covary(deviation, hunt->n_rows, hunt->n_columns, lag, 0);
            products[1][lag] += covary(deviation, hunt->n_rows, hunt->n_columns, 0, lag);
        }
    }
    free(deviation);
    echo->cell_places = 1.0;
    for (int axis = 0; axis < 2; axis++) {
        double length = 1.0;

        for (size_t lag = 1; lag <= GRAIN_REACH && products[axis][lag] > 0.1 * products[axis][0]; lag++)
            length += 2.0 * products[axis][lag] / products[axis][0];
        echo->cell_places *= length;
    }
    return true;
}

bool echo_make(struct echo *echo, const struct hunt *hunt, const long *way, const long *tip, double range_db)
{
    size_t strip = hunt->n_rows * hunt->n_columns;

    memset(echo, 0, sizeof *echo);
    echo->hunt = hunt;
    echo->way = way;
    for (int i = 0; i < 256 + 2 * HUNT_MOST_LIFT; i++) {
        double luma = (double)(i - HUNT_MOST_LIFT);

        echo->strength[i] =
            (float)(range_db > 0.0 ? pow(10.0, (luma - 127.5) / 255.0 * range_db / 20.0) : luma / 127.5);
    }
    echo->rest = calloc(strip, sizeof *echo->rest);
    echo->before = calloc(strip, sizeof *echo->before);
    if (echo->rest == NULL || echo->before == NULL || !steady_tips(echo, tip))
        return false;
    parallel_run(hunt->n_rows, 0, fill_rest_row, echo);
    fill_before(echo);
    return measure_grain(echo);
}

void echo_free(struct echo *echo)
{
    free(echo->steady_tip);
    free(echo->rest);
    free(echo->before);
    memset(echo, 0, sizeof *echo);
}

/* What a row would show in a frame without the bubbles: under the shaft, and while the speckle is still the
 * same, what it showed just before the deposit. */
static const float *row_without(const struct echo *echo, size_t t, size_t row)
{
    const struct hunt *hunt = echo->hunt;
    const double *time_s = hunt->follow->time_s;
    bool is_before = false;

    if (echo->has_before) {
        bool had_shaft = is_under_shaft(echo, echo->before_tip, row);
        bool has_shaft = is_under_shaft(echo, echo->steady_tip[t], row);

        is_before = has_shaft || (!had_shaft && time_s[t] - time_s[hunt->cluster->onset] < FRESH_S);
    }
    return (is_before ? echo->before : echo->rest) + row * hunt->n_columns;
}

bool echo_take(struct echo_patch *patch, const struct echo *echo, size_t from, size_t end,
               const struct echo_guess *guess, double reach_mm)
{
    const struct hunt *hunt = echo->hunt;
    size_t strip = hunt->n_rows * hunt->n_columns;
    long half = (long)(PATCH_MM / FOLLOW_STEP_MM);
    long row = lround(guess->row[0]);
    long first = row;
    long last = row;

    for (size_t i = 1; i < guess->n; i++) {
        first = lround(fmin((double)first, guess->row[i]));
        last = lround(fmax((double)last, guess->row[i]));
    }
    first = first - half > 0 ? first - half : 0;
    last = last + half < (long)hunt->n_rows ? last + half : (long)hunt->n_rows - 1;
    memset(patch, 0, sizeof *patch);
    patch->first_row = first;
    patch->cell_places = echo->cell_places;
    patch->excess = raster_make((int)hunt->n_columns, (int)(last - first + 1));
    if (patch->excess == NULL)
        return false;
    for (size_t t = from; t < end && t < hunt->follow->n_frames; t++) {
        const float *strength = strength_in(echo, t);

        if (echo->way[t] < 0 ||
            (guess->n == 1 && fabs((double)(echo->way[t] - row)) * FOLLOW_STEP_MM > reach_mm))
            continue;
        patch->n++;
        for (long r = first; r <= last; r++) {
            const uint8_t *luma = hunt->follow->strip + t * strip + (size_t)r * hunt->n_columns;
            const float *without = row_without(echo, t, (size_t)r);
            float *excess = patch->excess->value + (size_t)(r - first) * hunt->n_columns;

            for (size_t column = 0; column < hunt->n_columns; column++)
                excess[column] += strength[luma[column]] - without[column];
        }
    }
    for (size_t i = 0; i < hunt->n_columns * (size_t)(last - first + 1); i++)
        patch->excess->value[i] /= fmaxf((float)patch->n, 1.0F);
    return raster_smooth(patch->excess, ECHO_SIGMA_MM / FOLLOW_STEP_MM, ECHO_SIGMA_MM / FOLLOW_STEP_MM);
}

void echo_patch_free(struct echo_patch *patch)
{
    raster_free(&patch->excess);
}
