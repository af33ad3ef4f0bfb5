#include "measure/speckle.h"

#include "base/statistics.h"
#include "image/raster.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double STEP_S = 0.25;      /* between moments: bubbles move 4 mm within a second at the most */
static const double HALF_S = 0.13;      /* a moment is the mean of the frames within */
static const double FIRST_S = 0.15;     /* after the first frame: bubbles come to light */
static const double BEFORE_S = 1.0;     /* of the instant, from which on bubbles may shine */
static const double REST_S = 2.0;       /* least time without bubbles */
static const double CHANCE = 2.0;       /* standard deviations that are no bubbles */
static const double BLUR = 1.0;         /* rows and columns */
static const double DARKEST = 0.2;      /* of the moments: in which bubbles lay elsewhere */
static const double ALONG_MM = 2.0;     /* standard deviations of a piece's weight: a cluster is 1 to 2 mm */
static const double ACROSS_MM = 1.6;    /* the same across */
static const double OTHER_MM = 1.6;     /* a place so far away is another one */
static const double LEAD = 0.05;        /* by which the best place must lead it */
static const double ALIKE = 0.5;        /* least correlation */
static const double LEAST_POWER = 0.1;  /* of what is found, over what is looked for, and back */
static const double LEAST_INSIDE = 0.5; /* of the weight that must lie in the strip */
static const double FINE_ROWS = 0.3;    /* step of the last search */
enum {
    ALONG = 10,
    TALL = 2 * ALONG + 1,
    ACROSS = 8,
    WIDE = 2 * ACROSS + 1,
    MOST_REACH = 10,
    SIDE = 2,
    SIDES = 2 * SIDE + 1,
    N_FINE = 2
};

/* ---- moments ---- */

/* The mean of the frames within reach of a time; false where there are none. */
static bool take_mean(float *mean, const struct follow *follow, double time_s)
{
    size_t strip = follow->n_rows * follow->n_columns;
    float n = 0.0F;

    for (size_t t = 0; t < follow->n_frames; t++) {
        if (fabs(follow->time_s[t] - time_s) > HALF_S)
            continue;
        for (size_t i = 0; i < strip; i++)
            mean[i] += (float)follow->strip[t * strip + i];
        n += 1.0F;
    }
    for (size_t i = 0; i < strip && n > 0.0F; i++)
        mean[i] /= n;
    return n > 0.0F;
}

static bool fill_rest(float *rest, const struct speckle *speckle, const struct follow *follow, size_t onset)
{
    size_t strip = speckle->n_rows * speckle->n_columns;
    double *values = malloc((speckle->n + 1) * sizeof *values);
    double seen_s = 0.0;
    float n = 0.0F;

    if (values == NULL)
        return false;
    for (size_t t = 1; t < onset && follow->time_s[t] < follow->time_s[onset] - BEFORE_S; t++) {
        for (size_t i = 0; i < strip; i++)
            rest[i] += (float)follow->strip[t * strip + i];
        n += 1.0F;
        seen_s += fmin(follow->time_s[t] - follow->time_s[t - 1], 0.5);
    }
    for (size_t i = 0; i < strip; i++) {
        if (seen_s >= REST_S) {
            rest[i] /= n;
            continue;
        }
        for (size_t k = 0; k < speckle->n; k++)
            values[k] = (double)speckle->excess[k * strip + i];
        rest[i] = (float)statistics_quantile(values, speckle->n, DARKEST);
    }
    free(values);
    return true;
}

/* Takes away what a moment shows without bubbles, the gain levelled out, and what chance adds. */
static bool take_away(struct speckle *speckle, size_t k, const float *rest, double *scratch)
{
    size_t strip = speckle->n_rows * speckle->n_columns;
    struct raster view = {.width_px = (int)speckle->n_columns,
                          .height_px = (int)speckle->n_rows,
                          .value = speckle->excess + k * strip};
    double lift = 0.0;

    for (size_t i = 0; i < strip; i++)
        view.value[i] -= rest[i];
    if (!raster_smooth(&view, BLUR, BLUR))
        return false;
    for (size_t i = 0; i < strip; i++)
        scratch[i] = (double)view.value[i];
    lift = statistics_median(scratch, strip);
    lift += CHANCE * statistics_spread(scratch, strip);
    for (size_t i = 0; i < strip; i++)
        view.value[i] = fmaxf(view.value[i] - (float)lift, 0.0F);
    return true;
}

