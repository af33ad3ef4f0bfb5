#include "measure/hunt.h"

#include "base/parallel.h"
#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { N_BLOCKS = 8, LANE_ROWS = 32 };
static const double FINE_SIGMA_MM = 0.45;
static const double BACKGROUND_SIGMA_MM = 0.8;
static const double LANE_MM = 12.0; /* along a lane the stripe looks alike over this */
static const double LANE_ALLOWANCE =
    35.0;                         /* grey levels by which a place may outshine its lane and still be stripe */
static const double GAIN_S = 0.5; /* to either side: a level is the middle one within */
static const double GAIN_STEP = 6.0;   /* grey levels: less is breathing and speckle */
static const double LEAST_NOISE = 4.0; /* grey levels */

double hunt_along_mm(const struct hunt *hunt, double row)
{
    return hunt->follow->row_from_mm + row * FOLLOW_STEP_MM;
}

double hunt_beyond_mm(const struct hunt *hunt, double row)
{
    double along_mm = hunt_along_mm(hunt, row);

    return fmax(-along_mm, along_mm - hunt->length_mm);
}

double hunt_across_mm(const struct hunt *hunt, double column)
{
    return (column - (double)(hunt->n_columns / 2)) * FOLLOW_STEP_MM;
}

double hunt_crest(const struct hunt *hunt, const long *way, size_t frame)
{
    return (double)hunt->crest[frame * hunt->n_rows + (size_t)way[frame]];
}

double hunt_behind_mm(const struct hunt *hunt, long row, long tip)
{
    return (double)(hunt->cluster->catheter_from_last ? row - tip : tip - row) * FOLLOW_STEP_MM;
}

bool hunt_is_left(const struct hunt *hunt, long row)
{
    return hunt->rest >= 0 && hunt_behind_mm(hunt, row, hunt->rest) > HUNT_LEFT_MM;
}

size_t hunt_frame_at(const struct hunt *hunt, double time_s)
{
    size_t t = 0;

    while (t + 1 < hunt->follow->n_frames && hunt->follow->time_s[t + 1] <= time_s)
        t++;
    return t;
}

/* ---- gain ---- */

static void fill_level(void *context, size_t frame)
{
    struct hunt *hunt = context;
    size_t strip = hunt->n_rows * hunt->n_columns;
    const uint8_t *luma = hunt->follow->strip + frame * strip;
    size_t counts[256] = {0};
    size_t n = 0;
    int level = 0;

    for (size_t i = 0; i < strip; i++)
        counts[luma[i]]++;
    while (level < 255 && 2 * (n + counts[level]) < strip)
        n += counts[level++];
    hunt->lift[frame] = (short)level;
}

/* A change of gain lifts or sinks the luma of everything (it is a logarithm); bubbles and catheter, being
 * small, do not move the middle of the strip. A loop whose gain stays is left as it is. */
static bool level_gain(struct hunt *hunt)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    double *level = malloc((2 * n + 1) * sizeof *level);
    double *near = level != NULL ? level + n : NULL;
    double middle = 0.0;
    double most = 0.0;

    hunt->lift = calloc(n + 1, sizeof *hunt->lift);
    if (hunt->lift == NULL || level == NULL) {
        free(level);
        return false;
    }
    parallel_run(n, 0, fill_level, hunt);
    for (size_t t = 0, from = 0; t < n; t++) {
        size_t n_near = 0;

        while (time_s[t] - time_s[from] > GAIN_S)
            from++;
        for (size_t k = from; k < n && time_s[k] - time_s[t] <= GAIN_S; k++)
            near[n_near++] = (double)hunt->lift[k];
        level[t] = statistics_median(near, n_near);
    }
    memcpy(near, level, n * sizeof *level);
    middle = statistics_median(near, n);
    for (size_t t = 0; t < n; t++)
        most = fmax(most, fabs(level[t] - middle));
    for (size_t t = 0; t < n; t++)
        hunt->lift[t] =
            (short)(most < GAIN_STEP ? 0.0
                                     : round(fmin(fmax(middle - level[t], -HUNT_MOST_LIFT), HUNT_MOST_LIFT)));
    hunt->cluster->gain_swing = most;
    free(level);
    return true;
}

/* ---- what the stripe looks like without bubbles ---- */

/* Blocks of time in which a row is looked at by itself: of eight frames at least, for a median of fewer is
 * chance. With one block alone bubbles that stay for more than half of the loop would be their own
 * background. */
static size_t block_count(size_t n_frames)
{
    size_t n = n_frames / 8;

    return n < 1 ? 1 : n < N_BLOCKS ? n : N_BLOCKS;
}

