#include "measure/stripe_fit.h"

#include "base/statistics.h"
#include "measure/centre_line.h"
#include "measure/straight.h"
#include "measure/stripe_course.h"
#include "measure/stripe_ends.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double COLUMN_MM = 0.25;
static const double REACH_MM = 15.0;
static const double EXTEND_MM = 14.0;
static const double ALONG_SIGMA_MM = 1.5;
static const double LEAST_LENGTH_MM = 15.0;
static const double WALLS_SEEN = 0.5; /* of the body's answer: where the thickness may be read */
static const double WALL_STEP = 0.35; /* of the body's detail, at both walls: the same */

/* How much darker it is beyond a wall than at it, the less of both walls: next to an even stripe's wall, on
 * the outer of three lines. */
static double wall_step(const struct straight *straight, enum stripe_look look, size_t row, double centre_mm,
                        double half_mm)
{
    double step = HUGE_VAL;

    for (double side = -1.0; side <= 1.0; side += 2.0) {
        double wall = centre_mm + side * half_mm;
        double in_from = look == STRIPE_BRIGHT ? -side * 1.5 : -0.5;
        double in_to = look == STRIPE_BRIGHT ? -side * 0.25 : 0.5;
        double out_from = look == STRIPE_BRIGHT ? side * 0.25 : side * 1.0;
        double out_to = look == STRIPE_BRIGHT ? side * 1.5 : side * 2.25;

        step = fmin(
            step,
            straight_mean(straight, row, wall + fmin(in_from, in_to), wall + fmax(in_from, in_to)) -
                straight_mean(straight, row, wall + fmin(out_from, out_to), wall + fmax(out_from, out_to)));
    }
    return step;
}

/* Median half thickness over 5 mm, where both walls stand out (or anywhere): then the thickest. */
static void measure_thickness(struct stripe_fit *fit, const struct centre_line *line,
                              const struct stripe_course *course, const struct straight *straight,
                              bool is_anywhere)
{
    enum { N = 11 };

    for (size_t i = 0; i + N - 1 < fit->n; i += 2) {
        double half_mm[N];
        double answer = 0.0;
        double step = 0.0;

        for (size_t k = 0; k < N; k++) {
            double at = fmax(fit->first.at_mm, 0.0) + (double)(i + k) * FIT_STEP_MM;
            size_t row = (size_t)fmin(round(at / line->step_mm), (double)(course->n - 1));

            half_mm[k] = fit->half_mm[i + k];
            answer += course->answer[row] / N;
            step += wall_step(straight, fit->look, row, course->centre_mm[row], course->half_mm[row]) / N;
        }
        if (is_anywhere || (answer >= WALLS_SEEN * course->body && step >= WALL_STEP * fit->detail))
            fit->thickness_mm = fmax(fit->thickness_mm, 2.0 * statistics_median(half_mm, N));
    }
}

static bool fill_fit(struct stripe_fit *fit, const struct centre_line *line,
                     const struct stripe_course *course, const struct straight *straight, double edge_mm)
{
    double from = fmax(fit->first.at_mm, 0.0);
    double to = fmin(fit->last.at_mm, (double)(line->n - 1) * line->step_mm);
    size_t n = (size_t)fmax(2.0, round((to - from) / FIT_STEP_MM) + 1.0);

    fit->n = n;
    fit->place_mm = calloc(n, sizeof *fit->place_mm);
    fit->half_mm = calloc(n, sizeof *fit->half_mm);
    if (fit->place_mm == NULL || fit->half_mm == NULL)
        return false;
    for (size_t i = 0; i < n; i++) {
        double at = from + (to - from) * (double)i / (double)(n - 1);
        size_t row = (size_t)fmin(round(at / line->step_mm), (double)(course->n - 1));
        double inward = fmin(at - from, to - at);

        centre_line_at(line, at, course->centre_mm[row], &fit->place_mm[i][0], &fit->place_mm[i][1]);
        fit->half_mm[i] = fmax(course->half_mm[row] - edge_mm, 0.75);
        if (inward < fit->half_mm[i]) /* rounded tips, for drawing and masks */
            fit->half_mm[i] *= sqrt(fmax(0.0, 1.0 - pow(1.0 - inward / fit->half_mm[i], 2.0)));
        if (i > 0)
            fit->length_mm += hypot(fit->place_mm[i][0] - fit->place_mm[i - 1][0],
                                    fit->place_mm[i][1] - fit->place_mm[i - 1][1]);
    }
    measure_thickness(fit, line, course, straight, false);
    if (fit->thickness_mm <= 0.0)
        measure_thickness(fit, line, course, straight, true);
    return true;
}

