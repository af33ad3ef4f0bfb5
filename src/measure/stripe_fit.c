#include "measure/stripe_fit.h"

#include "base/statistics.h"
#include "measure/centre_line.h"
#include "measure/straight.h"
#include "measure/stripe_course.h"
#include "measure/stripe_layers.h"
#include "measure/stripe_tip.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double COLUMN_MM = 0.25;
static const double REACH_MM = 15.0;
static const double EXTEND_MM = 14.0;
static const double ALONG_SIGMA_MM = 1.5;
static const double LEAST_LENGTH_MM = 15.0;
static const double UNSURE_MM = 2.5;
static const double WALLS_SEEN = 0.5; /* of the body's answer: where the thickness may be read */
static const double WALL_STEP = 0.35; /* of the body's detail, at both walls: the same */
static const double INWARD_MM = 5.0;
static const double FAR_MM = 3.5; /* of a tip from the coarse end, so that the body is learned again */

/* ---- ends ---- */

static double contrast_beyond(const struct stripe_view *view, double tip_mm, double centre_mm, double half_mm)
{
    double beyond = 0.0;
    double beside = 0.0;
    double n_beyond = 0.0;
    double n_beside = 0.0;

    for (double at = tip_mm + 2.0; at <= tip_mm + 8.0; at += view->straight->row_mm, n_beyond += 1.0)
        beyond += straight_mean(view->straight, stripe_view_row(view, at), centre_mm - half_mm,
                                centre_mm + half_mm);
    for (double at = -16.0; at <= -4.0; at += view->straight->row_mm, n_beside += 1.0) {
        size_t row = stripe_view_row(view, at);

        beside +=
            0.5 * (straight_mean(view->straight, row, centre_mm - half_mm - 5.0, centre_mm - half_mm - 1.0) +
                   straight_mean(view->straight, row, centre_mm + half_mm + 1.0, centre_mm + half_mm + 5.0));
    }
    return beyond / n_beyond - beside / n_beside;
}

/* A thin line, bright or dark, that leads on beyond the tip, against what chance gives at other places
 * across. */
static double line_beyond(const struct stripe_view *view, double tip_mm, double centre_mm)
{
    double others[64];
    size_t n_others = 0;
    double best = 0.0;
    double spread = 0.0;

    for (double across = -11.0; across <= 11.0; across += 0.5) {
        double contrast = 0.0;
        double n = 0.0;

        for (double at = tip_mm + 2.0; at <= tip_mm + 10.0; at += view->straight->row_mm, n += 1.0) {
            size_t row = stripe_view_row(view, at);

            contrast += straight_mean(view->straight, row, across - 0.75, across + 0.75) -
                        0.5 * (straight_mean(view->straight, row, across - 3.0, across - 1.25) +
                               straight_mean(view->straight, row, across + 1.25, across + 3.0));
        }
        contrast = fabs(contrast / n);
        if (fabs(across - centre_mm) <= 1.5)
            best = fmax(best, contrast);
        else if (fabs(across - centre_mm) >= 3.0 && n_others < 64)
            others[n_others++] = contrast;
    }
    spread = statistics_median(others, n_others) / 0.6745;
    return spread > 0.0 ? best / spread : 0.0;
}

/* The centre line bends toward its tip. */
static void bend_centre(struct stripe_course *course, const struct stripe_view *view,
                        const struct stripe_tip *tip)
{
    for (double at = -8.0; at <= 14.0; at += view->straight->row_mm) {
        double part = fmin((at + 8.0) / 4.0, 1.0);
        double *centre = &course->centre_mm[stripe_view_row(view, at)];

        *centre += part * (stripe_tip_centre(tip, at) - *centre);
    }
}

/* Moves the coarse end to where the tip was found: what lies beyond that is no body to learn from. */
static void move_end(struct stripe_course *course, bool is_last, double outward_mm, double row_mm)
{
    double rows = round(outward_mm / row_mm);
    double spare = round(LEAST_LENGTH_MM / row_mm);

    if (is_last)
        course->to = (size_t)fmin(fmax((double)course->to + rows, (double)course->from + spare),
                                  (double)(course->n - 1));
    else
        course->from =
            (size_t)fmin(fmax((double)course->from - rows, 0.0), fmax((double)course->to - spare, 0.0));
}

/* Along the curve from its first place. */
static double end_of(const struct stripe_course *course, const struct stripe_view *view,
                     const struct stripe_tip *tip)
{
    double row_mm = view->straight->row_mm;

    return view->is_last ? (double)course->to * row_mm + tip->at_mm
                         : (double)course->from * row_mm - tip->at_mm;
}

static bool look_from(struct stripe_tip *tip, struct stripe_layers *layers, const struct stripe_view *view)
{
    stripe_layers_learn(layers, view);
    return stripe_tip_place(tip, view, layers);
}

/* Finds a tip; where it lies far from the coarse end or is unsure, the coarse end has perhaps
 * run past it, and the body is learned again from farther inside. */
