#include "measure/overlay.h"

#include "base/parallel.h"
#include "measure/carry.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double WINDOW_S = 6.0; /* two breaths or more in 12 s; the walk of a probe shows in it too */
static const size_t LEAST_SIGHTS = 8;
static const size_t LEAST_WINDOWS = 2; /* in which it stands still */
/* Of the ways that a place goes on the screen and in the tissue, the first is so much the shorter for a mark,
 * and the tissue has moved by so much (root mean square, straight line taken out). A centre is told to about
 * 0.1 mm, tissue goes 0.3 to 1 mm with a breath: the shares are 0.3 and less for marks, 1.5 and more for
 * bubbles. */
static const double STILL_SHARE = 0.5;
static const double LEAST_MOVED_MM = 0.2;
static const double REACH_MM = 30.0; /* of text beside the place */
static const double CORE_MM = 0.8;   /* of a mark: half the width of a stroke and the blur of the canvas */
static const double STEP_LUMA = 20.0;
static const double STEP_FROM_S = 0.3; /* to either side of the moment */
static const double STEP_TO_S = 3.0;
static const double STEADY_LUMA =
    12.0; /* scatter of a drawn place, coding noise and blurred edges included */
enum { MOST_CELLS = 2 * 75 + 1, SPREAD_CELLS = 1, FILL_REACH = 12 };

/* The screen about the mark, in cells of FOLLOW_STEP_MM. */
struct cell {
    double n, sum, squares;
};

struct overlay {
    const struct follow *follow;
    const struct canvas *canvas;
    const struct cluster *cluster;
    double at_mm[2];     /* the mark's place on the screen */
    size_t from, until;  /* frames in which it is the cluster */
    size_t n_telling;    /* windows that tell what is drawn from what goes with the tissue */
    size_t onset;        /* frame in which it was drawn */
    struct cell *before; /* MOST_CELLS squared */
    struct cell *after;
    uint8_t *core;     /* what the mark covers fully */
    uint8_t *is_drawn; /* MOST_CELLS squared: or blurs */
    uint8_t *strip;
    double drawn, undrawn; /* mean luma of the drawn cells after and before */
    bool *is_failed;       /* per frame */
};

/* ---- from the strip to the screen ---- */

struct row_place {
    double x_mm, y_mm, normal_x, normal_y;
};

/* Where the rows of the strip lie on the screen in a frame; rows holds n_rows. */
static void place_rows(const struct overlay *overlay, size_t frame, struct row_place *rows)
{
    const struct follow *follow = overlay->follow;
    double shift[2 * FOLLOW_MOST_POSITIONS];
    double scratch[2 * FOLLOW_MOST_POSITIONS];

    carry_fill(follow, overlay->canvas, frame, shift, scratch);
    for (size_t row = 0; row < follow->n_rows; row++) {
        double along = follow->row_from_mm + (double)row * FOLLOW_STEP_MM;
        struct row_place *place = &rows[row];
        double dx = 0.0, dy = 0.0;

        centre_line_at(&follow->line, along - follow->line_from_mm, 0.0, &place->x_mm, &place->y_mm);
        centre_line_at(&follow->line, along - follow->line_from_mm, 1.0, &place->normal_x, &place->normal_y);
        place->normal_x -= place->x_mm;
        place->normal_y -= place->y_mm;
        carry_at(follow, shift, along, &dx, &dy);
        place->x_mm += dx;
        place->y_mm += dy;
    }
}

/* Cell of a place of the strip; -1 when it lies beyond the reach. */
static long cell_of(const struct overlay *overlay, const struct row_place *row, size_t column)
{
    double across = ((double)column - (double)(overlay->follow->n_columns / 2)) * FOLLOW_STEP_MM;
    long x = lround((row->x_mm + across * row->normal_x - overlay->at_mm[0]) / FOLLOW_STEP_MM);
    long y = lround((row->y_mm + across * row->normal_y - overlay->at_mm[1]) / FOLLOW_STEP_MM);
    long half = MOST_CELLS / 2;

    return labs(x) > half || labs(y) > half || hypot((double)x, (double)y) * FOLLOW_STEP_MM > REACH_MM
               ? -1
               : (y + half) * MOST_CELLS + x + half;
}

/* ---- whether it stands still ---- */

