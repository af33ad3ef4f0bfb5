#include "measure/stripe_course.h"

#include "base/statistics.h"
#include "base/wide.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* States of a row: N_HALVES half thicknesses of each centre, and one behind them that cannot be reached. */
enum { N_HALVES = 31, LANES = N_HALVES + 1 };
static const size_t BESIDE = LANES + 1; /* states on either side of a row, not to be reached either */
static const double LEAST_HALF_MM = 1.5;
static const double WIDEST = 1.6; /* a half thickness over that of the candidate */
static const double HALF_STEP_MM = 0.25;
static const double CHANGE_COST =
    0.35; /* of a step of centre or half thickness by 0.25 mm, standard deviations */
static const double TIP_SHARE = 0.4;   /* of the body's answer below which the stripe has ended */
static const double THIN_SHARE = 0.45; /* of the body's half thickness */
static const double LEAST_LENGTH_MM = 15.0;
static const double LEAST_ANSWER = 1.5; /* mean answer below which there is no stripe at all */

/* What chance is judged from: centres so far apart across, half thicknesses a millimetre apart, rows so far
 * apart along. */
enum { CHANCE_CENTRES = 11, CHANCE_HALVES = 5 };
static const double CHANCE_APART_MM = 1.5;
static const double CHANCE_HALF_MM = 2.5; /* the first */
static const double CHANCE_LAG_MM = 6.0;

void stripe_course_free(struct stripe_course *course)
{
    free(course->centre_mm);
    free(course->half_mm);
    free(course->answer);
    memset(course, 0, sizeof *course);
}

/* ---- answers ---- */

/* Answers to judge chance by, CHANCE_HALVES x n_rows x CHANCE_CENTRES; of odd rows only where asked for. */
static void answer_sparsely(double *answer, const struct straight *straight, const struct stripe_kind *kind,
                            bool has_odd_rows)
{
    struct stripe_bar bars[CHANCE_HALVES];
    struct stripe_profile profile;
    int apart = (int)lround(CHANCE_APART_MM / straight->column_mm);
    int first = straight->n_columns / 2 - CHANCE_CENTRES / 2 * apart;

    for (int half = 0; half < CHANCE_HALVES; half++)
        bars[half] = stripe_bar_make(kind, CHANCE_HALF_MM + half);
    for (size_t row = 0; row < straight->n_rows; row += has_odd_rows ? 1 : 2) {
        stripe_profile_take(&profile, straight, row);
        for (size_t half = 0; half < CHANCE_HALVES; half++)
            for (size_t i = 0; i < CHANCE_CENTRES; i++)
                answer[(half * straight->n_rows + row) * CHANCE_CENTRES + i] =
                    stripe_profile_answer(&profile, &bars[half], first + (int)i * apart);
    }
}

/* Spread of an answer by chance: from its differences between rows `lag` apart, at all centres. */
static double chance_of(const double *answer, size_t n_rows, size_t lag, double *scratch)
{
    size_t n = 0;

    for (size_t row = 0; row + lag < n_rows; row += 2)
        for (size_t i = 0; i < CHANCE_CENTRES; i++) {
            double one = answer[row * CHANCE_CENTRES + i];
            double other = answer[(row + lag) * CHANCE_CENTRES + i];

            if (one != 0.0 && other != 0.0)
                scratch[n++] = one - other;
        }
    return n < 10 ? 1e3 : fmax(statistics_spread(scratch, n) / 1.41421356, 0.2);
}

/* One spread for all half thicknesses, so that none is preferred. False when memory ran out. */
static bool find_usual_chance(double *chance, const struct straight *straight, const struct stripe_kind *kind)
{
    size_t lag = (size_t)round(CHANCE_LAG_MM / straight->row_mm);
    size_t n = straight->n_rows * CHANCE_CENTRES;
    double *answer = malloc((CHANCE_HALVES + 1) * n * sizeof *answer);
    double chances[CHANCE_HALVES];

    if (answer == NULL)
        return false;
    answer_sparsely(answer, straight, kind, lag % 2 == 1);
    for (size_t half = 0; half < CHANCE_HALVES; half++)
        chances[half] = chance_of(answer + half * n, straight->n_rows, lag, answer + CHANCE_HALVES * n);
    *chance = statistics_median(chances, CHANCE_HALVES);
    free(answer);
    return true;
}

static void answer_row(float *answer, const struct stripe_profile *profile, const struct stripe_bar *bars,
                       int n_centres, double chance)
{
    float of_half[PROFILE_COLUMNS];

    for (int half = 0; half < N_HALVES; half++) {
        stripe_profile_answers(of_half, profile, &bars[half], profile->n_columns / 2 - n_centres / 2,
                               n_centres, chance);
        for (int centre = 0; centre < n_centres; centre++)
            answer[centre * LANES + half] = of_half[centre];
    }
    for (int centre = 0; centre < n_centres; centre++)
        answer[centre * LANES + N_HALVES] = -HUGE_VALF;
}

