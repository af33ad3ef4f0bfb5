#include "measure/echo.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.14159265358979323846;
static const double REACH_MM = 5.0;
static const double MOST_REACH_MM = 8.0;
static const double REACH_SPREADS = 3.0;
static const double BESIDE_MM = 4.0;  /* of its line: within the stripe */
static const double LEAST_MASS = 0.1; /* of a piece, of the whole */
static const double CHANCE = 3.0;     /* standard deviations above which an excess is not chance */
/* Standard deviation over mean of fully developed speckle, in amplitude: 1 / 1.91, Burckhardt, IEEE Trans.
 * Sonics Ultrason. SU-25(1):1-6, 1978. */
static const double GRAIN = 0.52;
enum { MOST_STEPS = 8 };

struct sums {
    double mass, x, y, squares;
    double weights[3]; /* squared: as they are, with y, with y squared */
    double places[3];  /* their number, likewise */
};

struct search {
    const struct raster *excess;
    unsigned char *mark; /* 1: bright, not yet taken */
    size_t *stack;
    double *away; /* scratch */
    double cell_places;
    const struct echo_guess *guess; /* rows of the strip */
    double first_row;
};

/* How far a place of the patch lies from the centre looked for, or from the nearest of several pieces. */
static double away_from(const struct search *search, double centre_x, double centre_y, double x, double y)
{
    const struct echo_guess *guess = search->guess;
    double least = HUGE_VAL;

    if (guess->n == 1)
        return hypot(y - centre_y, x - centre_x);
    for (size_t i = 0; i < guess->n; i++)
        least = fmin(least, hypot(y - (guess->row[i] - search->first_row), x - guess->column[i]));
    return least;
}

/* Takes a bright place and the bright places joined to it. */
static struct sums take_piece(const struct search *search, size_t at)
{
    size_t width = (size_t)search->excess->width_px;
    size_t n_places = width * (size_t)search->excess->height_px;
    struct sums sums = {0};
    size_t n = 0;

    search->stack[n++] = at;
    search->mark[at] = 0;
    while (n > 0) {
        size_t i = search->stack[--n];
        const size_t next[4] = {i + 1, i - 1, i + width, i - width};
        double value = (double)search->excess->value[i];
        double x = (double)(i % width);
        double y = (double)(i / width);

        sums.mass += value;
        sums.x += value * x;
        sums.y += value * y;
        sums.squares += value * (x * x + y * y);
        sums.weights[0] += value * value;
        sums.weights[1] += value * value * y;
        sums.weights[2] += value * value * y * y;
        sums.places[0] += 1.0;
        sums.places[1] += y;
        sums.places[2] += y * y;
        for (int k = 0; k < 4; k++) /* the columns at the sides are never marked, so none wraps */
            if (next[k] < n_places && search->mark[next[k]] == 1) {
                search->mark[next[k]] = 0;
                search->stack[n++] = next[k];
            }
    }
    return sums;
}

/* How much chance makes of places beyond the reach of any cluster, near the same line along the stripe
 * (brighter tissue leaves more); every second tells enough. */
static double noise_around(const struct search *search, double x, double y)
{
    const struct raster *excess = search->excess;
    size_t n = 0;

    for (int i = 0; i < excess->width_px * excess->height_px; i += 2) {
        double across = (double)(i % excess->width_px) - x;

        if (fabs(across) * FOLLOW_STEP_MM <= BESIDE_MM &&
            away_from(search, x, y, (double)(i % excess->width_px), (double)(i / excess->width_px)) *
                    FOLLOW_STEP_MM >
                MOST_REACH_MM)
            search->away[n++] = (double)excess->value[i];
    }
    return n > 0 ? statistics_spread(search->away, n) : 0.0;
}

static double peak_within(const struct search *search, double x, double y, double reach)
{
    const struct raster *excess = search->excess;
    double peak = 0.0;

    for (int row = 0; row < excess->height_px; row++)
        for (int column = 1; column + 1 < excess->width_px; column++)
            if (away_from(search, x, y, (double)column, (double)row) <= reach)
                peak = fmax(peak, (double)excess->value[row * excess->width_px + column]);
    return peak;
}

