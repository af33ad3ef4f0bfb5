#include "measure/stripe_tail.h"

#include "measure/centre_line.h"
#include "measure/straight.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double INWARD_MM = 5.0;
static const double OUTWARD_MM = 18.0;
static const double SMOOTH_MM = 3.0; /* of the line that is led on */
static const double COLUMN_MM = 0.25;
static const double REACH_MM = 12.0;
static const double ALONG_SIGMA_MM = 0.75;
static const double SIDE_MM = 2.5;  /* of what lies beside the bar */
static const double EDGE_MM = 0.5;  /* between bar and side */
static const double DROP = 0.5;     /* of the contrast within, that what lies beyond may have left */
static const double LINE_MM = 0.75; /* half thickness of what is a canal already, */
static const double SHORT_MM = 7.0; /* a canal is longer */
static const double THIN_MM = 2.5;  /* and below which a wedge has got thin */
static const double LEAST_MM = 1.0; /* a shorter tail is none */
static const double SHARE = 0.3;    /* of the body's detail that a tail's contrast must have */

enum { N_ACROSS = 49, N_HALVES = 5, MOST_ROWS = 64 };
static const double HALVES_MM[N_HALVES] = {0.75, 1.25, 2.0, 3.0, 4.0};
static const double LEAST_DETAIL = 3.0; /* grey levels */
static const double SEEN_MM = 4.0;      /* of the picture, to either side */
static const double STEP_COST = 0.05;   /* of the body's detail: of a step aside by a column */

struct bar {
    const struct straight *straight;
    size_t first; /* row of the straightened picture */
    bool is_down; /* rows run toward its first one */
    size_t n;
    double detail;
    double sum[MOST_ROWS][N_HALVES][N_ACROSS];
    short step[MOST_ROWS][N_HALVES][N_ACROSS];  /* column before, less this one */
    short wider[MOST_ROWS][N_HALVES][N_ACROSS]; /* half before, less this one */
    double contrast[MOST_ROWS];
    double across_mm[MOST_ROWS];
    double half_mm[MOST_ROWS];
};

static size_t row_at(const struct bar *bar, size_t i)
{
    return bar->is_down ? bar->first - i : bar->first + i;
}

static double across_at(int column)
{
    return (column - N_ACROSS / 2) * COLUMN_MM;
}

/* Of a bar against its sides, the brighter of which counts for more. */
static double contrast_of(const struct bar *bar, size_t row, double across_mm, double half_mm)
{
    double inside = straight_mean(bar->straight, row, across_mm - half_mm, across_mm + half_mm);
    double before = straight_mean(bar->straight, row, across_mm - half_mm - EDGE_MM - SIDE_MM,
                                  across_mm - half_mm - EDGE_MM);
    double after = straight_mean(bar->straight, row, across_mm + half_mm + EDGE_MM,
                                 across_mm + half_mm + EDGE_MM + SIDE_MM);

    return inside - 0.25 * (before + after) - 0.5 * fmax(before, after);
}

static void reach(struct bar *bar, size_t i, int half, int column)
{
    double best = i == 0 ? -fabs(across_at(column)) * STEP_COST * bar->detail : -HUGE_VAL;

    for (int wider = 0; i > 0 && half + wider < N_HALVES && wider <= 1; wider++)
        for (int step = -1; step <= 1; step++) {
            double before = 0.0;

            if (column + step < 0 || column + step >= N_ACROSS)
                continue;
            before = bar->sum[i - 1][half + wider][column + step] - abs(step) * STEP_COST * bar->detail;
            if (before > best) {
                best = before;
                bar->step[i][half][column] = (short)step;
                bar->wider[i][half][column] = (short)wider;
            }
        }
    bar->sum[i][half][column] = best + contrast_of(bar, row_at(bar, i), across_at(column), HALVES_MM[half]);
}

