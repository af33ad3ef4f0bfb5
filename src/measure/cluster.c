#include "measure/cluster.h"

#include "base/parallel.h"
#include "base/statistics.h"
#include "image/raster.h"

#include <math.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

enum { N_BLOCKS = 8 };
static const double FINE_SIGMA_MM = 0.45;
static const double BACKGROUND_SIGMA_MM = 0.8;
static const double LANE_MM = 12.0; /* along a lane the stripe looks alike over this */
static const double LANE_ALLOWANCE =
    35.0; /* grey levels by which a place may outshine its lane and still be stripe */
static const double LEAST_NOISE = 4.0;     /* grey levels */
static const double SEEN = 5.0;            /* standard deviations of a cluster's peak */
static const double SHAFT_SEEN = 2.5;      /* of a catheter's line */
static const double SHAFT_LEAST_MM = 12.0; /* longer than any cluster */
static const double SHAFT_GAP_MM = 5.0;
static const double SHAFT_ENTERS_MM =
    8.0; /* from the strip's end, which lies as far beyond the stripe's: it comes from outside */
static const double LEAST_LEAP_MM = 2.0;
static const double MOST_CREEP_MM = 3.0; /* of a leap's far end in the next two seconds */
static const double MOST_LEAP_MM = 13.0; /* bubbles come to lie just ahead of the tip */
static const double SHAFT_MARGIN_S = 4.0;
static const double SHAFT_BLUR_MM = 1.2;  /* ahead of the tip that the shaft still brightens */
static const double OUTSHINES = 4.0;      /* standard deviations by which bubbles outshine a shaft */
static const double LEAST_STAY_S = 6.0;   /* seen without the catheter */
static const double LEAST_STRENGTH = 6.5; /* mean of the cluster's peak, standard deviations */
static const double APPEAR_COST = 12.0;
static const double VANISH_COST = 4.0;
static const double JUMP_COST = 30.0;
static const double MOVE_COST_PER_MM = 0.6;
static const double FREE_MOVE_MM = 0.4;
static const double CLUSTER_REACH_MM = 5.0;
static const double CLUSTER_SHARE = 0.5; /* of the peak above which a place is cluster */

struct hunt {
    const struct follow *follow;
    struct cluster *cluster;
    size_t n_rows, n_columns;
    float *background;   /* rows x columns */
    float *typical;      /* rows x columns: usual excess, taken away */
    double noise;        /* of the excess */
    float *crest;        /* frames x rows: best excess across, standard deviations */
    short *crest_column; /* frames x rows */
    uint8_t *crest_luma; /* frames x rows: smoothed luma there */
    double length_mm;
    bool is_failed;
};

static double along_of(const struct hunt *hunt, double row)
{
    return hunt->follow->row_from_mm + row * FOLLOW_STEP_MM;
}

static double across_of(const struct hunt *hunt, double column)
{
    return (column - (double)(hunt->n_columns / 2)) * FOLLOW_STEP_MM;
}

/* ---- what the stripe looks like without bubbles ---- */

static void fill_background_row(void *context, size_t row)
{
    struct hunt *hunt = context;
    const struct follow *follow = hunt->follow;
    size_t n_blocks = follow->n_frames >= 8 * N_BLOCKS ? N_BLOCKS : 1;
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
                series[n++] = follow->strip[t * strip + row * hunt->n_columns + column];
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
static struct raster *take_excess(const struct hunt *hunt, size_t frame)
{
    size_t n = hunt->n_rows * hunt->n_columns;
    struct raster *excess = raster_make((int)hunt->n_columns, (int)hunt->n_rows);
    const uint8_t *strip = hunt->follow->strip + frame * n;

    if (excess == NULL)
        return NULL;
    for (size_t i = 0; i < n; i++)
        excess->value[i] = (float)strip[i] - hunt->background[i];
    if (!raster_smooth(excess, FINE_SIGMA_MM / FOLLOW_STEP_MM, FINE_SIGMA_MM / FOLLOW_STEP_MM))
        raster_free(&excess);
    return excess;
}

static void fill_crest(void *context, size_t frame)
{
    struct hunt *hunt = context;
    struct raster *excess = take_excess(hunt, frame);

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
    size_t n_blocks = n >= 8 * N_BLOCKS ? N_BLOCKS : 1;
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
        hunt->cluster->noise = hunt->noise;
        for (size_t i = 0; i < n; i++)
            hunt->crest[i] = (float)(((double)hunt->crest[i] - usual[i % hunt->n_rows]) / hunt->noise);
    }
    free(scratch);
    free(usual);
    return is_made && !hunt->is_failed;
}