/* All answers: n_rows x n_centres x LANES; the caller frees. */
static float *fill_answers(const struct straight *straight, const struct stripe_kind *kind, int n_centres)
{
    size_t n_states = (size_t)n_centres * LANES;
    float *answer = malloc(straight->n_rows * n_states * sizeof *answer);
    struct stripe_bar bars[N_HALVES];
    struct stripe_profile profile;
    double chance = 1.0;

    /* Three lines of the right spacing, not of others about them. */
    double widest_mm =
        kind->look == STRIPE_TRIPLE_LINE && kind->like_mm > 0.0 ? WIDEST * kind->like_mm : HUGE_VAL;

    if (answer == NULL || !find_usual_chance(&chance, straight, kind)) {
        free(answer);
        return NULL;
    }
    for (int half = 0; half < N_HALVES; half++) {
        double half_mm = LEAST_HALF_MM + half * HALF_STEP_MM;

        bars[half] = stripe_bar_make(kind, half_mm);
        if (half_mm > widest_mm)
            bars[half].weight = 0.0;
    }
    for (size_t row = 0; row < straight->n_rows; row++) {
        stripe_profile_take(&profile, straight, row);
        answer_row(answer + row * n_states, &profile, bars, n_centres, chance);
    }
    return answer;
}

/* ---- the best way through them ---- */

struct arrival {
    float value;
    int from; /* (step of centre + 1) * 3 + step of half thickness + 1 */
};

/* The better of an arrival and one from the state so far away. */
WIDE_PART struct arrival better(struct arrival best, const float *before, int centres, int halves)
{
    float cost = (float)(CHANGE_COST * ((centres != 0) + (halves != 0)));
    float value = before[centres * LANES + halves] - cost;
    bool is_better = value > best.value;

    best.value = is_better ? value : best.value;
    best.from = is_better ? (centres + 1) * 3 + halves + 1 : best.from;
    return best;
}

/* Best sums ending in each state of a row, given those of the row before, about which nothing can be reached.
 */
WIDE static void advance(const float *restrict before, const float *restrict answer, float *restrict now,
                         unsigned char *restrict back, size_t n_states)
{
#pragma omp simd
    for (size_t i = 0; i < n_states; i++) {
        struct arrival best = {-1e30F, 0};

        best = better(best, before + i, -1, -1);
        best = better(best, before + i, -1, 0);
        best = better(best, before + i, -1, 1);
        best = better(best, before + i, 0, -1);
        best = better(best, before + i, 0, 0);
        best = better(best, before + i, 0, 1);
        best = better(best, before + i, 1, -1);
        best = better(best, before + i, 1, 0);
        best = better(best, before + i, 1, 1);
        now[i] = best.value + answer[i];
        back[i] = (unsigned char)best.from;
    }
}

/* Sums to the last row; value has room for two rows with BESIDE states on both sides of each. The last row
 * is returned. */
static const float *add_up(float *value, const float *answer, unsigned char *back, size_t n, size_t n_states)
{
    float *row_of[2] = {value + BESIDE, value + n_states + 3 * BESIDE};

    for (size_t i = 0; i < 2 * (n_states + 2 * BESIDE); i++)
        value[i] = -HUGE_VALF;
    memcpy(row_of[0], answer, n_states * sizeof *value);
    for (size_t row = 1; row < n; row++)
        advance(row_of[(row + 1) % 2], answer + row * n_states, row_of[row % 2], back + row * n_states,
                n_states);
    return row_of[(n - 1) % 2];
}

/* Walks back from the best state of the last row. */
static void trace(struct stripe_course *course, const float *last, const float *answer,
                  const unsigned char *back, int n_centres)
{
    size_t n_states = (size_t)n_centres * LANES;
    size_t state = 0;

    for (size_t i = 1; i < n_states; i++)
        if (last[i] > last[state])
            state = i;
    for (size_t row = course->n; row-- > 0;) {
        int centre = (int)(state / LANES);
        int half = (int)(state % LANES);
        int from = row > 0 ? back[row * n_states + state] : 4;

        course->centre_mm[row] = (centre - n_centres / 2) * HALF_STEP_MM;
        course->half_mm[row] = LEAST_HALF_MM + half * HALF_STEP_MM;
        course->answer[row] = (double)answer[row * n_states + state];
        state = (size_t)((centre + from / 3 - 1) * LANES + half + from % 3 - 1);
    }
}