/* What lies beside the body: myometrium is much the same on both sides, and for some way. */
static void measure_sides(struct stripe_fit *fit, const struct stripe_course *course,
                          const struct straight *straight)
{
    double n = (double)(course->to - course->from + 1);
    double sum = 0.0, square = 0.0, n_sides = 0.0;

    for (size_t row = course->from; row <= course->to; row++) {
        double low = course->centre_mm[row] - course->half_mm[row];
        double high = course->centre_mm[row] + course->half_mm[row];
        double middle = stripe_profile_middle(straight, row, course->centre_mm[row], course->half_mm[row]);
        double near = 0.5 * (straight_mean(straight, row, low - 4.0, low - 0.5) +
                             straight_mean(straight, row, high + 0.5, high + 4.0));

        for (double off = 1.0; off <= 6.0; off += 0.5, n_sides += 2.0) {
            double before = straight_mean(straight, row, low - off - 0.25, low - off + 0.25);
            double after = straight_mean(straight, row, high + off - 0.25, high + off + 0.25);

            sum += before + after;
            square += before * before + after * after;
        }
        fit->inside += straight_mean(straight, row, low + 0.25, high - 0.25) / n;
        fit->upper_near += straight_mean(straight, row, low - 4.0, low - 0.5) / n;
        fit->upper_far += straight_mean(straight, row, low - 8.0, low - 4.0) / n;
        fit->lower_near += straight_mean(straight, row, high + 0.5, high + 4.0) / n;
        fit->lower_far += straight_mean(straight, row, high + 4.0, high + 8.0) / n;
        if (fit->look == STRIPE_BRIGHT)
            fit->detail += (straight_mean(straight, row, low + 0.25, high - 0.25) - near) / n;
        else
            fit->detail += (0.5 * straight_mean(straight, row, middle - 0.5, middle + 0.5) +
                            0.25 * straight_mean(straight, row, low - 0.5, low + 0.5) +
                            0.25 * straight_mean(straight, row, high - 0.5, high + 0.5) -
                            0.5 * straight_mean(straight, row, low + 1.0, middle - 1.0) -
                            0.5 * straight_mean(straight, row, middle + 1.0, high - 1.0)) /
                           n;
    }
    fit->side_spread = sqrt(fmax(square / n_sides - sum / n_sides * (sum / n_sides), 0.0));
}

static void judge(struct stripe_fit *fit, const struct stripe_kind *kind, const struct stripe_course *course,
                  const struct straight *straight)
{
    size_t n_good = 0;
    double sum = 0.0;

    for (size_t row = course->from; row <= course->to; row++) {
        double contrast =
            stripe_profile_contrast(straight, kind, row, course->centre_mm[row], course->half_mm[row]);

        n_good += course->answer[row] > 1.5;
        sum += contrast;
    }
    measure_sides(fit, course, straight);
    fit->contrast = course->body;
    fit->evenness = (double)n_good / (double)(course->to - course->from + 1);
    fit->grey_contrast = sum / (double)(course->to - course->from + 1);
}

/* The run's centre as a new curve. */
static bool recentre(struct centre_line *line, const struct stripe_course *course)
{
    size_t n = course->to - course->from + 1;
    double(*place)[2] = calloc(n, sizeof *place);
    struct centre_line made = {0};
    bool is_made = false;

    if (place == NULL)
        return false;
    for (size_t i = 0; i < n; i++)
        centre_line_at(line, (double)(course->from + i) * line->step_mm, course->centre_mm[course->from + i],
                       &place[i][0], &place[i][1]);
    is_made = centre_line_make(&made, (const double(*)[2])place, n, FIT_STEP_MM, 3.0, EXTEND_MM);
    free(place);
    if (is_made) {
        centre_line_free(line);
        *line = made;
    }
    return is_made;
}