static void fill_background_row(void *context, size_t row)
{
    struct hunt *hunt = context;
    const struct follow *follow = hunt->follow;
    size_t n_blocks = block_count(follow->n_frames);
    size_t strip = hunt->n_rows * hunt->n_columns;
    double *series = malloc((follow->n_frames / n_blocks + 2) * sizeof *series);

    if (series == NULL) {
        hunt->is_failed = true;
        return;
    }
    for (size_t column = 0; column < hunt->n_columns; column++) {
        double lowest = 1e9;

        for (size_t block = 0; block < n_blocks; block++) {
            size_t from = block * follow->n_frames / n_blocks;
            size_t to = (block + 1) * follow->n_frames / n_blocks;
            size_t step = (to - from) / 64 + 1; /* neighbours in time tell the same */
            size_t n = 0;

            for (size_t t = from; t < to; t += step)
                series[n++] = follow->strip[t * strip + row * hunt->n_columns + column] + hunt->lift[t];
            lowest = fmin(lowest, statistics_median(series, n));
        }
        hunt->background[row * hunt->n_columns + column] = (float)lowest;
    }
    free(series);
}

/* A cluster that lies still through the whole loop would be its own background: no place may outshine its
 * lane by much. */
static bool level_lanes(struct hunt *hunt)
{
    long reach = (long)(LANE_MM / FOLLOW_STEP_MM);
    float *levelled = malloc(hunt->n_rows * sizeof *levelled);
    double *lane = malloc((2 * (size_t)reach + 1) * sizeof *lane);
    bool is_made = levelled != NULL && lane != NULL;

    for (size_t column = 0; column < hunt->n_columns && is_made; column++) {
        for (long row = 0; row < (long)hunt->n_rows; row++) {
            size_t n = 0;

            for (long k = -reach; k <= reach; k++)
                if (row + k >= 0 && row + k < (long)hunt->n_rows)
                    lane[n++] = (double)hunt->background[(size_t)(row + k) * hunt->n_columns + column];
            levelled[row] = (float)fmin((double)hunt->background[(size_t)row * hunt->n_columns + column],
                                        statistics_median(lane, n) + LANE_ALLOWANCE);
        }
        for (size_t row = 0; row < hunt->n_rows; row++)
            hunt->background[row * hunt->n_columns + column] = levelled[row];
    }
    free(levelled);
    free(lane);
    return is_made;
}

static bool fill_background(struct hunt *hunt)
{
    struct raster view = {.width_px = (int)hunt->n_columns, .height_px = (int)hunt->n_rows};

    hunt->background = calloc(hunt->n_rows * hunt->n_columns, sizeof *hunt->background);
    if (hunt->background == NULL)
        return false;
    parallel_run(hunt->n_rows, 0, fill_background_row, hunt);
    view.value = hunt->background;
    return !hunt->is_failed && level_lanes(hunt) &&
           raster_smooth(&view, BACKGROUND_SIGMA_MM / FOLLOW_STEP_MM, BACKGROUND_SIGMA_MM / FOLLOW_STEP_MM);
}

/* ---- excess of one frame ---- */

/* Smoothed picture less background; the caller frees. */
struct raster *hunt_take_excess(const struct hunt *hunt, size_t frame)
{
    size_t n = hunt->n_rows * hunt->n_columns;
    struct raster *excess = raster_make((int)hunt->n_columns, (int)hunt->n_rows);
    const uint8_t *strip = hunt->follow->strip + frame * n;

    if (excess == NULL)
        return NULL;
    for (size_t i = 0; i < n; i++)
        excess->value[i] = (float)(strip[i] + hunt->lift[frame]) - hunt->background[i];
    if (!raster_smooth(excess, FINE_SIGMA_MM / FOLLOW_STEP_MM, FINE_SIGMA_MM / FOLLOW_STEP_MM))
        raster_free(&excess);
    return excess;
}

static void fill_crest(void *context, size_t frame)
{
    struct hunt *hunt = context;
    struct raster *excess = hunt_take_excess(hunt, frame);

    if (excess == NULL) {
        hunt->is_failed = true;
        return;
    }
    for (size_t row = 0; row < hunt->n_rows; row++) {
        const float *line = excess->value + row * hunt->n_columns;
        size_t best = 2;

        for (size_t column = 2; column + 2 < hunt->n_columns; column++)
            if (line[column] > line[best])
                best = column;
        hunt->crest[frame * hunt->n_rows + row] = line[best];
        hunt->crest_column[frame * hunt->n_rows + row] = (short)best;
        hunt->crest_luma[frame * hunt->n_rows + row] =
            (uint8_t)fminf(fmaxf(line[best] + hunt->background[row * hunt->n_columns + best], 0.0F), 255.0F);
    }
    raster_free(&excess);
}

/* Usual crest of a row: its median over the block of time in which it is darkest, so that a
 * cluster or a catheter that stays for long is not taken for usual. *spread: scatter within
 * that block and between it and the middle block: speckle renews itself slowly too. */
