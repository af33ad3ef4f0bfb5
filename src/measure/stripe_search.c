#include "measure/stripe_search.h"

#include "base/parallel.h"
#include "base/statistics.h"
#include "measure/stripe_answers.h"
#include "measure/stripe_paths.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    ANY_HALF = ANSWER_HALVES, /* the family of all half thicknesses: a stripe tapers */
    ROUNDS = 4,               /* paths taken of each family */
    N_LEVELS = 2,
    PER_SEEDS = 20, /* arcs of each look through all seeds */
    PER_LEVEL = (STRIPE_MOST_CANDIDATES - 2 * PER_SEEDS) / (2 * N_LEVELS), /* candidates of each look */
    N_BENDS = 3,                                                           /* of an arc, to either side */
    ARC_STEPS = 10,      /* to either side of a seed: 30 mm, */
    LEAST_ARC_STEPS = 4, /* and 12 mm, however faint: the ends are sought beyond */
    LEAST_STEPS = 6,     /* 18 mm: shorter is no stripe */
};
static const double PI = 3.14159265358979323846;
/* A place must answer better than this share of all to be worth a step: a low bar finds faint stripes but
 * leads strong ones on beyond their ends, so both are tried. */
static const double LEVELS[N_LEVELS] = {0.9, 0.95};
static const double ASIDE_MM = 7.5;        /* a path may run along an outer line instead of the middle one */
static const double SEEDED_ASIDE_MM = 3.0; /* bubbles lie near the centre line */
static const double TOUCHED =
    1.5; /* what a place counts for that a shaft or bubbles touched, as an answer does */
static const double MOST_BEND_PER_MM = 0.04; /* radius of 25 mm */
static const double NEAR_MM = 5.0;           /* places of curves that run the same way */
static const double CLEAR_MM = 4.0;          /* about a path that was taken */
static const float MOST_GAIN =
    3.0F; /* an answer beyond its cost counts no more than this: one bright spot is no stripe */

static size_t place_index(const struct stripe_answers *answers, int angle, int row, int column)
{
    return ((size_t)angle * (size_t)answers->rows + (size_t)row) * (size_t)answers->columns + (size_t)column;
}

/* Answers of a family: one look, a half thickness and its neighbours or any at all; less the cost of a step.
 */
static void fill_gain(const struct stripe_answers *answers, enum stripe_look look, int half, double quantile,
                      float *gain, double *scratch)
{
    size_t n = ANSWER_ANGLES * (size_t)answers->rows * (size_t)answers->columns;
    int first = half == ANY_HALF || half == 0 ? 0 : half - 1;
    int last = half == ANY_HALF || half == ANSWER_HALVES - 1 ? ANSWER_HALVES - 1 : half + 1;
    size_t n_used = 0;
    float cost = 0.0F;
    float nothing = -1e9F;

    for (size_t i = 0; i < n; i++) {
        gain[i] = -100.0F;
        for (int k = first; k <= last; k++)
            gain[i] = fmaxf(gain[i], answers->value[((size_t)look * ANSWER_HALVES + (size_t)k) * n + i] -
                                         (k == half || half == ANY_HALF ? 0.0F : 0.25F));
        if (i % 7 == 0 && gain[i] > -90.0F)
            scratch[n_used++] = gain[i];
    }
    for (int k = first; k <= last; k++)
        nothing = fmaxf(nothing, answers->nothing[(int)look * ANSWER_HALVES + k]);
    cost = fmaxf((float)statistics_quantile(scratch, n_used, quantile), nothing);
    for (size_t i = 0; i < n; i++)
        gain[i] = fminf(gain[i] - cost, MOST_GAIN);
}

double stripe_candidate_share_near(const double (*a_mm)[2], size_t n_a, const double (*b_mm)[2], size_t n_b)
{
    size_t n_near = 0;

    for (size_t i = 0; i < n_a; i++) {
        double nearest = HUGE_VAL;

        for (size_t j = 0; j < n_b; j++)
            nearest = fmin(nearest, hypot(a_mm[i][0] - b_mm[j][0], a_mm[i][1] - b_mm[j][1]));
        n_near += nearest < NEAR_MM;
    }
    return n_a > 0 ? (double)n_near / (double)n_a : 0.0;
}

static double share_near(const struct stripe_candidate *a, const struct stripe_candidate *b)
{
    return stripe_candidate_share_near((const double(*)[2])a->place_mm, a->n, (const double(*)[2])b->place_mm,
                                       b->n);
}