/* One round: straighten along the line, follow the walls, find the run. */
static bool follow_line(const struct centre_line *line, const struct raster *picture,
                        const struct raster *window, double pixel_mm, const struct stripe_kind *kind,
                        int n_centres, struct straight *straight, struct stripe_course *course, bool *is_run)
{
    if (!straight_make(straight, picture, window, pixel_mm, line, REACH_MM, COLUMN_MM) ||
        !straight_smooth(straight, ALONG_SIGMA_MM) ||
        !stripe_course_follow(course, straight, kind, n_centres))
        return false;
    *is_run = stripe_course_find_run(course, straight->row_mm);
    return true;
}

/* The last round's run as a fit, its ends placed or left. */
static bool finish(struct stripe_fit *fit, const struct stripe_kind *kind, const struct centre_line *line,
                   struct stripe_course *course, const struct straight *straight,
                   const struct raster *picture, const struct raster *window, double pixel_mm, bool is_sketch)
{
    CLEANUP(straight_free) struct straight raw = {0};
    double edge_mm = 0.0;

    if (is_sketch)
        stripe_ends_leave(fit, course, straight);
    else if (!straight_make(&raw, picture, window, pixel_mm, line, REACH_MM, COLUMN_MM) ||
             !stripe_ends_place(fit, course, &raw, &edge_mm))
        return false;
    judge(fit, kind, course, straight);
    return fill_fit(fit, line, course, straight, edge_mm);
}

static bool make_fit(struct stripe_fit *fit, bool *is_found, const struct raster *picture,
                     const struct raster *window, double pixel_mm, const struct stripe_candidate *candidate,
                     bool is_sketch, struct error **err)
{
    enum { ROUNDS = 3 };
    const struct stripe_kind kind = {
        .look = candidate->look, .is_middle_lost = candidate->is_middle_lost, .like_mm = candidate->half_mm};
    const int n_centres[ROUNDS] = {2 * (int)lround(candidate->aside_mm / COLUMN_MM) + 1, 21, 13};
    CLEANUP(centre_line_free) struct centre_line line = {0};
    bool is_run = true;

    memset(fit, 0, sizeof *fit);
    *is_found = false;
    fit->look = candidate->look;
    if (!centre_line_make(&line, (const double(*)[2])candidate->place_mm, candidate->n, FIT_STEP_MM, 3.0,
                          EXTEND_MM))
        return error_memory(err);
    for (int round = 0; round < ROUNDS && is_run; round++) {
        struct straight straight = {0};
        struct stripe_course course = {0};
        bool is_made = follow_line(&line, picture, window, pixel_mm, &kind, n_centres[round], &straight,
                                   &course, &is_run);

        if (is_made && is_run)
            stripe_course_calm(&course, straight.row_mm);
        if (is_made && is_run && round + 1 < ROUNDS)
            is_made = recentre(&line, &course);
        if (is_made && is_run && round + 1 == ROUNDS) {
            is_made = finish(fit, &kind, &line, &course, &straight, picture, window, pixel_mm, is_sketch);
            *is_found = is_made && fit->length_mm >= LEAST_LENGTH_MM;
        }
        straight_free(&straight);
        stripe_course_free(&course);
        if (!is_made) {
            stripe_fit_free(fit);
            return error_memory(err);
        }
    }
    if (!*is_found)
        stripe_fit_free(fit);
    return true;
}

bool stripe_fit_make(struct stripe_fit *fit, bool *is_found, const struct raster *picture,
                     const struct raster *window, double pixel_mm, const struct stripe_candidate *candidate,
                     struct error **err)
{
    return make_fit(fit, is_found, picture, window, pixel_mm, candidate, false, err);
}

bool stripe_fit_sketch(struct stripe_fit *fit, bool *is_found, const struct raster *picture,
                       const struct raster *window, double pixel_mm, const struct stripe_candidate *candidate,
                       struct error **err)
{
    return make_fit(fit, is_found, picture, window, pixel_mm, candidate, true, err);
}

double stripe_fit_share_near(const struct stripe_fit *a, const struct stripe_fit *b)
{
    return stripe_candidate_share_near((const double(*)[2])a->place_mm, a->n, (const double(*)[2])b->place_mm,
                                       b->n);
}

void stripe_fit_free(struct stripe_fit *fit)
{
    if (fit == NULL)
        return;
    free(fit->place_mm);
    free(fit->half_mm);
    memset(fit, 0, sizeof *fit);
}