/* ---- the catheter ---- */

static size_t frame_at(const struct follow *follow, double time_s)
{
    size_t t = 0;

    while (t + 1 < follow->n_frames && follow->time_s[t + 1] <= time_s)
        t++;
    return t;
}

/* Whether a line goes on after a hole: within 8 mm a stretch begins that is longer than any
 * cluster and most of which is bright. */
static bool goes_on(const struct hunt *hunt, const float *crest, long at, bool from_last)
{
    long n = (long)hunt->n_rows;
    long length = (long)(10.0 / FOLLOW_STEP_MM);

    for (long start = at; start < at + (long)(8.0 / FOLLOW_STEP_MM) && start + length <= n; start += 2) {
        long n_strong = 0;

        for (long i = start; i < start + length; i++)
            n_strong += (double)crest[from_last ? n - 1 - i : i] > 0.8 * SHAFT_SEEN;
        if (10 * n_strong >= 7 * length)
            return true;
    }
    return false;
}

/* A long bright line that reaches an end of the strip; tip row or -1. */
static long shaft_tip(const struct hunt *hunt, size_t frame, bool from_last, double least_mm)
{
    const float *crest = hunt->crest + frame * hunt->n_rows;
    long n = (long)hunt->n_rows;
    long gap = (long)(SHAFT_GAP_MM / FOLLOW_STEP_MM);
    long weak = 0;
    long tip = -1;
    long n_strong = 0;
    long start = -1;

    for (long i = 0; i < n; i++) {
        long row = from_last ? n - 1 - i : i;

        if ((double)crest[row] > SHAFT_SEEN) {
            if (start < 0)
                start = i;
            tip = i;
            n_strong++;
            weak = 0;
        } else if (start >= 0 && ++weak > gap && !goes_on(hunt, crest, i, from_last)) {
            break;
        } else if (start < 0 && i > (long)(SHAFT_ENTERS_MM / FOLLOW_STEP_MM)) {
            return -1; /* the line must reach in from the end */
        }
    }
    if (start < 0 || (double)(tip - start) * FOLLOW_STEP_MM < least_mm || 10 * n_strong < 6 * (tip - start))
        return -1;
    return from_last ? n - 1 - tip : tip;
}

/* Marks the frames with a catheter from one end; how many. */
static size_t mark_shafts(const struct hunt *hunt, bool from_last, long *tip)
{
    size_t n = 0;

    for (size_t t = 0; t < hunt->follow->n_frames; t++) {
        tip[t] = shaft_tip(hunt, t, from_last, SHAFT_LEAST_MM);
        n += tip[t] >= 0;
    }
    return n;
}

/* Once a catheter is known, a short line from the same end just before it and after it is the catheter too.
 */
static void widen_shafts(const struct hunt *hunt, long *tip)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    double last_s = -HUGE_VAL;

    for (size_t t = 0; t < n; t++) {
        if (tip[t] >= 0)
            last_s = time_s[t];
        else if (time_s[t] - last_s < SHAFT_MARGIN_S)
            tip[t] = shaft_tip(hunt, t, hunt->cluster->catheter_from_last, 1.5);
    }
    last_s = HUGE_VAL;
    for (size_t t = n; t-- > 0;) {
        if (shaft_tip(hunt, t, hunt->cluster->catheter_from_last, SHAFT_LEAST_MM) >= 0)
            last_s = time_s[t];
        else if (tip[t] < 0 && last_s - time_s[t] < SHAFT_MARGIN_S)
            tip[t] = shaft_tip(hunt, t, hunt->cluster->catheter_from_last, 1.5);
    }
}

/* Middle tip row over [from_s, to_s]; false with fewer than two tips there. */
static bool middle_tip(const struct hunt *hunt, const long *tip, double from_s, double to_s, double *middle)
{
    double rows[128];
    size_t n = 0;

    for (size_t t = frame_at(hunt->follow, from_s); t < hunt->follow->n_frames && n < 128; t++) {
        if (hunt->follow->time_s[t] > to_s)
            break;
        if (tip[t] >= 0 && hunt->follow->time_s[t] >= from_s)
            rows[n++] = (double)tip[t];
    }
    if (n < 2)
        return false;
    *middle = statistics_median(rows, n);
    return true;
}

/* Bubbles that leave a resting catheter join its line: the tip seems to leap ahead. The
 * greatest such leap is undone, so that what lies ahead of it can be told from the shaft. */
