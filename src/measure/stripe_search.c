#include "measure/stripe_search.h"

#include "base/fourier.h"
#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    N_ANGLES = 24,   /* over half a turn */
    N_HEADINGS = 48, /* over a whole turn */
    N_HALVES = 5,
    ROUNDS = 3,             /* paths taken of each kind */
    N_KINDS = 2 * N_HALVES, /* bright ones, then triple lines */
    MOST_STEPS = 28,        /* 84 mm: longer than cavity and canal */
    LEAST_STEPS = 6,        /* 18 mm: shorter is no stripe */
    PROFILE_REACH = 30,     /* samples to either side */
};
static const double PI = 3.14159265358979323846;
static const double ALONG_SIGMA_MM = 3.5;
static const double ACROSS_SIGMA_MM = 0.35;
static const double PROFILE_STEP_MM = 0.5;
static const double GRID_MM = 1.5;    /* spacing of places */
static const double OUTSIDE_MM = 4.0; /* width of myometrium looked at beyond each wall */
static const double HALVES_MM[N_HALVES] = {2.25, 3.25, 4.5, 6.0, 7.75};
static const double UNEVEN_SIDES_COST = 0.5; /* myometrium is much the same on both sides of the stripe */
static const double RESTLESS_SIGMA_MM =
    8.0; /* neighbourhood whose own contrast an answer is measured against */
static const double COST_QUANTILE =
    0.9;                            /* a place must answer better than this share of all to be worth a step */
static const double CLEAR_MM = 4.0; /* about a path that was taken */
static const float TURN_COST = 0.5F;   /* of a turn by one heading */
static const float WORST_GAIN = -2.0F; /* a path does not cross a place that answers worse */
static const float MOST_GAIN =
    3.0F; /* an answer beyond its cost counts no more than this: one bright spot is no stripe */

struct search {
    const struct raster *picture;
    const struct raster *window;
    double pixel_mm;
    struct raster *restless; /* picture-sized: how much the neighbourhood varies by itself, grey levels */
    int columns, rows;       /* of the grid of places */
    float *answer;           /* N_KINDS x N_ANGLES x rows x columns, robust standard deviations */
    float nothing[N_KINDS];  /* the answer of a place without contrast */
};

static size_t place_index(const struct search *search, int angle, int row, int column)
{
    return ((size_t)angle * (size_t)search->rows + (size_t)row) * (size_t)search->columns + (size_t)column;
}

/* Transforms `values` (n = rows x columns, taken through `fourier`) into `spectrum`. */
static void transform(struct fourier *fourier, const float *values, size_t n, double complex *spectrum,
                      size_t n_spectrum)
{
    double *real = fourier_real(fourier);

    for (size_t i = 0; i < n; i++)
        real[i] = values[i];
    fourier_forward(fourier);
    memcpy(spectrum, fourier_complex(fourier), n_spectrum * sizeof *spectrum);
}

/* Mean along one direction: the spectrum times an elongated Gaussian, back into `out`. */
static void smooth_direction(struct fourier *fourier, const double complex *spectrum, int width, int height,
                             double angle_rad, double pixel_mm, float *out)
{
    double complex *other = fourier_complex(fourier);
    const double *real = fourier_real(fourier);
    int half_width = width / 2 + 1;
    double along = 2.0 * PI * PI * ALONG_SIGMA_MM * ALONG_SIGMA_MM;
    double across = 2.0 * PI * PI * ACROSS_SIGMA_MM * ACROSS_SIGMA_MM;
    double scale = 1.0 / ((double)width * height);

    for (int y = 0; y < height; y++) {
        double v = (y <= height / 2 ? y : y - height) / (height * pixel_mm);

        for (int x = 0; x < half_width; x++) {
            double u = x / (width * pixel_mm);
            double f_along = u * cos(angle_rad) + v * sin(angle_rad);
            double f_across = -u * sin(angle_rad) + v * cos(angle_rad);
            size_t i = (size_t)y * (size_t)half_width + (size_t)x;

            other[i] = spectrum[i] * exp(-along * f_along * f_along - across * f_across * f_across) * scale;
        }
    }
    fourier_backward(fourier);
    for (size_t i = 0; i < (size_t)width * (size_t)height; i++)
        out[i] = (float)real[i];
}