static void fill_weight(struct speckle *speckle)
{
    for (long y = -ALONG; y <= ALONG; y++)
        for (long x = -ACROSS; x <= ACROSS; x++)
            speckle->weight[(y + ALONG) * WIDE + x + ACROSS] =
                (float)exp(-0.5 * (pow((double)y * FOLLOW_STEP_MM / ALONG_MM, 2.0) +
                                   pow((double)x * FOLLOW_STEP_MM / ACROSS_MM, 2.0)));
}

bool speckle_make(struct speckle *speckle, const struct follow *follow, size_t first, size_t last,
                  size_t onset)
{
    double first_s = follow->time_s[first] + FIRST_S;
    double last_s = follow->time_s[last] - HALF_S;
    size_t strip = follow->n_rows * follow->n_columns;
    double step_s = fmax(STEP_S, (last_s - first_s) / (SPECKLE_MOST_MOMENTS - 1));
    size_t n = last_s > first_s ? (size_t)floor((last_s - first_s) / step_s) + 1 : 1;
    float *rest = calloc(strip + 1, sizeof *rest);
    double *scratch = malloc((strip + 1) * sizeof *scratch);
    bool is_made = false;

    memset(speckle, 0, sizeof *speckle);
    speckle->n_rows = follow->n_rows;
    speckle->n_columns = follow->n_columns;
    speckle->moment = calloc(n, sizeof *speckle->moment);
    speckle->excess = calloc(n * strip + 1, sizeof *speckle->excess);
    speckle->weight = calloc((size_t)TALL * WIDE, sizeof *speckle->weight);
    is_made = rest && scratch && speckle->moment && speckle->excess && speckle->weight;
    for (size_t k = 0; is_made && k < n; k++) {
        speckle->moment[speckle->n].time_s = last_s - (double)(n - 1 - k) * step_s;
        speckle->n +=
            take_mean(speckle->excess + speckle->n * strip, follow, speckle->moment[speckle->n].time_s);
    }
    is_made = is_made && fill_rest(rest, speckle, follow, onset);
    for (size_t k = 0; is_made && k < speckle->n; k++)
        is_made = take_away(speckle, k, rest, scratch);
    if (is_made)
        fill_weight(speckle);
    free(rest);
    free(scratch);
    return is_made;
}

void speckle_free(struct speckle *speckle)
{
    free(speckle->moment);
    free(speckle->excess);
    free(speckle->weight);
    memset(speckle, 0, sizeof *speckle);
}

/* ---- finding again ---- */

/* Four weights by which a cubic runs through four rows (Catmull-Rom), `part` of the way from the second to
 * the third. */
static void cubic(double part, double weight[4])
{
    weight[0] = 0.5 * part * (-1.0 + part * (2.0 - part));
    weight[1] = 1.0 + 0.5 * part * part * (3.0 * part - 5.0);
    weight[2] = 0.5 * part * (1.0 + part * (4.0 - 3.0 * part));
    weight[3] = 0.5 * part * part * (part - 1.0);
}

/* Two moments, and the place that is looked for. */
struct pair {
    const struct speckle *speckle;
    const float *from, *to;
    long row, column;
};

struct sums {
    double weight, a, b, aa, bb, ab;
};

/* Adds a row of the piece, laid on a row of the other moment that a cubic runs through. */
static void add_row(struct sums *sums, const struct pair *pair, long y, double rows, long columns)
{
    const struct speckle *speckle = pair->speckle;
    long n_rows = (long)speckle->n_rows;
    long n_columns = (long)speckle->n_columns;
    long first = (long)floor((double)(pair->row + y) + rows);
    const float *lines[4];
    double part[4];

    cubic((double)(pair->row + y) + rows - (double)first, part);
    if (pair->row + y < 0 || pair->row + y >= n_rows || first < 0 || first >= n_rows)
        return;
    for (long k = 0; k < 4; k++) {
        long at = first + k - 1;

        lines[k] = pair->to + (at < 0 ? 0 : at >= n_rows ? n_rows - 1 : at) * n_columns;
    }
    for (long x = -ACROSS; x <= ACROSS; x++) {
        long here = pair->column + x;
        long there = here + columns;
        double weight = (double)speckle->weight[(y + ALONG) * WIDE + x + ACROSS];
        double a = 0.0;
        double b = 0.0;

        if (here < 0 || there < 0 || here >= n_columns || there >= n_columns)
            continue;
        a = (double)pair->from[(pair->row + y) * n_columns + here];
        b = part[0] * (double)lines[0][there] + part[1] * (double)lines[1][there] +
            part[2] * (double)lines[2][there] + part[3] * (double)lines[3][there];
        sums->weight += weight;
        sums->a += weight * a;
        sums->b += weight * b;
        sums->aa += weight * a * a;
        sums->bb += weight * b * b;
        sums->ab += weight * a * b;
    }
}