static void follow(struct bar *bar)
{
    int half = 0;
    int column = 0;

    for (size_t i = 0; i < bar->n; i++)
        for (int h = 0; h < N_HALVES; h++)
            for (int c = 0; c < N_ACROSS; c++)
                reach(bar, i, h, c);
    for (int h = 0; h < N_HALVES; h++)
        for (int c = 0; c < N_ACROSS; c++)
            if (bar->sum[bar->n - 1][h][c] > bar->sum[bar->n - 1][half][column]) {
                half = h;
                column = c;
            }
    for (size_t i = bar->n; i-- > 0;) {
        int step = bar->step[i][half][column];
        int wider = bar->wider[i][half][column];

        bar->across_mm[i] = across_at(column);
        bar->contrast[i] = contrast_of(bar, row_at(bar, i), across_at(column), HALVES_MM[half]);
        bar->half_mm[i] = HALVES_MM[half];
        half += wider;
        column += step;
    }
}

/* How many rows the contrast holds: until it falls for a millimetre below half of what it was so far. All of
 * them where it does not. */
static size_t find_drop(const struct bar *bar, size_t from)
{
    double sum = 0.0;

    for (size_t i = 0; i + 1 < bar->n; i++) {
        if (i > from && fmax(bar->contrast[i], bar->contrast[i + 1]) < DROP * sum / (double)i)
            return i;
        sum += bar->contrast[i];
    }
    return bar->n;
}

/* A wedge begins wider than a canal, and gets thin. */
static bool is_wedge(const struct bar *bar, size_t from, size_t end)
{
    double sum = 0.0;

    for (size_t i = 0; i < end; i++)
        sum += bar->contrast[i];
    return end < bar->n && (bar->half_mm[from] > LINE_MM || end < from + (size_t)(SHORT_MM / FIT_STEP_MM)) &&
           bar->half_mm[end - 1] < THIN_MM && sum > SHARE * bar->detail * (double)end;
}

/* Places along the bar from the fitted end to where it ends. */
static void fill_tail(struct stripe_tail *tail, const struct bar *bar, const struct centre_line *line,
                      size_t from, size_t end)
{
    for (size_t i = from + 1; i < end && tail->n < STRIPE_TAIL_MOST; i++, tail->n++)
        centre_line_at(line, (double)row_at(bar, i) * line->step_mm, bar->across_mm[i],
                       &tail->place_mm[tail->n][0], &tail->place_mm[tail->n][1]);
    tail->length_mm = (double)tail->n * FIT_STEP_MM;
    if (tail->length_mm < LEAST_MM)
        memset(tail, 0, sizeof *tail);
}

bool stripe_tail_find(struct stripe_tail *tail, const struct stripe_fit *fit, bool is_last,
                      const struct mean_picture *mean, struct error **err)
{
    CLEANUP(centre_line_free) struct centre_line line = {0};
    CLEANUP(straight_free) struct straight straight = {0};
    struct bar *bar = calloc(1, sizeof *bar);
    size_t outward = (size_t)lround(OUTWARD_MM / FIT_STEP_MM);
    size_t inward = (size_t)lround(INWARD_MM / FIT_STEP_MM);
    size_t end = 0;

    memset(tail, 0, sizeof *tail);
    if (bar == NULL ||
        !centre_line_make(&line, (const double(*)[2])fit->place_mm, fit->n, FIT_STEP_MM, SMOOTH_MM,
                          OUTWARD_MM + FIT_STEP_MM) ||
        !straight_make(&straight, mean->picture, mean->window, mean->pixel_mm, &line, REACH_MM, COLUMN_MM) ||
        !straight_smooth(&straight, ALONG_SIGMA_MM)) {
        free(bar);
        return error_memory(err);
    }
    bar->straight = &straight;
    bar->is_down = !is_last;
    bar->first = is_last ? straight.n_rows - 2 - outward - inward : outward + 1 + inward;
    bar->detail = fmax(fit->detail, LEAST_DETAIL);
    for (bar->n = inward; bar->n < inward + outward;
         bar->n++) /* what leaves the picture cannot be followed */
        if (!straight_is_inside(&straight, row_at(bar, bar->n), -SEEN_MM, SEEN_MM))
            break;
    follow(bar);
    end = find_drop(bar, inward);
    if (is_wedge(bar, inward, end))
        fill_tail(tail, bar, &line, inward, end);
    free(bar);
    return true;
}