static double mean_between(const float *profile, double from_mm, double to_mm)
{
    int from = (int)lround(from_mm / PROFILE_STEP_MM) + PROFILE_REACH;
    int to = (int)lround(to_mm / PROFILE_STEP_MM) + PROFILE_REACH;
    double sum = 0.0;
    int n = 0;

    for (int i = from < 0 ? 0 : from; i <= to && i <= 2 * PROFILE_REACH; i++, n++)
        sum += profile[i];
    return n > 0 ? sum / n : 0.0;
}

/* Contrast of a bright bar against the brighter of its two sides. */
static double bright_answer(const float *profile, double half_mm)
{
    double inside = mean_between(profile, -half_mm + 0.5, half_mm - 0.5);
    double before = mean_between(profile, -half_mm - 0.5 - OUTSIDE_MM, -half_mm - 0.5);
    double after = mean_between(profile, half_mm + 0.5, half_mm + 0.5 + OUTSIDE_MM);

    return inside - fmax(before, after) - UNEVEN_SIDES_COST * fabs(before - after);
}

/* Height of the best line, one millimetre wide, within half a millimetre of a place. */
static double line_near(const float *profile, double at_mm)
{
    double best = mean_between(profile, at_mm - 0.5, at_mm + 0.5);

    best = fmax(best, mean_between(profile, at_mm - 1.0, at_mm));
    return fmax(best, mean_between(profile, at_mm, at_mm + 1.0));
}

/* Contrast of three lines against the dark between; either pair of lines must show. */
static double triple_answer(const float *profile, double half_mm)
{
    double middle = line_near(profile, 0.0);
    double outer = 0.5 * (line_near(profile, -half_mm) + line_near(profile, half_mm));
    double dark =
        0.5 * (mean_between(profile, -half_mm + 1.25, -1.0) + mean_between(profile, 1.0, half_mm - 1.25));

    if (half_mm < 2.5)
        return -1e3; /* too thin to have layers */
    return fmin(0.5 * (middle + outer), 1.25 * fmin(middle, outer) - 0.25 * dark) - dark;
}

static void fill_profile(const struct raster *smoothed, double x_px, double y_px, double normal_x,
                         double normal_y, float *profile)
{
    for (int i = -PROFILE_REACH; i <= PROFILE_REACH; i++)
        profile[i + PROFILE_REACH] = raster_at(smoothed, x_px + i * normal_x, y_px + i * normal_y);
}

/* All answers of one direction; raw[kind] is rows x columns, NAN where there is no picture. */
static void answer_direction(const struct search *search, const struct raster *smoothed, double angle_rad,
                             float *const *raw)
{
    double step_px = PROFILE_STEP_MM / search->pixel_mm;
    float profile[2 * PROFILE_REACH + 1];

    for (int row = 0; row < search->rows; row++)
        for (int column = 0; column < search->columns; column++) {
            double x = (column + 0.5) * GRID_MM / search->pixel_mm - 0.5;
            double y = (row + 0.5) * GRID_MM / search->pixel_mm - 0.5;
            size_t i = (size_t)row * (size_t)search->columns + (size_t)column;
            double normal_x = -sin(angle_rad) * step_px;
            double normal_y = cos(angle_rad) * step_px;
            bool is_inside = raster_at(search->window, x, y) > 0.5F;
            double restless = (double)raster_at(search->restless, x, y);

            if (is_inside)
                fill_profile(smoothed, x, y, normal_x, normal_y, profile);
            for (int half = 0; half < N_HALVES; half++) {
                double reach = (HALVES_MM[half] + 2.5) / PROFILE_STEP_MM;
                bool has_walls =
                    is_inside &&
                    raster_at(search->window, x + reach * normal_x, y + reach * normal_y) > 0.5F &&
                    raster_at(search->window, x - reach * normal_x, y - reach * normal_y) > 0.5F;

                raw[half][i] = has_walls ? (float)(bright_answer(profile, HALVES_MM[half]) / restless) : NAN;
                raw[N_HALVES + half][i] =
                    has_walls ? (float)(triple_answer(profile, HALVES_MM[half]) / restless) : NAN;
            }
        }
}