static void undo_leap(const struct hunt *hunt, long *tip)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    double ahead = hunt->cluster->catheter_from_last ? -1.0 : 1.0;
    double greatest = LEAST_LEAP_MM;
    double rest = 0.0;
    size_t at = n;

    for (size_t t = 0; t < n; t++) {
        double earlier = 0.0;
        double before = 0.0;
        double after = 0.0;
        double later = 0.0;
        double leap = 0.0;

        if (tip[t] < 0 || !middle_tip(hunt, tip, time_s[t] - 1.6, time_s[t] - 0.8, &earlier) ||
            !middle_tip(hunt, tip, time_s[t] - 0.8, time_s[t] - 1e-6, &before) ||
            !middle_tip(hunt, tip, time_s[t], time_s[t] + 0.8, &after))
            continue;
        leap = ahead * (after - before) * FOLLOW_STEP_MM;
        if (middle_tip(hunt, tip, time_s[t] + 0.8, time_s[t] + 2.4, &later) &&
            fabs(later - after) * FOLLOW_STEP_MM > MOST_CREEP_MM)
            continue; /* still on its way in */
        if (fabs(before - earlier) * FOLLOW_STEP_MM < 1.5 && leap > greatest && leap < MOST_LEAP_MM) {
            greatest = leap;
            rest = before;
            at = t;
        }
    }
    for (size_t t = at; t < n; t++)
        if (tip[t] >= 0 && ahead * ((double)tip[t] - rest) > 0.0)
            tip[t] = (long)rest;
}

static bool find_catheter(struct hunt *hunt, long *tip)
{
    size_t n = hunt->follow->n_frames;
    long *other = calloc(n, sizeof *other);
    size_t n_first = 0;
    size_t n_last = 0;
    double step_s = n > 1 ? (hunt->follow->time_s[n - 1] - hunt->follow->time_s[0]) / (double)(n - 1) : 1.0;

    if (other == NULL)
        return false;
    n_last = mark_shafts(hunt, true, tip);
    n_first = mark_shafts(hunt, false, other);
    if (n_first > n_last) {
        memcpy(tip, other, n * sizeof *tip);
        hunt->cluster->catheter_from_last = false;
    } else {
        hunt->cluster->catheter_from_last = true;
    }
    hunt->cluster->has_catheter = (double)(n_first > n_last ? n_first : n_last) * step_s >= 0.8;
    if (!hunt->cluster->has_catheter) {
        for (size_t t = 0; t < n; t++)
            tip[t] = -1;
    } else {
        widen_shafts(hunt, tip);
        undo_leap(hunt, tip);
    }
    for (size_t t = 0; t < n; t++)
        if (tip[t] >= 0) {
            hunt->cluster->sight[t].has_tip = true;
            hunt->cluster->sight[t].tip_along_mm = along_of(hunt, (double)tip[t]);
            hunt->cluster->sight[t].tip_across_mm =
                across_of(hunt, hunt->crest_column[t * hunt->n_rows + (size_t)tip[t]]);
        }
    hunt->cluster->catheter_odds = !hunt->cluster->has_catheter        ? 0.0
                                   : hunt->cluster->catheter_from_last ? 4.0
                                                                       : -4.0;
    free(other);
    return true;
}

/* ---- the cluster's way ---- */

/* Luma of the shaft itself: nearly its brightest from 4 to 20 mm behind the tip. */
static double shaft_luma(const struct hunt *hunt, size_t frame, long tip)
{
    long direction = hunt->cluster->catheter_from_last ? 1 : -1;
    double luma[48];
    size_t n = 0;

    for (long k = (long)(4.0 / FOLLOW_STEP_MM); k < (long)(20.0 / FOLLOW_STEP_MM) && n < 48; k++) {
        long row = tip + direction * k;

        if (row >= 0 && row < (long)hunt->n_rows)
            luma[n++] = hunt->crest_luma[frame * hunt->n_rows + (size_t)row];
    }
    return n > 0 ? statistics_quantile(luma, n, 0.9) : 255.0;
}