static bool find_tip(struct stripe_tip *tip, struct stripe_layers *layers, const struct stripe_view *view,
                     struct stripe_course *course)
{
    struct stripe_layers other_layers = {{0}, 0.0, 0.0};
    struct stripe_tip other = {0};
    size_t from = course->from;
    size_t to = course->to;
    bool is_unsure = false;
    double here_mm = 0.0;

    if (!look_from(tip, layers, view))
        return false;
    here_mm = end_of(course, view, tip);
    is_unsure = tip->error_mm > UNSURE_MM;
    if (!is_unsure && fabs(tip->at_mm) < FAR_MM)
        return true;
    move_end(course, view->is_last, is_unsure ? -INWARD_MM : tip->at_mm, view->straight->row_mm);
    if (!look_from(&other, &other_layers, view))
        return false;
    if (other.error_mm < tip->error_mm) {
        double apart_mm = fabs(end_of(course, view, &other) - here_mm);

        *tip = other;
        tip->error_mm = hypot(tip->error_mm, 0.5 * apart_mm);
        *layers = other_layers;
    } else {
        course->from = from;
        course->to = to;
    }
    return true;
}

static bool place_end(const struct straight *straight, struct stripe_course *course, bool is_last,
                      enum stripe_look look, struct stripe_end *end, double *edge_mm)
{
    struct stripe_view view = {.straight = straight, .course = course, .look = look, .is_last = is_last};
    struct stripe_layers layers = {{0}, 0.0, 0.0};
    struct stripe_tip tip = {0};
    double centre = 0.0;

    if (!find_tip(&tip, &layers, &view, course))
        return false;
    centre = stripe_tip_centre(&tip, tip.at_mm);
    bend_centre(course, &view, &tip);
    *edge_mm = layers.edge_mm;
    end->error_mm = tip.error_mm;
    end->bluntness = tip.half_mm / tip.cap_mm;
    end->beyond = contrast_beyond(&view, tip.at_mm, centre, layers.deepest_mm);
    end->line_beyond = line_beyond(&view, tip.at_mm, centre);
    end->is_at_edge =
        !straight_is_inside(straight, stripe_view_row(&view, tip.at_mm + 2.0), centre - 1.0, centre + 1.0);
    end->at_mm = end_of(course, &view, &tip);
    return true;
}

/* ---- the whole ---- */

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
        double middle = stripe_course_middle(straight, row, course->centre_mm[row], course->half_mm[row]);
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
            stripe_course_contrast(straight, kind, row, course->centre_mm[row], course->half_mm[row]);

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

bool stripe_fit_make(struct stripe_fit *fit, bool *is_found, const struct raster *picture,
                     const struct raster *window, double pixel_mm, const struct stripe_candidate *candidate,
                     struct error **err)
{
    const struct stripe_kind kind = {
        .look = candidate->look, .is_middle_lost = candidate->is_middle_lost, .like_mm = candidate->half_mm};
    const int n_centres[] = {2 * (int)lround(candidate->aside_mm / COLUMN_MM) + 1, 21, 13};
    CLEANUP(centre_line_free) struct centre_line line = {0};
    CLEANUP(straight_free) struct straight raw = {0};
    bool is_run = true;

    memset(fit, 0, sizeof *fit);
    *is_found = false;
    fit->look = candidate->look;
    if (!centre_line_make(&line, (const double(*)[2])candidate->place_mm, candidate->n, FIT_STEP_MM, 3.0,
                          EXTEND_MM))
        return error_memory(err);
    for (int round = 0; round < 3; round++) {
        struct straight straight = {0};
        struct stripe_course course = {0};
        bool is_made = follow_line(&line, picture, window, pixel_mm, &kind, n_centres[round], &straight,
                                   &course, &is_run);

        if (is_made && is_run)
            stripe_course_calm(&course, straight.row_mm);
        if (is_made && is_run && round < 2)
            is_made = recentre(&line, &course);
        if (is_made && is_run && round == 2) {
            is_made = straight_make(&raw, picture, window, pixel_mm, &line, REACH_MM, COLUMN_MM);
            if (is_made) {
                double edge[2] = {0};

                is_made = place_end(&raw, &course, false, fit->look, &fit->first, &edge[0]) &&
                          place_end(&raw, &course, true, fit->look, &fit->last, &edge[1]);
                if (is_made) {
                    judge(fit, &kind, &course, &straight);
                    is_made = fill_fit(fit, &line, &course, &straight, 0.5 * (edge[0] + edge[1]));
                }
                *is_found = is_made && fit->length_mm >= LEAST_LENGTH_MM;
            }
        }
        straight_free(&straight);
        stripe_course_free(&course);
        if (!is_made) {
            stripe_fit_free(fit);
            return error_memory(err);
        }
        if (!is_run)
            break;
    }
    if (!*is_found)
        stripe_fit_free(fit);
    return true;
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