static void describe_row(const struct hunt *hunt, size_t row, double *scratch, double *usual, double *spread)
{
    size_t n = hunt->follow->n_frames;
    size_t n_blocks = block_count(n);
    double middles[N_BLOCKS];
    double within = 0.0;

    *usual = HUGE_VAL;
    for (size_t block = 0; block < n_blocks; block++) {
        size_t from = block * n / n_blocks;
        size_t to = (block + 1) * n / n_blocks;

        for (size_t t = from; t < to; t++)
            scratch[t - from] = (double)hunt->crest[t * hunt->n_rows + row];
        middles[block] = statistics_median(scratch, to - from);
        if (middles[block] < *usual) {
            *usual = middles[block];
            within = statistics_spread(scratch, to - from);
        }
    }
    *spread = hypot(within, statistics_median(middles, n_blocks) - *usual);
}

/* What shines in a row all the time would be usual there: no row is taken to show more than its lane. scratch
 * holds n_rows values. */
static void level_usual(const struct hunt *hunt, double *usual, double *scratch)
{
    long reach = (long)(LANE_MM / FOLLOW_STEP_MM);
    double middle[2 * LANE_ROWS + 1];

    for (long row = 0; row < (long)hunt->n_rows; row++) {
        size_t n = 0;

        for (long k = row - reach; k <= row + reach && n < sizeof middle / sizeof *middle; k++)
            if (k >= 0 && k < (long)hunt->n_rows)
                middle[n++] = usual[k];
        scratch[row] = fmin(usual[row], statistics_median(middle, n));
    }
    memcpy(usual, scratch, hunt->n_rows * sizeof *usual);
}

/* Crests of all frames in standard deviations of what rows without bubbles show. */
static bool fill_crests(struct hunt *hunt)
{
    size_t n = hunt->follow->n_frames * hunt->n_rows;
    double *scratch = malloc((hunt->follow->n_frames + hunt->n_rows) * sizeof *scratch);
    double *usual = malloc(2 * hunt->n_rows * sizeof *usual);
    bool is_made = false;

    hunt->crest = calloc(n, sizeof *hunt->crest);
    hunt->crest_column = calloc(n, sizeof *hunt->crest_column);
    hunt->crest_luma = calloc(n, sizeof *hunt->crest_luma);
    is_made = hunt->crest_luma != NULL && scratch != NULL && usual != NULL && hunt->crest != NULL &&
              hunt->crest_column != NULL;
    if (is_made) {
        double *spread = usual + hunt->n_rows;

        parallel_run(hunt->follow->n_frames, 0, fill_crest, hunt);
        for (size_t row = 0; row < hunt->n_rows; row++)
            describe_row(hunt, row, scratch, &usual[row], &spread[row]);
        hunt->noise = fmax(statistics_median(spread, hunt->n_rows), LEAST_NOISE);
        if (hunt->is_steady)
            level_usual(hunt, usual, scratch);
        hunt->cluster->noise = hunt->noise;
        for (size_t t = 0; t < hunt->follow->n_frames; t++) {
            float *crest = hunt->crest + t * hunt->n_rows;

            for (size_t row = 0; row < hunt->n_rows; row++)
                crest[row] = (float)(((double)crest[row] - usual[row]) / hunt->noise);
        }
    }
    free(scratch);
    free(usual);
    return is_made && !hunt->is_failed;
}

bool hunt_prepare(struct hunt *hunt)
{
    return level_gain(hunt) && fill_background(hunt) && fill_crests(hunt);
}

void hunt_free(struct hunt *hunt)
{
    free(hunt->lift);
    free(hunt->background);
    free(hunt->fresh);
    for (size_t i = 0; i < hunt->n_parted; i++)
        free(hunt->parted[i]);
    for (size_t i = 0; i < hunt->n_strange; i++)
        free(hunt->strange[i]);
    free(hunt->crest);
    free(hunt->crest_column);
    free(hunt->crest_luma);
    memset(hunt, 0, sizeof *hunt);
}

double hunt_mean_between(const struct hunt *hunt, const double *trace, double from_s, double to_s)
{
    const double *time_s = hunt->follow->time_s;
    double sum = 0.0;
    double n = 0.0;

    for (size_t t = hunt_frame_at(hunt, from_s); t < hunt->follow->n_frames && time_s[t] <= to_s; t++)
        if (time_s[t] >= from_s) {
            sum += trace[t];
            n += 1.0;
        }
    return n > 0.0 ? sum / n : (double)NAN;
}

double hunt_crest_about(const struct hunt *hunt, long row, double reach_mm, double from_s, double to_s)
{
    long reach = (long)(reach_mm / FOLLOW_STEP_MM);
    double crest[128];
    size_t n = 0;

    for (size_t t = hunt_frame_at(hunt, from_s); t < hunt->follow->n_frames && n < 128; t++) {
        double best = 0.0;

        if (hunt->follow->time_s[t] > to_s)
            break;
        for (long k = row - reach; k <= row + reach; k++)
            if (k >= 0 && k < (long)hunt->n_rows)
                best = fmax(best, (double)hunt->crest[t * hunt->n_rows + (size_t)k]);
        crest[n++] = best;
    }
    return n > 0 ? statistics_median(crest, n) : 0.0;
}