/* What being at a row in a frame is worth. With a catheter there only what outshines it can be told. */
static double worth(const struct hunt *hunt, const long *tip, const double *shaft, size_t frame, size_t row)
{
    double excess = (double)hunt->crest[frame * hunt->n_rows + row];
    double value = excess - SEEN;

    if (along_of(hunt, (double)row) < -4.0 || along_of(hunt, (double)row) > hunt->length_mm + 4.0)
        return -4.0;
    if (tip[frame] >= 0) {
        long behind = hunt->cluster->catheter_from_last ? (long)row - tip[frame] : tip[frame] - (long)row;
        double luma = hunt->crest_luma[frame * hunt->n_rows + row];

        if ((double)behind * FOLLOW_STEP_MM > 8.0)
            return -2.0;
        if ((double)behind * FOLLOW_STEP_MM > -SHAFT_BLUR_MM)
            value = fmin(value, (luma - shaft[frame]) / hunt->noise - OUTSHINES);
    }
    return fmin(fmax(value, -4.0), 5.0);
}

/* Best way through all frames (dynamic programming): row of each frame or -1. */
static bool find_way(const struct hunt *hunt, const long *tip, long *way)
{
    size_t n = hunt->follow->n_frames;
    size_t n_states = hunt->n_rows + 1; /* the last: not there */
    double *value = calloc(2 * n_states, sizeof *value);
    short *back = malloc(n * n_states * sizeof *back);
    long reach = (long)(3.0 / FOLLOW_STEP_MM);
    size_t state = 0;
    double *level = calloc(n, sizeof *level);

    if (value == NULL || back == NULL || level == NULL) {
        free(value);
        free(back);
        free(level);
        return false;
    }
    for (size_t t = 0; t < n; t++)
        if (tip[t] >= 0)
            level[t] = shaft_luma(hunt, t, tip[t]);
    for (size_t t = 0; t < n; t++) {
        const double *before = value + (t + 1) % 2 * n_states;
        double *now = value + t % 2 * n_states;
        size_t best_before = 0;

        for (size_t r = 1; r < hunt->n_rows; r++)
            if (before[r] > before[best_before])
                best_before = r;
        for (size_t r = 0; r < hunt->n_rows; r++) {
            double best = t == 0 ? 0.0 : before[hunt->n_rows] - APPEAR_COST;
            short from = (short)hunt->n_rows;

            for (long k = -reach; k <= reach && t > 0; k++) {
                long row = (long)r + k;
                double move = fabs((double)k) * FOLLOW_STEP_MM;
                double cost = move > FREE_MOVE_MM ? (move - FREE_MOVE_MM) * MOVE_COST_PER_MM : 0.0;

                if (row >= 0 && row < (long)hunt->n_rows && before[row] - cost > best) {
                    best = before[row] - cost;
                    from = (short)row;
                }
            }
            if (t > 0 && before[best_before] - JUMP_COST > best) {
                best = before[best_before] - JUMP_COST;
                from = (short)best_before;
            }
            now[r] = best + worth(hunt, tip, level, t, r);
            back[t * n_states + r] = from;
        }
        now[hunt->n_rows] = t == 0 ? 0.0 : before[hunt->n_rows];
        back[t * n_states + hunt->n_rows] = (short)hunt->n_rows;
        if (t > 0 && before[best_before] - VANISH_COST > now[hunt->n_rows]) {
            now[hunt->n_rows] = before[best_before] - VANISH_COST;
            back[t * n_states + hunt->n_rows] = (short)best_before;
        }
    }
    {
        const double *last = value + (n - 1) % 2 * n_states;

        state = hunt->n_rows;
        for (size_t i = 0; i < hunt->n_rows; i++)
            if (last[i] > last[state])
                state = i;
    }
    for (size_t t = n; t-- > 0;) {
        way[t] = state == hunt->n_rows ? -1 : (long)state;
        state = (size_t)back[t * n_states + state];
    }
    free(value);
    free(back);
    free(level);
    return true;
}

/* ---- the cluster in one frame ---- */

/* Takes the shaft's own brightness away: its cross profile, from well behind the tip. */
static void remove_shaft(const struct hunt *hunt, struct raster *excess, long tip)
{
    long direction = hunt->cluster->catheter_from_last ? 1 : -1;
    double series[40];

    for (size_t column = 0; column < hunt->n_columns; column++) {
        size_t n = 0;
        double level = 0.0;

        for (long k = (long)(6.0 / FOLLOW_STEP_MM); k < (long)(16.0 / FOLLOW_STEP_MM) && n < 40; k++) {
            long row = tip + direction * k;

            if (row >= 0 && row < (long)hunt->n_rows)
                series[n++] = (double)excess->value[(size_t)row * hunt->n_columns + column];
        }
        if (n < 5)
            continue;
        level = fmax(statistics_median(series, n), 0.0);
        for (long row = tip; row >= 0 && row < (long)hunt->n_rows; row += direction)
            excess->value[(size_t)row * hunt->n_columns + column] -= (float)level;
    }
}

