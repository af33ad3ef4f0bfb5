#include "measure/stripe_course.h"

#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { N_HALVES = 31 };
static const double LEAST_HALF_MM = 1.5;
static const double MOST_OFF_CENTRE = 0.3; /* of the middle line, over the half thickness */
static const double FAINT_MIDDLE = 0.5;    /* what two outer lines answer whose middle one may be lost */
static const double BRIGHTER_DARK =
    0.6;                           /* then: share of the brighter of the two dark parts, both must be dark */
static const double UNSEEN = 0.25; /* what a place counts where the dark parts are the brighter ones */
static const double WIDEST = 1.6;  /* a half thickness over that of the candidate */
static const double HALF_STEP_MM = 0.25;
static const double OUTSIDE_MM = 4.0;
static const double CHANGE_COST =
    0.35; /* of a step of centre or half thickness by 0.25 mm, standard deviations */
static const double TIP_SHARE = 0.4;   /* of the body's answer below which the stripe has ended */
static const double THIN_SHARE = 0.45; /* of the body's half thickness */
static const double LEAST_LENGTH_MM = 15.0;
static const double LEAST_ANSWER = 1.5; /* mean answer below which there is no stripe at all */

void stripe_course_free(struct stripe_course *course)
{
    free(course->centre_mm);
    free(course->half_mm);
    free(course->answer);
    memset(course, 0, sizeof *course);
}

/* Contrast of two parts over the standard error that their widths would give to noise of unit size. */
static double weighed(double contrast, double one_mm, double other_mm)
{
    return contrast * sqrt(one_mm * other_mm / (one_mm + other_mm));
}

static double bright_answer(const struct straight *straight, size_t row, double centre, double half)
{
    double before = straight_mean(straight, row, centre - half - OUTSIDE_MM, centre - half - 0.25);
    double after = straight_mean(straight, row, centre + half + 0.25, centre + half + OUTSIDE_MM);
    double upper = straight_mean(straight, row, centre - half + 0.25, centre);
    double lower = straight_mean(straight, row, centre, centre + half - 0.25);

    return 1.41421356 * weighed(fmin(upper - before, lower - after), half, OUTSIDE_MM);
}

double stripe_course_middle(const struct straight *straight, size_t row, double centre, double half)
{
    double best = -HUGE_VAL;
    double place = centre;

    for (int i = -2; i <= 2; i++) {
        double at = centre + 0.5 * MOST_OFF_CENTRE * i * half;
        double value = straight_mean(straight, row, at - 0.5, at + 0.5);

        if (value > best) {
            best = value;
            place = at;
        }
    }
    return place;
}

static double triple_answer(const struct straight *straight, bool is_middle_lost, size_t row, double centre,
                            double half)
{
    double at = stripe_course_middle(straight, row, centre, half);
    double middle = straight_mean(straight, row, at - 0.5, at + 0.5);
    double before = straight_mean(straight, row, centre - half - 0.5, centre - half + 0.5);
    double after = straight_mean(straight, row, centre + half - 0.5, centre + half + 0.5);
    double outer = 0.75 * fmin(before, after) + 0.25 * fmax(before, after); /* both must show */
    double upper = straight_mean(straight, row, centre - half + 1.0, at - 1.0);
    double lower = straight_mean(straight, row, at + 1.0, centre + half - 1.0);
    double brighter = is_middle_lost ? BRIGHTER_DARK : 0.5;
    double dark = brighter * fmax(upper, lower) + (1.0 - brighter) * fmin(upper, lower);
    double contrast = fmin(0.5 * (middle + outer), 1.5 * fmin(middle, outer) - 0.5 * dark) - dark;

    if (half < 2.25)
        return 0.0;
    if (is_middle_lost)
        contrast = fmax(contrast, FAINT_MIDDLE * (outer - dark));
    /* Where the lines are not seen, the stripe may be there all the same. */
    return weighed(contrast < 0.0 ? UNSEEN * contrast : contrast, 2.67, 2.0 * (half - 1.5));
}

double stripe_course_contrast(const struct straight *straight, const struct stripe_kind *kind, size_t row,
                              double centre_mm, double half_mm)
{
    return kind->look == STRIPE_BRIGHT
               ? bright_answer(straight, row, centre_mm, half_mm)
               : triple_answer(straight, kind->is_middle_lost, row, centre_mm, half_mm);
}

static double answer_at(const struct straight *straight, const struct stripe_kind *kind, size_t row,
                        double centre, double half)
{
    double edge = half + 2.0;

    if (!straight_is_inside(straight, row, centre - edge, centre + edge))
        return 0.0;
    return stripe_course_contrast(straight, kind, row, centre, half);
}