/* Turns contrasts into robust standard deviations of their kind; returns where no contrast ends up. */
static float scale_answers(float *values, size_t n, double *scratch)
{
    size_t n_used = 0;
    double centre = 0.0;
    double spread = 0.0;

    for (size_t i = 0; i < n; i += 7)
        if (isfinite(values[i]))
            scratch[n_used++] = values[i];
    centre = statistics_median(scratch, n_used);
    spread = fmax(statistics_spread(scratch, n_used), 1e-3);
    for (size_t i = 0; i < n; i++)
        values[i] = isfinite(values[i]) ? (float)((values[i] - centre) / spread) : -100.0F;
    return (float)(-centre / spread);
}
/* Standard deviation of the slightly smoothed picture about each place; never less than half its usual. */
static bool fill_restless(struct search *search)
{
    size_t n = (size_t)search->picture->width_px * (size_t)search->picture->height_px;
    double sigma = RESTLESS_SIGMA_MM / search->pixel_mm;
    struct raster *mean = raster_copy(search->picture);
    struct raster *weight = raster_copy(search->window);
    double *sorted = malloc((n / 31 + 1) * sizeof *sorted);
    size_t n_sorted = 0;
    bool is_made = false;

    search->restless = raster_copy(search->picture);
    is_made = mean && weight && sorted && search->restless &&
              raster_smooth(mean, 1.0 / search->pixel_mm, 1.0 / search->pixel_mm);
    for (size_t i = 0; i < n && is_made; i++) {
        float value = mean->value[i];

        mean->value[i] = value * weight->value[i];
        search->restless->value[i] = value * value * weight->value[i];
    }
    is_made = is_made && raster_smooth(mean, sigma, sigma) && raster_smooth(search->restless, sigma, sigma) &&
              raster_smooth(weight, sigma, sigma);
    for (size_t i = 0; i < n && is_made; i++) {
        float covered = fmaxf(weight->value[i], 0.02F);
        float level = mean->value[i] / covered;

        search->restless->value[i] = sqrtf(fmaxf(search->restless->value[i] / covered - level * level, 0.0F));
        if (i % 31 == 0 && search->window->value[i] > 0.5F)
            sorted[n_sorted++] = (double)search->restless->value[i];
    }
    if (is_made) {
        float floor_level = (float)fmax(0.5 * statistics_median(sorted, n_sorted), 1.0);

        for (size_t i = 0; i < n; i++)
            search->restless->value[i] = fmaxf(search->restless->value[i], floor_level);
    }
    raster_free(&mean);
    raster_free(&weight);
    free(sorted);
    return is_made;
}

/* All answers of all kinds, in robust standard deviations of each kind. */
static bool fill_answers(struct search *search)
{
    int width = search->picture->width_px;
    int height = search->picture->height_px;
    size_t n = (size_t)width * (size_t)height;
    size_t n_spectrum = (size_t)height * ((size_t)width / 2 + 1);
    size_t n_places = (size_t)search->rows * (size_t)search->columns;
    size_t n_all = N_ANGLES * n_places;
    struct fourier *fourier = fourier_make((size_t)height, (size_t)width);
    double complex *picture_spectrum = malloc(n_spectrum * sizeof *picture_spectrum);
    double complex *window_spectrum = malloc(n_spectrum * sizeof *window_spectrum);
    struct raster *smoothed = raster_make(width, height);
    float *covered = malloc(n * sizeof *covered);
    float *masked = malloc(n * sizeof *masked);
    double *scratch = malloc((n_all / 7 + 1) * sizeof *scratch);
    bool is_made = fourier && picture_spectrum && window_spectrum && smoothed && covered && masked && scratch;

    if (is_made) {
        for (size_t i = 0; i < n; i++)
            masked[i] = search->picture->value[i] * search->window->value[i];
        transform(fourier, masked, n, picture_spectrum, n_spectrum);
        transform(fourier, search->window->value, n, window_spectrum, n_spectrum);
    }
    for (int angle = 0; is_made && angle < N_ANGLES; angle++) {
        float *kinds[N_KINDS];
        double angle_rad = PI * angle / N_ANGLES;

        for (size_t kind = 0; kind < N_KINDS; kind++)
            kinds[kind] = search->answer + kind * n_all + (size_t)angle * n_places;
        smooth_direction(fourier, picture_spectrum, width, height, angle_rad, search->pixel_mm,
                         smoothed->value);
        smooth_direction(fourier, window_spectrum, width, height, angle_rad, search->pixel_mm, covered);
        for (size_t i = 0; i < n; i++)
            smoothed->value[i] /= fmaxf(covered[i], 0.05F);
        answer_direction(search, smoothed, angle_rad, kinds);
    }
    for (size_t kind = 0; is_made && kind < N_KINDS; kind++)
        search->nothing[kind] = scale_answers(search->answer + kind * n_all, n_all, scratch);
    fourier_free(&fourier);
    free(picture_spectrum);
    free(window_spectrum);
    raster_free(&smoothed);
    free(covered);
    free(masked);
    free(scratch);
    return is_made;
}