/* Marks a place and the marked places joined to it; the mass of the piece. */
static double flood(const struct hunt *hunt, const struct raster *excess, unsigned char *mark, size_t at,
                    size_t *stack)
{
    double mass = 0.0;
    size_t n = 0;

    stack[n++] = at;
    mark[at] = 2;
    while (n > 0) {
        size_t i = stack[--n];
        const long steps[4] = {1, -1, (long)hunt->n_columns, -(long)hunt->n_columns};

        mass += (double)excess->value[i];
        for (int k = 0; k < 4; k++) {
            long next = (long)i + steps[k];

            if (next >= 0 && next < (long)(hunt->n_rows * hunt->n_columns) && mark[next] == 1) {
                mark[next] = 2;
                stack[n++] = (size_t)next;
            }
        }
    }
    return mass;
}

static int count_pieces(const struct hunt *hunt, const struct raster *excess, unsigned char *mark,
                        double total, size_t *stack)
{
    int pieces = 0;

    for (size_t i = 0; i < hunt->n_rows * hunt->n_columns; i++)
        if (mark[i] == 1 && flood(hunt, excess, mark, i, stack) > 0.1 * total)
            pieces++;
    return pieces > 0 ? pieces : 1;
}

struct sighting {
    struct hunt *hunt;
    const long *way;
    const long *tip;
};

static void sight_frame(void *context, size_t frame)
{
    struct sighting *sighting = context;
    struct hunt *hunt = sighting->hunt;
    struct bubble_sight *sight = &hunt->cluster->sight[frame];
    size_t n = hunt->n_rows * hunt->n_columns;
    struct raster *excess = NULL;
    unsigned char *mark = NULL;
    size_t *stack = NULL;
    long centre_row = sighting->way[frame];
    long reach = (long)(CLUSTER_REACH_MM / FOLLOW_STEP_MM);
    long centre_column = 0;
    double peak = 0.0;
    double total = 0.0, x = 0.0, y = 0.0, xx = 0.0;

    if (centre_row < 0)
        return;
    excess = take_excess(hunt, frame);
    mark = calloc(n, 1);
    stack = malloc(n * sizeof *stack);
    if (excess == NULL || mark == NULL || stack == NULL) {
        hunt->is_failed = true;
    } else {
        centre_column = hunt->crest_column[frame * hunt->n_rows + (size_t)centre_row];
        if (sighting->tip[frame] >= 0)
            remove_shaft(hunt, excess, sighting->tip[frame]);
        for (long row = centre_row - 5; row <= centre_row + 5; row++)
            for (long column = 0; column < (long)hunt->n_columns; column++)
                if (row >= 0 && row < (long)hunt->n_rows)
                    peak = fmax(peak, (double)excess->value[(size_t)row * hunt->n_columns + (size_t)column]);
        for (long row = centre_row - reach; row <= centre_row + reach; row++)
            for (long column = centre_column - reach; column <= centre_column + reach; column++) {
                size_t i = (size_t)row * hunt->n_columns + (size_t)column;
                double value = 0.0;

                if (row < 0 || column < 0 || row >= (long)hunt->n_rows || column >= (long)hunt->n_columns)
                    continue;
                value = (double)excess->value[i];
                if (value < fmax(CLUSTER_SHARE * peak, 2.5 * hunt->noise))
                    continue;
                mark[i] = 1;
                total += value;
                x += value * (double)column;
                y += value * (double)row;
                xx += value * (double)(row * row + column * column);
            }
        if (total > 0.0) {
            x /= total;
            y /= total;
            sight->is_seen = true;
            sight->along_mm = along_of(hunt, y);
            sight->across_mm = across_of(hunt, x);
            sight->spread_mm = sqrt(fmax(xx / total - x * x - y * y, 0.0)) * FOLLOW_STEP_MM;
            sight->strength = peak;
            sight->pieces = count_pieces(hunt, excess, mark, total, stack);
        }
    }
    raster_free(&excess);
    free(mark);
    free(stack);
}

/* ---- the instant ---- */

struct masses {
    struct hunt *hunt;
    double *mass;
    size_t row, column;
};