/* Weighted correlation of the piece with what lies `rows`, `columns` from its place in the other moment; -1
 * where too little of it lies in the strip, or one is much stronger than the other. */
static double correlate(const struct pair *pair, double rows, long columns)
{
    struct sums sums = {0};
    double all = 2.0 * 3.14159265358979 * ALONG_MM * ACROSS_MM / (FOLLOW_STEP_MM * FOLLOW_STEP_MM);
    double aa = 0.0;
    double bb = 0.0;

    for (long y = -ALONG; y <= ALONG; y++)
        add_row(&sums, pair, y, rows, columns);
    if (sums.weight < LEAST_INSIDE * all)
        return -1.0;
    aa = sums.aa - sums.a * sums.a / sums.weight;
    bb = sums.bb - sums.b * sums.b / sums.weight;
    if (aa < 1e-6 * sums.weight || bb < LEAST_POWER * aa || aa < LEAST_POWER * bb)
        return -1.0;
    return (sums.ab - sums.a * sums.b / sums.weight) / sqrt(aa * bb);
}

/* Place of the top of a parabola through three values a step apart, from the middle one. */
static double top_of(double before, double at, double after)
{
    double bend = before - 2.0 * at + after;

    return bend < -1e-12 ? fmin(fmax(0.5 * (before - after) / bend, -1.0), 1.0) : 0.0;
}

/* Whether a place far from the best is nearly as much alike. */
static bool has_rival(const double (*found)[SIDES], long n, long best, double most)
{
    for (long y = 0; y < n; y++)
        for (long x = 0; x < SIDES; x++)
            if ((double)labs(y - best) * FOLLOW_STEP_MM > OTHER_MM && found[y][x] > most - LEAD &&
                (y == 0 || found[y][x] >= found[y - 1][x]) && (y + 1 == n || found[y][x] >= found[y + 1][x]))
                return true;
    return false;
}

bool speckle_find(const struct speckle *speckle, size_t from, size_t to, const struct speckle_match *guess,
                  double reach_mm, struct speckle_match *match)
{
    size_t strip = speckle->n_rows * speckle->n_columns;
    struct pair pair = {.speckle = speckle,
                        .from = speckle->excess + from * strip,
                        .to = speckle->excess + to * strip,
                        .row = lround(speckle->moment[from].row),
                        .column = lround(speckle->moment[from].column)};
    double found[2 * MOST_REACH + 1][SIDES] = {{0}};
    long reach = (long)fmin(ceil(reach_mm / FOLLOW_STEP_MM), MOST_REACH);
    long first = lround(guess->rows) - reach;
    long first_x = lround(guess->columns) - SIDE;
    long y = 0;
    long x = 0;

    for (long i = 0; i <= 2 * reach; i++)
        for (long k = 0; k < SIDES; k++) {
            found[i][k] = correlate(&pair, (double)(first + i), first_x + k);
            if (found[i][k] > found[y][x]) {
                y = i;
                x = k;
            }
        }
    if (found[y][x] < ALIKE || y == 0 || y == 2 * reach ||
        has_rival((const double(*)[SIDES])found, 2 * reach + 1, y, found[y][x]))
        return false;
    match->correlation = found[y][x];
    match->rows = (double)(first + y) + top_of(found[y - 1][x], found[y][x], found[y + 1][x]);
    for (int round = 0; round < N_FINE; round++)
        match->rows += FINE_ROWS * top_of(correlate(&pair, match->rows - FINE_ROWS, first_x + x),
                                          correlate(&pair, match->rows, first_x + x),
                                          correlate(&pair, match->rows + FINE_ROWS, first_x + x));
    match->columns = (double)(first_x + x);
    if (x > 0 && x + 1 < SIDES)
        match->columns += top_of(found[y][x - 1], found[y][x], found[y][x + 1]);
    return true;
}