/* Spread of an answer by chance: from its differences between rows 6 mm apart, at all centres. */
static double chance_of(const struct straight *straight, const struct stripe_kind *kind, double half,
                        double *scratch)
{
    size_t lag = (size_t)round(6.0 / straight->row_mm);
    size_t n = 0;

    for (size_t row = 0; row + lag < straight->n_rows; row += 2)
        for (double centre = -7.5; centre <= 7.5; centre += 1.5) {
            double one = answer_at(straight, kind, row, centre, half);
            double other = answer_at(straight, kind, row + lag, centre, half);

            if (one != 0.0 && other != 0.0)
                scratch[n++] = one - other;
        }
    return n < 10 ? 1e3 : fmax(statistics_spread(scratch, n) / 1.41421356, 0.2);
}

/* One spread for all half thicknesses, so that none is preferred. */
static double usual_chance(const struct straight *straight, const struct stripe_kind *kind, double *scratch)
{
    double chances[5];

    for (int i = 0; i < 5; i++)
        chances[i] = chance_of(straight, kind, 2.5 + i, scratch);
    return statistics_median(chances, 5);
}

/* All answers: n_rows x n_centres x N_HALVES; the caller frees. */
static float *fill_answers(const struct straight *straight, const struct stripe_kind *kind, int n_centres)
{
    float *answer = malloc(straight->n_rows * (size_t)n_centres * N_HALVES * sizeof *answer);
    double *scratch = malloc(straight->n_rows * 12 * sizeof *scratch);

    /* Three lines of the right spacing, not of others about them. */
    double widest_mm =
        kind->look == STRIPE_TRIPLE_LINE && kind->like_mm > 0.0 ? WIDEST * kind->like_mm : HUGE_VAL;
    double chance = answer != NULL && scratch != NULL ? usual_chance(straight, kind, scratch) : 1.0;

    for (int half = 0; half < N_HALVES && answer != NULL && scratch != NULL; half++) {
        double half_mm = LEAST_HALF_MM + half * HALF_STEP_MM;

        for (size_t row = 0; row < straight->n_rows; row++)
            for (int centre = 0; centre < n_centres; centre++)
                answer[(row * (size_t)n_centres + (size_t)centre) * N_HALVES + (size_t)half] =
                    half_mm > widest_mm
                        ? 0.0F
                        : (float)(answer_at(straight, kind, row, (centre - n_centres / 2) * HALF_STEP_MM,
                                            half_mm) /
                                  chance);
    }
    if (scratch == NULL) {
        free(answer);
        answer = NULL;
    }
    free(scratch);
    return answer;
}

/* Best sums ending in each state of a row, given those of the row before. */
static void advance(const float *before, const float *answer, float *now, unsigned char *back, int n_centres)
{
    for (int centre = 0; centre < n_centres; centre++)
        for (int half = 0; half < N_HALVES; half++) {
            float best = -1e30F;
            int from = 0;

            for (int dc = -1; dc <= 1; dc++)
                for (int dh = -1; dh <= 1; dh++) {
                    int c = centre + dc;
                    int h = half + dh;
                    float value = 0.0F;

                    if (c < 0 || h < 0 || c >= n_centres || h >= N_HALVES)
                        continue;
                    value = before[c * N_HALVES + h] - (float)(CHANGE_COST * ((dc != 0) + (dh != 0)));
                    if (value > best) {
                        best = value;
                        from = (dc + 1) * 3 + dh + 1;
                    }
                }
            now[centre * N_HALVES + half] = best + answer[centre * N_HALVES + half];
            back[centre * N_HALVES + half] = (unsigned char)from;
        }
}

bool stripe_course_follow(struct stripe_course *course, const struct straight *straight,
                          const struct stripe_kind *kind, int n_centres)
{
    size_t n_states = (size_t)n_centres * N_HALVES;
    size_t n = straight->n_rows;
    float *answer = fill_answers(straight, kind, n_centres);
    float *value = calloc(2 * n_states, sizeof *value);
    unsigned char *back = calloc(n, n_states);
    bool is_made = false;

    memset(course, 0, sizeof *course);
    course->n = n;
    course->centre_mm = calloc(n, sizeof *course->centre_mm);
    course->half_mm = calloc(n, sizeof *course->half_mm);
    course->answer = calloc(n, sizeof *course->answer);
    if (answer && value && back && course->centre_mm && course->half_mm && course->answer) {
        size_t state = 0;
        const float *last = NULL;

        memcpy(value, answer, n_states * sizeof *value);
        for (size_t row = 1; row < n; row++)
            advance(value + (row + 1) % 2 * n_states, answer + row * n_states, value + row % 2 * n_states,
                    back + row * n_states, n_centres);
        last = value + (n - 1) % 2 * n_states;
        for (size_t i = 1; i < n_states; i++)
            if (last[i] > last[state])
                state = i;
        for (size_t row = n; row-- > 0;) {
            int centre = (int)(state / N_HALVES);
            int half = (int)(state % N_HALVES);
            int from = row > 0 ? back[row * n_states + state] : 4;

            course->centre_mm[row] = (centre - n_centres / 2) * HALF_STEP_MM;
            course->half_mm[row] = LEAST_HALF_MM + half * HALF_STEP_MM;
            course->answer[row] = answer[row * n_states + state];
            state = (size_t)((centre + from / 3 - 1) * N_HALVES + half + from % 3 - 1);
        }
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