/* Brightness within 2.5 mm of a place. */
static void weigh_frame(void *context, size_t frame)
{
    struct masses *masses = context;
    struct hunt *hunt = masses->hunt;
    struct raster *excess = take_excess(hunt, frame);
    long reach = (long)(2.6 / FOLLOW_STEP_MM);

    if (excess == NULL) {
        hunt->is_failed = true;
        return;
    }
    for (long dy = -reach; dy <= reach; dy++)
        for (long dx = -reach; dx <= reach; dx++) {
            long row = (long)masses->row + dy;
            long column = (long)masses->column + dx;

            if (dx * dx + dy * dy <= reach * reach && row >= 0 && column >= 0 && row < (long)hunt->n_rows &&
                column < (long)hunt->n_columns)
                masses->mass[frame] +=
                    fmax((double)excess->value[(size_t)row * hunt->n_columns + (size_t)column], 0.0);
        }
    raster_free(&excess);
}

/* The step that parts a trace best: last sample before it. */
static size_t best_step(const double *mass, size_t from, size_t to, double *before, double *after)
{
    double best = -1.0;
    size_t at = from;

    for (size_t cut = from; cut < to; cut++) {
        double low = 0.0, high = 0.0;
        double n_low = (double)(cut - from + 1);
        double n_high = (double)(to - cut);
        double between = 0.0;

        for (size_t i = from; i <= to; i++)
            *(i <= cut ? &low : &high) += mass[i];
        low /= n_low;
        high /= n_high;
        between = high > low ? n_low * n_high * (high - low) * (high - low) : 0.0;
        if (between > best) {
            best = between;
            at = cut;
            *before = low;
            *after = high;
        }
    }
    return at;
}

/* First frame in which the instant may lie: a few seconds before the first sight; while a
 * catheter is there, back to when its tip came to rest, since it may outshine the bubbles. */
static size_t window_start(const struct hunt *hunt, size_t first_seen, const long *tip)
{
    const struct follow *follow = hunt->follow;
    size_t from = frame_at(follow, follow->time_s[first_seen] - 6.0);
    long direction = hunt->cluster->catheter_from_last ? 1 : -1;
    size_t latest = frame_at(follow, follow->time_s[first_seen] + 0.5);
    size_t t = latest;
    size_t deepest = 0;
    double gone_s = 0.0;

    while (t > 0 && tip[t] < 0 && follow->time_s[latest] - follow->time_s[t] < 8.0)
        t--;
    if (tip[t] < 0)
        return from;
    deepest = t; /* back over the catheter's stay, small holes allowed, to where its tip was deepest */
    gone_s = follow->time_s[t];
    for (size_t k = t; k > 0 && gone_s - follow->time_s[k] < 2.0; k--)
        if (tip[k] >= 0) {
            gone_s = follow->time_s[k];
            if (direction * (tip[k] - tip[deepest]) < 0)
                deepest = k;
        }
    for (t = deepest, gone_s = follow->time_s[t]; t > 0 && gone_s - follow->time_s[t] < 1.0; t--)
        if (tip[t] >= 0) {
            if ((double)(direction * (tip[t] - tip[deepest])) * FOLLOW_STEP_MM > 9.0)
                break;
            gone_s = follow->time_s[t];
        }
    return t < from ? t : from;
}

/* When the brightness at the cluster's first place rose. The way may start a little late or,
 * taking the tip for cluster, a little early. */
static bool find_onset(struct hunt *hunt, size_t first_seen, const long *tip,
                       const struct bubble_sight *place)
{
    const struct follow *follow = hunt->follow;
    struct masses masses = {.hunt = hunt};
    double *mass = calloc(follow->n_frames, sizeof *mass);
    size_t from = window_start(hunt, first_seen, tip);
    size_t to = frame_at(follow, follow->time_s[first_seen] + 6.0);
    double before = 0.0;
    double after = 0.0;

    if (mass == NULL)
        return false;
    masses.mass = mass;
    masses.row = (size_t)fmax(0.0, round((place->along_mm - follow->row_from_mm) / FOLLOW_STEP_MM));
    masses.column =
        (size_t)fmax(0.0, round(place->across_mm / FOLLOW_STEP_MM + (double)(hunt->n_columns / 2)));
    for (size_t t = from; t <= to; t++)
        weigh_frame(&masses, t);
    hunt->cluster->onset = best_step(mass, from, to, &before, &after) + 1;
    if (hunt->cluster->onset >= follow->n_frames || after < 1.4 * before)
        hunt->cluster->onset = first_seen;
    free(mass);
    return !hunt->is_failed;
}

/* Middle sight of the first second after a frame. */
static bool early_sight(const struct hunt *hunt, size_t from, double from_s, double to_s,
                        struct bubble_sight *early)
{
    const struct follow *follow = hunt->follow;
    double along[64];
    double across[64];
    size_t n = 0;

