#include "measure/stripe_ends.h"

#include "base/statistics.h"
#include "measure/stripe_layers.h"
#include "measure/stripe_tip.h"

#include <math.h>

static const double UNSURE_MM = 2.5;
static const double INWARD_MM = 5.0;
static const double FAR_MM = 3.5; /* of a tip from the coarse end, so that the body is learned again */
static const double LEAST_BODY_MM = 15.0; /* that is left when a coarse end is moved */

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
    double spare = round(LEAST_BODY_MM / row_mm);

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
    end->aside_error_mm = tip.aside_error_mm;
    end->bluntness = tip.half_mm / tip.cap_mm;
    end->beyond = contrast_beyond(&view, tip.at_mm, centre, layers.deepest_mm);
    end->line_beyond = line_beyond(&view, tip.at_mm, centre);
    end->is_at_edge =
        !straight_is_inside(straight, stripe_view_row(&view, tip.at_mm + 2.0), centre - 1.0, centre + 1.0);
    end->at_mm = end_of(course, &view, &tip);
    return true;
}

bool stripe_ends_place(struct stripe_fit *fit, struct stripe_course *course, const struct straight *raw,
                       double *edge_mm)
{
    double edge[2] = {0};

    if (!place_end(raw, course, false, fit->look, &fit->first, &edge[0]) ||
        !place_end(raw, course, true, fit->look, &fit->last, &edge[1]))
        return false;
    *edge_mm = 0.5 * (edge[0] + edge[1]);
    return true;
}

void stripe_ends_leave(struct stripe_fit *fit, const struct stripe_course *course,
                       const struct straight *straight)
{
    double inward = round(2.0 / straight->row_mm);
    size_t before = (size_t)fmax((double)course->from - inward, 0.0);
    size_t after = (size_t)fmin((double)course->to + inward, (double)(course->n - 1));
    double first = course->centre_mm[course->from];
    double last = course->centre_mm[course->to];

    fit->first.at_mm = (double)course->from * straight->row_mm;
    fit->last.at_mm = (double)course->to * straight->row_mm;
    fit->first.is_at_edge = !straight_is_inside(straight, before, first - 1.0, first + 1.0);
    fit->last.is_at_edge = !straight_is_inside(straight, after, last - 1.0, last + 1.0);
}