bool stripe_course_follow(struct stripe_course *course, const struct straight *straight,
                          const struct stripe_kind *kind, int n_centres)
{
    size_t n_states = (size_t)n_centres * LANES;
    size_t n = straight->n_rows;
    float *answer = fill_answers(straight, kind, n_centres);
    float *value = malloc(2 * (n_states + 2 * BESIDE) * sizeof *value);
    unsigned char *back = malloc(n * n_states);
    bool is_made = false;

    memset(course, 0, sizeof *course);
    course->n = n;
    course->centre_mm = calloc(n, sizeof *course->centre_mm);
    course->half_mm = calloc(n, sizeof *course->half_mm);
    course->answer = calloc(n, sizeof *course->answer);
    if (answer && value && back && course->centre_mm && course->half_mm && course->answer) {
        trace(course, add_up(value, answer, back, n, n_states), answer, back, n_centres);
        is_made = true;
    }
    free(answer);
    free(value);
    free(back);
    if (!is_made)
        stripe_course_free(course);
    return is_made;
}

static double mean_answer(const struct stripe_course *course, size_t row, size_t reach)
{
    size_t from = row > reach ? row - reach : 0;
    size_t to = row + reach < course->n ? row + reach : course->n - 1;
    double sum = 0.0;

    for (size_t i = from; i <= to; i++)
        sum += course->answer[i];
    return sum / (double)(to - from + 1);
}

/* A faint line that leads on beyond an end is not stripe: ends the run where it gets much thinner than its
 * body. */
static void cut_thin_ends(struct stripe_course *course, size_t inside)
{
    double sorted[512];
    size_t n = 0;
    size_t step = (course->to - course->from) / 500 + 1;
    double least = 0.0;

    for (size_t row = course->from; row <= course->to; row += step)
        sorted[n++] = course->half_mm[row];
    least = THIN_SHARE * statistics_quantile(sorted, n, 0.7);
    for (size_t row = inside; row > course->from; row--)
        if (course->half_mm[row] < least && course->half_mm[row - 1] < least)
            course->from = row;
    for (size_t row = inside; row < course->to; row++)
        if (course->half_mm[row] < least && course->half_mm[row + 1] < least)
            course->to = row;
}

/* The stretch of rows around the strongest that answers like the body does. */
bool stripe_course_find_run(struct stripe_course *course, double row_mm)
{
    size_t reach = (size_t)round(1.5 / row_mm);
    size_t window = (size_t)round(10.0 / row_mm);
    size_t gap = (size_t)round(3.0 / row_mm);
    size_t best = 0;
    double threshold = 0.0;

    for (size_t row = 0; row < course->n; row++)
        if (mean_answer(course, row, window) > mean_answer(course, best, window))
            best = row;
    course->body = mean_answer(course, best, window);
    if (course->body < LEAST_ANSWER)
        return false;
    threshold = TIP_SHARE * course->body;
    course->from = course->to = best;
    for (size_t row = best, weak = 0; row-- > 0 && weak <= gap;)
        if (mean_answer(course, row, reach) > threshold) {
            course->from = row;
            weak = 0;
        } else {
            weak++;
        }
    for (size_t row = best + 1, weak = 0; row < course->n && weak <= gap; row++)
        if (mean_answer(course, row, reach) > threshold) {
            course->to = row;
            weak = 0;
        } else {
            weak++;
        }
    cut_thin_ends(course, best);
    return (double)(course->to - course->from) * row_mm >= LEAST_LENGTH_MM;
}

/* Straightest line through the centres of rows [from, to]: value at a row. */
static void fit_line(const struct stripe_course *course, size_t from, size_t to, double *offset,
                     double *slope)
{
    double n = 0.0, x = 0.0, y = 0.0, xx = 0.0, xy = 0.0;

    for (size_t row = from; row <= to; row++) {
        n += 1.0;
        x += (double)row;
        y += course->centre_mm[row];
        xx += (double)row * (double)row;
        xy += (double)row * course->centre_mm[row];
    }
    *slope = n * xx - x * x > 0.0 ? (n * xy - x * y) / (n * xx - x * x) : 0.0;
    *slope = fmin(fmax(*slope, -0.1), 0.1);
    *offset = (y - *slope * x) / n;
}

void stripe_course_calm(struct stripe_course *course, double row_mm)
{
    size_t skip = (size_t)round(4.0 / row_mm);
    size_t body = (size_t)round(12.0 / row_mm);
    double offset = 0.0;
    double slope = 0.0;

    if (course->to < course->from + 2 * skip + 4)
        return;
    if (course->to - course->from < 2 * skip + body)
        body = course->to - course->from - 2 * skip;
    fit_line(course, course->from + skip, course->from + skip + body, &offset, &slope);
    for (size_t row = 0; row < course->from + skip; row++)
        course->centre_mm[row] = offset + slope * (double)row;
    fit_line(course, course->to - skip - body, course->to - skip, &offset, &slope);
    for (size_t row = course->to - skip + 1; row < course->n; row++)
        course->centre_mm[row] = offset + slope * (double)row;
}