/* Keeps the candidate in its order of score, unless a better one of its look runs the same way. */
static void keep_candidate(struct stripe_candidate *found, size_t *n_found, size_t most,
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
    if (*n_found == most) {
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
static void clear_near(const struct stripe_answers *answers, float *gain,
                       const struct stripe_candidate *candidate)
{
    int reach = (int)ceil(CLEAR_MM / ANSWER_GRID_MM);

    for (size_t i = 0; i < candidate->n; i++) {
        int column = (int)(candidate->place_mm[i][0] / ANSWER_GRID_MM);
        int row = (int)(candidate->place_mm[i][1] / ANSWER_GRID_MM);

        for (int y = row - reach; y <= row + reach; y++)
            for (int x = column - reach; x <= column + reach; x++)
                for (int angle = 0; angle < ANSWER_ANGLES; angle++)
                    if (y >= 0 && x >= 0 && y < answers->rows && x < answers->columns)
                        gain[place_index(answers, angle, y, x)] = -100.0F;
    }
}

/* One family of paths: a look, a bar and a half thickness. */
struct family {
    const struct stripe_answers *answers;
    enum stripe_look look;
    int half;
    double level;
    struct stripe_candidate found[ROUNDS];
    bool is_made;
};

static double *make_scratch(const struct stripe_answers *answers)
{
    return malloc((ANSWER_ANGLES * (size_t)answers->rows * (size_t)answers->columns / 7 + 1) *
                  sizeof(double));
}

static float *make_gain(const struct stripe_answers *answers)
{
    return malloc(ANSWER_ANGLES * (size_t)answers->rows * (size_t)answers->columns * sizeof(float));
}

/* The best paths of a family, one after the other. */
static void join_family(void *context, size_t i)
{
    struct family *family = (struct family *)context + i;
    const struct stripe_answers *answers = family->answers;
    CLEANUP(stripe_paths_free) struct stripe_paths paths = {0};
    float *gain = make_gain(answers);
    double *scratch = make_scratch(answers);

    family->is_made = gain != NULL && scratch != NULL;
    if (family->is_made)
        fill_gain(answers, family->look, family->half, family->level, gain, scratch);
    for (int round = 0; family->is_made && round < ROUNDS; round++) {
        struct stripe_candidate *candidate = &family->found[round];

        candidate->look = family->look;
        candidate->half_mm = family->half == ANY_HALF ? 0.0 : ANSWER_HALVES_MM[family->half];
        candidate->aside_mm = ASIDE_MM;
        family->is_made = stripe_paths_best(&paths, answers, gain, candidate);
        clear_near(answers, gain, candidate);
    }
    free(gain);
    free(scratch);
}

/* The best paths of one look and level, added to `found`. */
static void gather_families(struct family *family, struct stripe_candidate *found, size_t *n_found)
{
    struct stripe_candidate *best = found + *n_found;
    size_t n_best = 0;

    for (int half = 0; half <= ANY_HALF; half++)
        for (int round = 0; round < ROUNDS; round++)
            keep_candidate(best, &n_best, PER_LEVEL, &family[half].found[round]);
    *n_found += n_best;
}

/* The best paths of all looks. */
static bool join_looks(const struct stripe_answers *answers, struct stripe_candidate *found, size_t *n_found)
{
    enum { N_HALVES = ANY_HALF + 1, N_LOOKS = 2, N_FAMILIES = N_LEVELS * N_LOOKS * N_HALVES };
    static const enum stripe_look LOOKS[N_LOOKS] = {STRIPE_BRIGHT, STRIPE_TRIPLE_LINE};
    struct family family[N_FAMILIES];
    bool is_made = true;

    memset(family, 0, sizeof family);
    for (int i = 0; i < N_FAMILIES; i++) {
        family[i].answers = answers;
        family[i].level = LEVELS[i / (N_LOOKS * N_HALVES)];
        family[i].look = LOOKS[i / N_HALVES % N_LOOKS];
        family[i].half = i % N_HALVES;
    }
    parallel_run(N_FAMILIES, 0, join_family, family);
    for (int i = 0; i < N_FAMILIES; i += N_HALVES)
        gather_families(&family[i], found, n_found);
    for (int i = 0; i < N_FAMILIES; i++)
        is_made = is_made && family[i].is_made;
    return is_made;
}

/* The best answer at a place, a little beside it and in a little other direction. */
static float gain_near(const struct stripe_answers *answers, const float *gain, const double place_mm[2],
                       double heading_rad)
{
    int column = (int)floor(place_mm[0] / ANSWER_GRID_MM);
    int row = (int)floor(place_mm[1] / ANSWER_GRID_MM);
    int angle = (int)lround(heading_rad / PI * ANSWER_ANGLES);
    float best = 2.0F * STRIPE_WORST_GAIN;

    for (int turn = -1; turn <= 1; turn++)
        for (int y = row - 1; y <= row + 1; y++)
            for (int x = column - 1; x <= column + 1; x++)
                if (y >= 0 && x >= 0 && y < answers->rows && x < answers->columns)
                    best = fmaxf(
                        best, gain[place_index(
                                  answers, ((angle + turn) % ANSWER_ANGLES + ANSWER_ANGLES) % ANSWER_ANGLES,
                                  y, x)]);
    return best;
}

/* Follows an arc from a seed one way for as long as the sum grows; returns the sum, and the places. What came
 * or went speaks for an arc, not for how far the stripe reaches: a shaft lies in the canal too. */
static float follow_arc(const struct stripe_answers *answers, const float *gain,
                        const struct stripe_seeds *seeds, const double seed_mm[2], double heading_rad,
                        double bend_per_mm, double (*place_mm)[2], size_t *n)
{
    double place[2] = {seed_mm[0], seed_mm[1]};
    float sum = 0.0F;
    float best = -HUGE_VALF;
    float touched = 0.0F;

    *n = 0;
    for (size_t step = 0; step < ARC_STEPS; step++) {
        double middle_rad = heading_rad + 0.5 * bend_per_mm * STRIPE_STEP_MM;

        place[0] += STRIPE_STEP_MM * cos(middle_rad);
        place[1] += STRIPE_STEP_MM * sin(middle_rad);
        heading_rad += bend_per_mm * STRIPE_STEP_MM;
        place_mm[step][0] = place[0];
        place_mm[step][1] = place[1];
        sum += gain_near(answers, gain, place, heading_rad);
        if (transients_touch(seeds->transients, place))
            touched += (float)TOUCHED;
        if (step + 1 >= LEAST_ARC_STEPS && sum > best) {
            best = sum;
            *n = step + 1;
        }
    }
    return best + touched;
}

/* An arc through a seed as a candidate; false when memory ran out. */
static bool try_arc(const struct stripe_answers *answers, const float *gain, const struct stripe_seeds *seeds,
                    const double seed_mm[2], double heading_rad, double bend_per_mm,
                    struct stripe_candidate *candidate)
{
    double ahead[ARC_STEPS][2];
    double behind[ARC_STEPS][2];
    size_t n_ahead = 0;
    size_t n_behind = 0;

    candidate->score =
        (double)(gain_near(answers, gain, seed_mm, heading_rad) +
                 follow_arc(answers, gain, seeds, seed_mm, heading_rad, bend_per_mm, ahead, &n_ahead) +
                 follow_arc(answers, gain, seeds, seed_mm, heading_rad + PI, -bend_per_mm, behind,
                            &n_behind));
    candidate->place_mm = malloc((n_ahead + n_behind + 1) * sizeof *candidate->place_mm);
    if (candidate->place_mm == NULL)
        return false;
    for (size_t i = n_behind; i-- > 0;)
        memcpy(candidate->place_mm[candidate->n++], behind[i], sizeof behind[i]);
    memcpy(candidate->place_mm[candidate->n++], seed_mm, sizeof behind[0]);
    for (size_t i = 0; i < n_ahead; i++)
        memcpy(candidate->place_mm[candidate->n++], ahead[i], sizeof ahead[i]);
    return true;
}

/* The best arcs of one look through the seeds, added to `found`. */
static bool join_seeds(const struct stripe_answers *answers, enum stripe_look look,
                       const struct stripe_seeds *seeds, float *gain, double *scratch,
                       struct stripe_candidate *found, size_t *n_found)
{
    struct stripe_candidate *best = found + *n_found;
    size_t n_best = 0;

    fill_gain(answers, look, ANY_HALF, LEVELS[0], gain, scratch);
    for (size_t seed = 0; seed < seeds->n; seed++)
        for (int heading = 0; heading < ANSWER_ANGLES; heading++)
            for (int bend = -N_BENDS; bend <= N_BENDS; bend++) {
                struct stripe_candidate candidate = {.look = look, .aside_mm = SEEDED_ASIDE_MM};

                if (!try_arc(answers, gain, seeds, seeds->place_mm[seed], PI * heading / ANSWER_ANGLES,
                             MOST_BEND_PER_MM * bend / N_BENDS, &candidate)) {
                    stripe_candidate_free(&candidate);
                    return false;
                }
                keep_candidate(best, &n_best, PER_SEEDS, &candidate);
            }
    *n_found += n_best;
    return true;
}

static bool join_places(const struct stripe_answers *answers, const struct stripe_seeds *seeds,
                        struct stripe_candidate *found, size_t *n_found)
{
    float *gain = make_gain(answers);
    double *scratch = make_scratch(answers);
    bool is_made = gain != NULL && scratch != NULL && join_looks(answers, found, n_found) &&
                   join_seeds(answers, STRIPE_BRIGHT, seeds, gain, scratch, found, n_found) &&
                   join_seeds(answers, STRIPE_TRIPLE_LINE, seeds, gain, scratch, found, n_found);

    free(gain);
    free(scratch);
    return is_made;
}

bool stripe_search(const struct raster *picture, const struct raster *window, double pixel_mm,
                   const struct stripe_seeds *seeds, struct stripe_candidate *found, size_t *n_found,
                   struct error **err)
{
    struct stripe_answers answers = {0};
    bool is_made = false;

    *n_found = 0;
    if (picture->width_px * pixel_mm < 10.0 * ANSWER_GRID_MM ||
        picture->height_px * pixel_mm < 10.0 * ANSWER_GRID_MM)
        return true;
    if (!stripe_answers_make(&answers, picture, window, pixel_mm, err))
        return false;
    is_made = join_places(&answers, seeds, found, n_found);
    stripe_answers_free(&answers);
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