/* Squares about a straight line through values over time. */
static double squares_about_line(const double *time_s, const double *value, size_t n)
{
    double mean_t = 0.0, mean_v = 0.0, tt = 0.0, tv = 0.0, vv = 0.0;

    for (size_t i = 0; i < n; i++) {
        mean_t += time_s[i] / (double)n;
        mean_v += value[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        tt += (time_s[i] - mean_t) * (time_s[i] - mean_t);
        tv += (time_s[i] - mean_t) * (value[i] - mean_v);
        vv += (value[i] - mean_v) * (value[i] - mean_v);
    }
    return fmax(vv - (tt > 0.0 ? tv * tv / tt : 0.0), 0.0);
}

static void screen_place(const struct overlay *overlay, size_t t, double place_mm[2])
{
    const struct bubble_sight *sight = &overlay->cluster->sight[t];
    struct point place = follow_place(overlay->follow, overlay->canvas, t, sight->along_mm, sight->across_mm);

    canvas_to_mm(overlay->canvas, place, place_mm);
}

/* Whether what is seen in the window of frames [from, end) stands still on the screen while the tissue moves;
 * then its place there. *n_telling: one more where screen and tissue move against one another. values holds 5
 * x (end - from). */
static bool is_still(const struct overlay *overlay, size_t from, size_t end, double *values, double place[2],
                     size_t *n_telling)
{
    size_t room = end - from;
    double *time_s = values;
    double *at[4] = {values + room, values + 2 * room, values + 3 * room, values + 4 * room};
    double squares[2] = {0};
    size_t n = 0;

    place[0] = place[1] = 0.0;
    for (size_t t = from; t < end; t++) {
        const struct bubble_sight *sight = &overlay->cluster->sight[t];
        double place_mm[2];

        if (!sight->is_seen)
            continue;
        time_s[n] = overlay->follow->time_s[t];
        screen_place(overlay, t, place_mm);
        at[0][n] = place_mm[0];
        at[1][n] = place_mm[1];
        at[2][n] = sight->along_mm;
        at[3][n] = sight->across_mm;
        place[0] += at[0][n];
        place[1] += at[1][n];
        n++;
    }
    if (n < LEAST_SIGHTS)
        return false;
    place[0] /= (double)n;
    place[1] /= (double)n;
    for (int i = 0; i < 4; i++)
        squares[i / 2] += squares_about_line(time_s, at[i], n) / (double)n;
    *n_telling += sqrt(fmax(squares[0], squares[1])) > LEAST_MOVED_MM;
    return sqrt(squares[1]) > LEAST_MOVED_MM && sqrt(squares[0]) < STILL_SHARE * sqrt(squares[1]);
}

/* The longest run of windows in which it stands still in one place; false when there is none of two. */
static bool find_still(struct overlay *overlay)
{
    const struct follow *follow = overlay->follow;
    double *values = malloc(5 * (follow->n_frames + 1) * sizeof *values);
    size_t run = 0, best = 0, run_from = 0;
    double at[2] = {0};

    if (values == NULL) {
        overlay->is_failed[0] = true;
        return false;
    }
    for (size_t from = 0, end = 0; from < follow->n_frames; from = end) {
        double place[2];

        while (end < follow->n_frames && follow->time_s[end] - follow->time_s[from] < WINDOW_S)
            end++;
        if (!is_still(overlay, from, end, values, place, &overlay->n_telling)) {
            run = 0;
            continue;
        }
        if (run > 0 && hypot(place[0] - at[0], place[1] - at[1]) > CORE_MM)
            run = 0;
        if (run++ == 0)
            run_from = from;
        at[0] = place[0];
        at[1] = place[1];
        if (run > best) {
            best = run;
            overlay->from = run_from;
            overlay->until = end;
            overlay->at_mm[0] = place[0];
            overlay->at_mm[1] = place[1];
        }
    }
    free(values);
    return best >= LEAST_WINDOWS;
}

/* ---- since when, and how far it reaches ---- */

/* Mean luma near the mark's place in a frame; NAN where the strip does not reach there. */
static double luma_at_mark(const struct overlay *overlay, size_t frame, struct row_place *rows)
{
    const struct follow *follow = overlay->follow;
    const uint8_t *luma = overlay->strip + frame * follow->n_rows * follow->n_columns;
    double sum = 0.0;
    double n = 0.0;

    place_rows(overlay, frame, rows);
    for (size_t row = 0; row < follow->n_rows; row++)
        for (size_t column = 0; column < follow->n_columns; column++) {
            double across = ((double)column - (double)(follow->n_columns / 2)) * FOLLOW_STEP_MM;

            if (hypot(rows[row].x_mm + across * rows[row].normal_x - overlay->at_mm[0],
                      rows[row].y_mm + across * rows[row].normal_y - overlay->at_mm[1]) > CORE_MM)
                continue;
            sum += (double)luma[row * follow->n_columns + column];
            n += 1.0;
        }
    return n > 0.0 ? sum / n : NAN;
}

struct series {
    const struct overlay *overlay;
    double *luma;
};

static void fill_luma(void *context, size_t frame)
{
    const struct series *series = context;
    struct row_place *rows = malloc(series->overlay->follow->n_rows * sizeof *rows);

    series->luma[frame] = NAN;
    if (rows == NULL)
        series->overlay->is_failed[frame] = true;
    else
        series->luma[frame] = luma_at_mark(series->overlay, frame, rows);
    free(rows);
}

/* The frame at which the mark's place became bright: the best single step up to the time when it is surely
 * there. */
static void date_mark(struct overlay *overlay, const double *luma)
{
    size_t last = (overlay->from + overlay->until) / 2;
    double total = 0.0, n_total = 0.0, sum = 0.0, n = 0.0, best = 0.0;

    overlay->onset = 0;
    for (size_t t = 0; t <= last; t++)
        if (isfinite(luma[t])) {
            total += luma[t];
            n_total += 1.0;
        }
    for (size_t t = 0; t < last; t++) {
        double rise = 0.0;

        if (!isfinite(luma[t]))
            continue;
        sum += luma[t];
        n += 1.0;
        rise = n < n_total ? (total - sum) / (n_total - n) - sum / n : 0.0;
        if (rise > 0.0 && rise * rise * n * (n_total - n) > best) {
            best = rise * rise * n * (n_total - n);
            overlay->onset = t + 1;
        }
    }
}

/* What the screen's cells show in the seconds before and after the mark was drawn. */
static void fill_cells(struct overlay *overlay, struct row_place *rows)
{
    const struct follow *follow = overlay->follow;
    double onset_s = follow->time_s[overlay->onset];

    for (size_t t = 0; t < follow->n_frames; t++) {
        double away_s = follow->time_s[t] - onset_s;
        struct cell *cells = away_s < 0.0 ? overlay->before : overlay->after;
        const uint8_t *luma = overlay->strip + t * follow->n_rows * follow->n_columns;

        if (fabs(away_s) < STEP_FROM_S || fabs(away_s) > STEP_TO_S)
            continue;
        place_rows(overlay, t, rows);
        for (size_t i = 0; i < follow->n_rows * follow->n_columns; i++) {
            long cell = cell_of(overlay, &rows[i / follow->n_columns], i % follow->n_columns);

            if (cell < 0)
                continue;
            cells[cell].n += 1.0;
            cells[cell].sum += (double)luma[i];
            cells[cell].squares += (double)luma[i] * (double)luma[i];
        }
    }
}

/* A cell is drawn that became brighter at the moment and holds its brightness although the tissue moves; its
 * neighbours are blurred by it. */
static void choose_cells(struct overlay *overlay)
{
    double n = 0.0;

    for (size_t i = 0; i < (size_t)MOST_CELLS * MOST_CELLS; i++) {
        const struct cell before = overlay->before[i];
        const struct cell after = overlay->after[i];
        double mean = after.n > 0.0 ? after.sum / after.n : 0.0;
        double usual = before.n > 0.0 ? before.sum / before.n : 255.0;
        double scatter = after.n > 0.0 ? sqrt(fmax(after.squares / after.n - mean * mean, 0.0)) : HUGE_VAL;
        long x = (long)(i % MOST_CELLS) - MOST_CELLS / 2;
        long y = (long)(i / MOST_CELLS) - MOST_CELLS / 2;
        bool is_core = hypot((double)x, (double)y) * FOLLOW_STEP_MM <= CORE_MM;

        overlay->core[i] = is_core || (mean - usual >= STEP_LUMA && scatter <= STEADY_LUMA);
        if (is_core && before.n > 0.0 && after.n > 0.0) {
            overlay->drawn += mean;
            overlay->undrawn += usual;
            n += 1.0;
        }
    }
    overlay->drawn /= fmax(n, 1.0);
    overlay->undrawn /= fmax(n, 1.0);
    for (long i = 0; i < (long)MOST_CELLS * MOST_CELLS; i++)
        for (long k = -SPREAD_CELLS; k <= SPREAD_CELLS && overlay->core[i]; k++)
            for (long m = -SPREAD_CELLS; m <= SPREAD_CELLS; m++) {
                long x = i % MOST_CELLS + m;
                long y = i / MOST_CELLS + k;

                if (x >= 0 && y >= 0 && x < MOST_CELLS && y < MOST_CELLS)
                    overlay->is_drawn[y * MOST_CELLS + x] = 1;
            }
}

/* ---- taking it out ---- */

/* The mean of the nearest places that are not drawn over. */
static uint8_t from_beside(const struct overlay *overlay, const uint8_t *luma, const uint8_t *is_hidden,
                           long row, long column)
{
    long n_rows = (long)overlay->follow->n_rows;
    long n_columns = (long)overlay->follow->n_columns;

    for (long reach = 1; reach <= FILL_REACH; reach++) {
        double sum = 0.0;
        double n = 0.0;

        for (long y = row - reach; y <= row + reach; y++)
            for (long x = column - reach; x <= column + reach; x++)
                if (y >= 0 && x >= 0 && y < n_rows && x < n_columns && !is_hidden[y * n_columns + x]) {
                    sum += (double)luma[y * n_columns + x];
                    n += 1.0;
                }
        if (n >= 3.0)
            return (uint8_t)lrint(sum / n);
    }
    return luma[row * n_columns + column];
}

static void clean_frame(void *context, size_t frame)
{
    struct series *series = context;
    const struct overlay *overlay = series->overlay;
    const struct follow *follow = overlay->follow;
    size_t n = follow->n_rows * follow->n_columns;
    uint8_t *luma = overlay->strip + frame * n;
    uint8_t *is_hidden = malloc(2 * n);
    struct row_place *rows = malloc(follow->n_rows * sizeof *rows);

    if (is_hidden == NULL || rows == NULL) {
        overlay->is_failed[frame] = true;
    } else if (frame >= overlay->onset &&
               !(series->luma[frame] < 0.5 * (overlay->drawn + overlay->undrawn))) {
        uint8_t *clean = is_hidden + n;

        place_rows(overlay, frame, rows);
        for (size_t i = 0; i < n; i++) {
            long cell = cell_of(overlay, &rows[i / follow->n_columns], i % follow->n_columns);

            is_hidden[i] = cell >= 0 && overlay->is_drawn[cell];
        }
        for (size_t i = 0; i < n; i++)
            clean[i] = is_hidden[i] ? from_beside(overlay, luma, is_hidden, (long)(i / follow->n_columns),
                                                  (long)(i % follow->n_columns))
                                    : luma[i];
        memcpy(luma, clean, n);
    }
    free(is_hidden);
    free(rows);
}

static bool take_out(struct overlay *overlay)
{
    size_t n = overlay->follow->n_frames;
    struct row_place *rows = malloc(overlay->follow->n_rows * sizeof *rows);
    struct series series = {.overlay = overlay, .luma = malloc(n * sizeof *series.luma)};
    bool is_made = rows != NULL && series.luma != NULL;

    if (is_made) {
        parallel_run(n, 0, fill_luma, &series);
        date_mark(overlay, series.luma);
        fill_cells(overlay, rows);
        choose_cells(overlay);
        parallel_run(n, 0, clean_frame, &series);
    }
    free(rows);
    free(series.luma);
    return is_made;
}

bool overlay_take_out(struct follow *follow, const struct canvas *canvas, struct cluster *cluster,
                      bool *is_found, double *from_s)
{
    size_t n_cells = (size_t)MOST_CELLS * MOST_CELLS;
    struct overlay overlay = {.follow = follow,
                              .canvas = canvas,
                              .cluster = cluster,
                              .strip = follow->strip,
                              .before = calloc(n_cells, sizeof *overlay.before),
                              .after = calloc(n_cells, sizeof *overlay.after),
                              .core = calloc(n_cells, 1),
                              .is_drawn = calloc(n_cells, 1),
                              .is_failed = calloc(follow->n_frames + 1, sizeof *overlay.is_failed)};
    bool is_made = overlay.before && overlay.after && overlay.core && overlay.is_drawn && overlay.is_failed;

    *is_found = is_made && find_still(&overlay);
    cluster->may_be_drawn = overlay.n_telling < LEAST_WINDOWS;
    if (*is_found)
        is_made = take_out(&overlay);
    *from_s = follow->time_s[overlay.onset];
    for (size_t t = 0; is_made && t < follow->n_frames; t++)
        is_made = !overlay.is_failed[t];
    free(overlay.before);
    free(overlay.after);
    free(overlay.core);
    free(overlay.is_drawn);
    free(overlay.is_failed);
    return is_made;
}