/* One step: the pieces within reach of the last centre. */
static struct sums sum_pieces(const struct search *search, double x, double y, double reach, double least,
                              int *pieces)
{
    const struct raster *excess = search->excess;
    size_t n = (size_t)excess->width_px * (size_t)excess->height_px;
    struct sums sums = {0};
    double total = 0.0;

    for (size_t i = 0; i < n; i++) {
        size_t column = i % (size_t)excess->width_px;
        double away = away_from(search, x, y, (double)column, (double)(i / (size_t)excess->width_px));

        search->mark[i] = column > 0 && column + 1 < (size_t)excess->width_px && away <= reach &&
                          (double)excess->value[i] > least;
        total += search->mark[i] ? (double)excess->value[i] : 0.0;
    }
    *pieces = 0;
    for (size_t i = 0; i < n; i++) {
        struct sums piece;

        if (search->mark[i] != 1)
            continue;
        piece = take_piece(search, i);
        if (piece.mass < LEAST_MASS * total)
            continue;
        ++*pieces;
        sums.mass += piece.mass;
        sums.x += piece.x;
        sums.y += piece.y;
        sums.squares += piece.squares;
        for (int k = 0; k < 3; k++) {
            sums.weights[k] += piece.weights[k];
            sums.places[k] += piece.places[k];
        }
    }
    return sums;
}

/* Squares about y of sums taken about 0. */
static double about(const double *sums, double y)
{
    return fmax(sums[2] - 2.0 * y * sums[1] + y * y * sums[0], 0.0);
}

/* Standard error of the centre along the stripe: each grain of the cluster is brighter or darker by chance,
 * and chance adds to all of it. */
static double centre_error_mm(const struct sums *sums, double cell_places, double noise)
{
    double y = sums->y / sums->mass;
    double sigma = ECHO_SIGMA_MM / FOLLOW_STEP_MM;
    double smooth_places = cell_places + 4.0 * PI * sigma * sigma;
    double square = GRAIN * GRAIN * cell_places * about(sums->weights, y) +
                    noise * noise * smooth_places * about(sums->places, y);

    return FOLLOW_STEP_MM * sqrt(square) / sums->mass;
}

static void step_to_centre(struct echo_centre *centre, const struct search *search, double x, double y,
                           double share)
{
    double reach = REACH_MM / FOLLOW_STEP_MM;
    double noise = noise_around(search, x, y);

    for (int step = 0; step < MOST_STEPS; step++) {
        double peak = peak_within(search, x, y, reach);
        struct sums sums = {0};
        double moved = 0.0;

        if (!(peak > CHANCE * noise))
            return;
        sums = sum_pieces(search, x, y, reach, fmax(share * peak, CHANCE * noise), &centre->pieces);
        if (!(sums.mass > 0.0))
            return;
        moved = hypot(sums.x / sums.mass - x, sums.y / sums.mass - y);
        x = sums.x / sums.mass;
        y = sums.y / sums.mass;
        centre->is_seen = true;
        centre->row = y;
        centre->column = x;
        centre->spread_mm = sqrt(fmax(sums.squares / sums.mass - x * x - y * y, 0.0)) * FOLLOW_STEP_MM;
        centre->error_mm = centre_error_mm(&sums, search->cell_places, noise);
        reach = fmin(fmax(REACH_SPREADS * centre->spread_mm, REACH_MM), MOST_REACH_MM) / FOLLOW_STEP_MM;
        if (moved < 0.02 || search->guess->n > 1)
            return;
    }
}

bool echo_find_centre(struct echo_centre *centre, const struct echo_patch *patch,
                      const struct echo_guess *guess, double share)
{
    size_t n = (size_t)patch->excess->width_px * (size_t)patch->excess->height_px;
    struct search search = {.excess = patch->excess,
                            .mark = calloc(n, 1),
                            .stack = malloc(n * sizeof *search.stack),
                            .away = malloc(n * sizeof *search.away),
                            .cell_places = patch->cell_places,
                            .guess = guess,
                            .first_row = (double)patch->first_row};
    bool is_made = search.mark && search.stack && search.away;

    memset(centre, 0, sizeof *centre);
    if (is_made && patch->n > 0)
        step_to_centre(centre, &search, guess->column[0], guess->row[0] - (double)patch->first_row, share);
    centre->row += (double)patch->first_row;
    free(search.mark);
    free(search.stack);
    free(search.away);
    return is_made;
}