/* ---- joining places into curves of one look and nearly one thickness ---- */

struct state {
    int heading, row, column;
};

struct paths {
    const float *gain; /* N_ANGLES x places: answer less cost */
    float *value[2];   /* best sum that ends in a state after this step and after the step before */
    signed char *back; /* MOST_STEPS x states: turn to the state before, or STARTS_HERE */
    size_t n_states;
};
enum { STARTS_HERE = 2 };

/* Grid steps of one heading. */
static void step_of(int heading, int *columns, int *rows)
{
    double angle = 2.0 * PI * heading / N_HEADINGS;

    *columns = (int)lround(STRIPE_STEP_MM / GRID_MM * cos(angle));
    *rows = (int)lround(STRIPE_STEP_MM / GRID_MM * sin(angle));
}

static bool step_back(const struct search *search, struct state *state, int turn)
{
    int heading = (state->heading + turn + N_HEADINGS) % N_HEADINGS;
    int columns = 0;
    int rows = 0;

    step_of(heading, &columns, &rows);
    if (state->row - rows < 0 || state->column - columns < 0 || state->row - rows >= search->rows ||
        state->column - columns >= search->columns)
        return false;
    state->heading = heading;
    state->row -= rows;
    state->column -= columns;
    return true;
}

static size_t state_index(const struct search *search, const struct state *state)
{
    return ((size_t)state->heading * (size_t)search->rows + (size_t)state->row) * (size_t)search->columns +
           (size_t)state->column;
}

/* One row of places that are reached from another by one turn. */
static void extend_row(const float *before, const float *gain, float cost, signed char turn, size_t n,
                       float *now, signed char *back)
{
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        float value = before[i] - cost;
        float sum = gain[i] + value;
        bool is_better = (value > 0.0F) & (gain[i] > WORST_GAIN) & (sum > now[i]);

        now[i] = is_better ? sum : now[i];
        back[i] = is_better ? turn : back[i];
    }
}

/* Best sums that end in the places of one heading at this step. */
static void extend_heading(const struct search *search, struct paths *paths, int step, int heading)
{
    size_t n_places = (size_t)search->rows * (size_t)search->columns;
    const float *gain = paths->gain + (size_t)(heading % N_ANGLES) * n_places;
    float *now = paths->value[step % 2] + (size_t)heading * n_places;
    signed char *back = paths->back + (size_t)step * paths->n_states + (size_t)heading * n_places;

    for (size_t i = 0; i < n_places; i++) {
        now[i] = gain[i];
        back[i] = STARTS_HERE;
    }
    for (int turn = -1; turn <= 1 && step > 0; turn++) {
        int from = (heading + turn + N_HEADINGS) % N_HEADINGS;
        const float *before = paths->value[(step + 1) % 2] + (size_t)from * n_places;
        float cost = turn == 0 ? 0.0F : TURN_COST;
        int columns = 0;
        int rows = 0;

        step_of(from, &columns, &rows);
        for (int row = rows > 0 ? rows : 0; row < search->rows && row - rows < search->rows; row++) {
            int first = columns > 0 ? columns : 0;
            int end = columns < 0 ? search->columns + columns : search->columns;
            size_t i = (size_t)row * (size_t)search->columns + (size_t)first;
            size_t j = (size_t)(row - rows) * (size_t)search->columns + (size_t)(first - columns);

            if (end > first)
                extend_row(before + j, gain + i, cost, (signed char)turn, (size_t)(end - first), now + i,
                           back + i);
        }
    }
}