    for (size_t t = from; t < follow->n_frames && n < 64; t++) {
        const struct bubble_sight *sight = &hunt->cluster->sight[t];

        if (follow->time_s[t] > follow->time_s[from] + to_s)
            break;
        if (sight->is_seen && follow->time_s[t] >= follow->time_s[from] + from_s) {
            along[n] = sight->along_mm;
            across[n++] = sight->across_mm;
        }
    }
    if (n == 0)
        return false;
    early->along_mm = statistics_median(along, n);
    early->across_mm = statistics_median(across, n);
    return true;
}

/* Between the instant and the first sight the cluster lay at its first place, beside the shaft. */
static void fill_gap(struct hunt *hunt, long *way, const long *tip, size_t first,
                     const struct bubble_sight *early)
{
    struct sighting sighting = {.hunt = hunt, .way = way, .tip = tip};
    long row = lround((early->along_mm - hunt->follow->row_from_mm) / FOLLOW_STEP_MM);

    for (size_t t = hunt->cluster->onset; t < first; t++) {
        way[t] = row < 0 ? 0 : row >= (long)hunt->n_rows ? (long)hunt->n_rows - 1 : row;
        sight_frame(&sighting, t);
    }
    for (size_t t = 0; t < hunt->cluster->onset; t++)
        hunt->cluster->sight[t].is_seen = false;
}

/* Where the first chain of sights begins that carries weight: a catheter on its way in may be
 * taken for bubbles for an instant. n_frames when there is none. */
static size_t first_chain(const struct hunt *hunt, const long *way)
{
    size_t n = hunt->follow->n_frames;
    double most = 0.0;

    for (int pass = 0; pass < 2; pass++)
        for (size_t t = 0; t < n;) {
            size_t end = t + 1;
            double weight = 0.0;

            if (way[t] < 0) {
                t++;
                continue;
            }
            while (end < n && way[end] >= 0 && (double)labs(way[end] - way[end - 1]) * FOLLOW_STEP_MM < 4.0)
                end++;
            for (size_t k = t; k < end; k++)
                weight += fmin((double)hunt->crest[k * hunt->n_rows + (size_t)way[k]], 15.0);
            if (pass == 0)
                most = fmax(most, weight);
            else if (weight >= 0.25 * most)
                return t;
            t = end;
        }
    return n;
}

/* Bubbles stay for some time after the catheter has gone; its own glints and passing speckle do not. */
static bool has_stayed(const struct hunt *hunt, const long *way, const long *tip, size_t first)
{
    const struct follow *follow = hunt->follow;
    double left_s = follow->time_s[follow->n_frames - 1] - follow->time_s[first];
    double alone_s = 0.0;
    double strength = 0.0;
    double n = 0.0;

    for (size_t t = first; t + 1 < follow->n_frames; t++)
        if (hunt->cluster->sight[t].is_seen) {
            alone_s += tip[t] < 0 ? fmin(follow->time_s[t + 1] - follow->time_s[t], 1.0) : 0.0;
            strength += (double)hunt->crest[t * hunt->n_rows + (size_t)way[t]];
            n += 1.0;
        }
    return alone_s >= fmin(LEAST_STAY_S, fmax(0.5 * left_s, 1.0)) && strength / n >= LEAST_STRENGTH;
}

static void forget_sights(struct cluster *cluster)
{
    for (size_t t = 0; t < cluster->n; t++)
        cluster->sight[t].is_seen = false;
}

/* Mean crest of the rows beyond an end of the stripe and a little way in, in each frame. */
static void mean_beyond(const struct hunt *hunt, bool is_last, double *mean)
{
    size_t n_rows = (size_t)((SHAFT_ENTERS_MM + 4.0) / FOLLOW_STEP_MM);

    for (size_t t = 0; t < hunt->follow->n_frames; t++) {
        const float *crest = hunt->crest + t * hunt->n_rows;

        mean[t] = 0.0;
        for (size_t i = 0; i < n_rows && i < hunt->n_rows; i++)
            mean[t] += (double)crest[is_last ? hunt->n_rows - 1 - i : i] / (double)n_rows;
    }
}

/* By how much a trace stands out about the instant of the deposit, in its own usual scatter;
 * scratch holds n_frames values. */