/* Walks the best path back into a candidate. */
static bool take_path(const struct search *search, const struct paths *paths, int step, struct state state,
                      struct stripe_candidate *candidate)
{
    candidate->place_mm = malloc(((size_t)step + 1) * sizeof *candidate->place_mm);
    if (candidate->place_mm == NULL)
        return false;
    for (; step >= 0; step--) {
        signed char turn = paths->back[(size_t)step * paths->n_states + state_index(search, &state)];

        candidate->place_mm[candidate->n][0] = (state.column + 0.5) * GRID_MM;
        candidate->place_mm[candidate->n++][1] = (state.row + 0.5) * GRID_MM;
        if (turn == STARTS_HERE || !step_back(search, &state, turn))
            break;
    }
    return true;
}

/* The best path of one family; candidate->n is 0 when there is none. False when memory ran out. */
static bool best_path(const struct search *search, struct paths *paths, struct stripe_candidate *candidate)
{
    size_t n_places = (size_t)search->rows * (size_t)search->columns;
    float best = 0.0F;
    int best_step = -1;
    struct state state = {0};

    for (int step = 0; step < MOST_STEPS; step++) {
        for (int heading = 0; heading < N_HEADINGS; heading++)
            extend_heading(search, paths, step, heading);
        for (size_t i = 0; i < paths->n_states; i++)
            if (paths->value[step % 2][i] > best) {
                best = paths->value[step % 2][i];
                best_step = step;
                state.heading = (int)(i / n_places);
                state.row = (int)(i % n_places) / search->columns;
                state.column = (int)(i % n_places) % search->columns;
            }
    }
    candidate->score = best;
    return best_step < 0 || take_path(search, paths, best_step, state, candidate);
}

/* Answers of a family: one look, a half thickness and its neighbours; less the cost of a step. */
static void fill_gain(const struct search *search, int kind, float *gain, double *scratch)
{
    size_t n = N_ANGLES * (size_t)search->rows * (size_t)search->columns;
    int first = kind % N_HALVES == 0 ? kind : kind - 1;
    int last = kind % N_HALVES == N_HALVES - 1 ? kind : kind + 1;
    size_t n_used = 0;
    float cost = 0.0F;

    for (size_t i = 0; i < n; i++) {
        gain[i] = -100.0F;
        for (int k = first; k <= last; k++)
            gain[i] = fmaxf(gain[i], search->answer[(size_t)k * n + i] - (k == kind ? 0.0F : 0.25F));

        if (i % 7 == 0 && gain[i] > -90.0F)
            scratch[n_used++] = gain[i];
    }
    cost = fmaxf((float)statistics_quantile(scratch, n_used, COST_QUANTILE), search->nothing[kind]);
    for (size_t i = 0; i < n; i++)
        gain[i] = fminf(gain[i] - cost, MOST_GAIN);
}

/* Share of a's places that lie within 5 mm of b. */
static double share_near(const struct stripe_candidate *a, const struct stripe_candidate *b)
{
    size_t n_near = 0;

    for (size_t i = 0; i < a->n; i++) {
        double nearest = HUGE_VAL;

        for (size_t j = 0; j < b->n; j++)
            nearest = fmin(
                nearest, hypot(a->place_mm[i][0] - b->place_mm[j][0], a->place_mm[i][1] - b->place_mm[j][1]));
        n_near += nearest < 5.0;
    }
    return a->n > 0 ? (double)n_near / (double)a->n : 0.0;
}

/* Keeps the candidate in its order of score, unless a better one of its look runs the same way. */
static void keep_candidate(struct stripe_candidate *found, size_t *n_found,
                           struct stripe_candidate *candidate)
{
    size_t at = 0;

    if (candidate->n < LEAST_STEPS) {
        stripe_candidate_free(candidate);
        return;
    }
    while (at < *n_found && found[at].score >= candidate->score)
        at++;
    for (size_t i = 0; i < at; i++)
        if (found[i].look == candidate->look && share_near(candidate, &found[i]) > 0.8) {
            stripe_candidate_free(candidate);
            return;
        }
    if (*n_found == STRIPE_MOST_CANDIDATES) {
        if (at == *n_found) {
            stripe_candidate_free(candidate);
            return;
        }
        stripe_candidate_free(&found[--*n_found]);
    }
    memmove(&found[at + 1], &found[at], (*n_found - at) * sizeof *found);
    found[at] = *candidate;
    ++*n_found;
}

/* Takes the answers near a path away, so that the next one is another. */
static void clear_near(const struct search *search, float *gain, const struct stripe_candidate *candidate)
{
    int reach = (int)ceil(CLEAR_MM / GRID_MM);

    for (size_t i = 0; i < candidate->n; i++) {
        int column = (int)(candidate->place_mm[i][0] / GRID_MM);
        int row = (int)(candidate->place_mm[i][1] / GRID_MM);

        for (int y = row - reach; y <= row + reach; y++)
            for (int x = column - reach; x <= column + reach; x++)
                for (int angle = 0; angle < N_ANGLES; angle++)
                    if (y >= 0 && x >= 0 && y < search->rows && x < search->columns)
                        gain[place_index(search, angle, y, x)] = -100.0F;
    }
}

static bool join_places(const struct search *search, struct stripe_candidate *found, size_t *n_found)
{
    size_t n_places = (size_t)search->rows * (size_t)search->columns;
    struct paths paths = {.n_states = N_HEADINGS * n_places};
    float *gain = malloc(N_ANGLES * n_places * sizeof *gain);
    double *scratch = malloc((N_ANGLES * n_places / 7 + 1) * sizeof *scratch);
    bool is_made = false;

    paths.gain = gain;
    paths.value[0] = calloc(paths.n_states, sizeof *paths.value[0]);
    paths.value[1] = calloc(paths.n_states, sizeof *paths.value[1]);
    paths.back = malloc(MOST_STEPS * paths.n_states);
    is_made = gain != NULL && scratch != NULL && paths.value[0] != NULL && paths.value[1] != NULL &&
              paths.back != NULL;
    for (int kind = 0; is_made && kind < N_KINDS; kind++) {
        fill_gain(search, kind, gain, scratch);
        for (int round = 0; is_made && round < ROUNDS; round++) {
            struct stripe_candidate candidate = {.look = kind < N_HALVES ? STRIPE_BRIGHT : STRIPE_TRIPLE_LINE,
                                                 .half_mm = HALVES_MM[kind % N_HALVES]};

            is_made = best_path(search, &paths, &candidate);
            clear_near(search, gain, &candidate);
            keep_candidate(found, n_found, &candidate);
        }
    }
    free(gain);
    free(scratch);
    free(paths.value[0]);
    free(paths.value[1]);
    free(paths.back);
    return is_made;
}

bool stripe_search(const struct raster *picture, const struct raster *window, double pixel_mm,
                   struct stripe_candidate *found, size_t *n_found, struct error **err)
{
    struct search search = {.picture = picture, .window = window, .pixel_mm = pixel_mm};
    bool is_made = false;

    *n_found = 0;
    search.columns = (int)(picture->width_px * pixel_mm / GRID_MM);
    search.rows = (int)(picture->height_px * pixel_mm / GRID_MM);
    if (search.columns < 10 || search.rows < 10)
        return true;
    search.answer = malloc(N_KINDS * (size_t)N_ANGLES * (size_t)search.columns * (size_t)search.rows *
                           sizeof *search.answer);
    is_made = search.answer != NULL && fill_restless(&search) && fill_answers(&search) &&
              join_places(&search, found, n_found);
    free(search.answer);
    raster_free(&search.restless);
    return is_made ? true : error_memory(err);
}

void stripe_candidate_free(struct stripe_candidate *candidate)
{
    if (candidate == NULL)
        return;
    free(candidate->place_mm);
    candidate->place_mm = NULL;
    candidate->n = 0;
}