static double stands_out(const struct follow *follow, const double *trace, size_t onset, double *scratch)
{
    double during = 0.0;
    double n_during = 0.0;
    double middle = 0.0;
    size_t n = 0;

    for (size_t t = 0; t < follow->n_frames; t++) {
        double away_s = follow->time_s[t] - follow->time_s[onset];

        if (away_s >= -1.0 && away_s <= 1.0) {
            during += trace[t];
            n_during += 1.0;
        } else if (away_s < -15.0 || away_s > 25.0) {
            scratch[n++] = trace[t];
        }
    }
    if (n < 20 || n_during < 1.0)
        return 0.0;
    middle = statistics_median(scratch, n);
    return (during / n_during - middle) / fmax(statistics_spread(scratch, n), 0.15);
}

/* The catheter lies in its canal while the bubbles leave it: the end of the stripe that it
 * passes is brighter then than before and after. */
static bool tell_catheter_side(struct hunt *hunt)
{
    struct cluster *cluster = hunt->cluster;
    double *trace = calloc(2 * hunt->follow->n_frames, sizeof *trace);
    double *scratch = trace != NULL ? trace + hunt->follow->n_frames : NULL;
    double first = 0.0;
    double last = 0.0;

    if (trace == NULL)
        return false;
    mean_beyond(hunt, false, trace);
    first = stands_out(hunt->follow, trace, cluster->onset, scratch);
    mean_beyond(hunt, true, trace);
    last = stands_out(hunt->follow, trace, cluster->onset, scratch);
    free(trace);
    cluster->catheter_odds = fmax(first, last) > 2.5 ? fmin(fmax(1.0 * (last - first), -5.0), 5.0) : 0.0;
    return true;
}

static bool judge(struct hunt *hunt, long *way, const long *tip, struct text_list *reasons)
{
    const struct follow *follow = hunt->follow;
    struct cluster *cluster = hunt->cluster;
    struct bubble_sight early = {0};
    size_t first = 0;

    first = first_chain(hunt, way);
    for (size_t t = 0; t < first; t++)
        memset(&cluster->sight[t], 0, offsetof(struct bubble_sight, has_tip));
    if (first == follow->n_frames || !has_stayed(hunt, way, tip, first)) {
        forget_sights(cluster);
        return true;
    }
    cluster->is_present = true;
    if (follow->time_s[first] - follow->time_s[0] < 0.5) {
        (void)text_list_add(
            reasons,
            "bubbles are there from the first frame on: the instant of the deposit was not recorded");
        return true;
    }
    if (!early_sight(hunt, first, 0.0, 1.5, &early))
        return true;
    if (!find_onset(hunt, first, tip, &early))
        return false;
    fill_gap(hunt, way, tip, first, &early);
    cluster->has_onset = true;
    if (!tell_catheter_side(hunt))
        return false;
    cluster->onset_error_s =
        cluster->onset > 0 ? follow->time_s[cluster->onset] - follow->time_s[cluster->onset - 1] : 0.0;
    return true;
}

static void hunt_free(struct hunt *hunt)
{
    free(hunt->background);
    free(hunt->typical);
    free(hunt->crest);
    free(hunt->crest_column);
    free(hunt->crest_luma);
}

bool cluster_find(struct cluster *cluster, const struct follow *follow, double length_mm,
                  struct text_list *reasons, struct error **err)
{
    struct hunt hunt = {.follow = follow,
                        .cluster = cluster,
                        .n_rows = follow->n_rows,
                        .n_columns = follow->n_columns,
                        .length_mm = length_mm};
    long *tip = calloc(follow->n_frames + 1, sizeof *tip);
    long *way = calloc(follow->n_frames + 1, sizeof *way);
    bool is_made = false;

    memset(cluster, 0, sizeof *cluster);
    cluster->n = follow->n_frames;
    cluster->sight = calloc(follow->n_frames + 1, sizeof *cluster->sight);
    is_made = tip && way && cluster->sight;
    if (is_made && follow->n_frames >= 8) {
        is_made = fill_background(&hunt) && fill_crests(&hunt) && find_catheter(&hunt, tip) &&
                  find_way(&hunt, tip, way);
        if (is_made) {
            struct sighting sighting = {.hunt = &hunt, .way = way, .tip = tip};

            parallel_run(follow->n_frames, 0, sight_frame, &sighting);
            is_made = !hunt.is_failed && judge(&hunt, way, tip, reasons);
        }
    }
    hunt_free(&hunt);
    free(tip);
    free(way);
    if (!is_made) {
        cluster_free(cluster);
        return error_memory(err);
    }
    return true;
}

void cluster_free(struct cluster *cluster)
{
    if (cluster == NULL)
        return;
    free(cluster->sight);
    memset(cluster, 0, sizeof *cluster);
}
