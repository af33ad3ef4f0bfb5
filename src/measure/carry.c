#include "measure/carry.h"

#include <math.h>

static const double ALONG_SIGMA_MM = 8.0; /* over which movement along the stripe is taken together */
static const double LEAST_TRUST = 0.05;   /* a lost wall still says a little */
static const double REACH_MM = 4.5;       /* of bubbles: their own size, and that of a patch */
static const double LEAST_BEYOND = 3.0;   /* patches beyond the reach that tell the movement: their weight */

/* Movement of the centre line at a position: the mean of its walls' since rest, millimetres. */
static void centre_shift(const struct follow *follow, const struct canvas *canvas, size_t frame,
                         size_t position, double *x_mm, double *y_mm)
{
    const struct point *rest = follow->rest;
    const struct point *wall = follow->wall + (frame * follow->n_positions + position) * 2;

    *x_mm = 0.5 * (wall[0].x_px + wall[1].x_px - rest[2 * position].x_px - rest[2 * position + 1].x_px) *
            canvas->mm_per_px_x;
    *y_mm = 0.5 * (wall[0].y_px + wall[1].y_px - rest[2 * position].y_px - rest[2 * position + 1].y_px) *
            canvas->mm_per_px_y;
}

/* The same at any arc length: linear between positions, level beyond them, over three positions. */
void carry_at(const struct follow *follow, const double *shift, double along_mm, double *x_mm, double *y_mm)
{
    const double *position_mm = follow->position_mm;
    size_t n_positions = follow->n_positions;
    double place = n_positions > 1 ? (along_mm - position_mm[0]) / (position_mm[1] - position_mm[0]) : 0.0;
    size_t i = 0;
    double part = 0.0;

    place = fmin(fmax(place, 0.0), (double)(n_positions - 1));
    i = (size_t)fmin(place, (double)(n_positions > 1 ? n_positions - 2 : 0));
    part = place - (double)i;
    *x_mm = shift[2 * i] + (n_positions > 1 ? part * (shift[2 * i + 2] - shift[2 * i]) : 0.0);
    *y_mm = shift[2 * i + 1] + (n_positions > 1 ? part * (shift[2 * i + 3] - shift[2 * i + 1]) : 0.0);
}

/* A straight line through the movements along the stripe of all positions, near ones counting most: walls run
 * along it, so the patches on them tell it badly one by one, and tissue is drawn out over centimetres only.
 */
struct along_fit {
    double at_mm;  /* movement at the position in question */
    double change; /* per millimetre of arc length */
    double error_mm;
};

static double weight_along(const struct follow *follow, size_t frame, size_t position, double away_mm)
{
    const float *trust = follow->wall_trust + (frame * follow->n_positions + position) * 2;

    return (LEAST_TRUST + (double)(trust[0] + trust[1])) *
           exp(-0.5 * away_mm * away_mm / (ALONG_SIGMA_MM * ALONG_SIGMA_MM));
}

static struct along_fit fit_along(const struct follow *follow, size_t frame, const double *movement, size_t i)
{
    const double *normal = follow->normal + 2 * i;
    struct along_fit fit = {0};
    double sums[5] = {0}; /* weight; with away; with away squared; with movement; with both */
    double squares = 0.0;
    double weights = 0.0;

    for (size_t k = 0; k < follow->n_positions; k++) {
        double away = follow->position_mm[k] - follow->position_mm[i];
        double along = movement[2 * k] * normal[1] - movement[2 * k + 1] * normal[0];
        double weight = weight_along(follow, frame, k, away);

        sums[0] += weight;
        sums[1] += weight * away;
        sums[2] += weight * away * away;
        sums[3] += weight * along;
        sums[4] += weight * away * along;
        weights += weight * weight;
    }
    fit.at_mm = sums[3] / sums[0];
    if (sums[0] * sums[2] - sums[1] * sums[1] > 1e-6 * sums[0] * sums[2]) {
        fit.change = (sums[0] * sums[4] - sums[1] * sums[3]) / (sums[0] * sums[2] - sums[1] * sums[1]);
        fit.at_mm = (sums[3] - fit.change * sums[1]) / sums[0];
    }
    for (size_t k = 0; k < follow->n_positions; k++) {
        double away = follow->position_mm[k] - follow->position_mm[i];
        double left =
            movement[2 * k] * normal[1] - movement[2 * k + 1] * normal[0] - fit.at_mm - fit.change * away;

        squares += weight_along(follow, frame, k, away) * left * left;
    }
    /* Patches overlap: two neighbours count as one. */
    fit.error_mm = sqrt(squares / sums[0] * fmin(2.0 * weights / (sums[0] * sums[0]), 1.0));
    return fit;
}

/* Smoothed movements of all positions of one frame; `shift` and `scratch` hold n_positions pairs. */
void carry_fill(const struct follow *follow, const struct canvas *canvas, size_t frame, double *shift,
                double *scratch)
{
    size_t n = follow->n_positions;

    for (size_t i = 0; i < n; i++)
        centre_shift(follow, canvas, frame, i, &scratch[2 * i], &scratch[2 * i + 1]);
    for (size_t i = 0; i < n; i++) {
        const double *normal = follow->normal + 2 * i;
        const double *before = scratch + 2 * (i > 0 ? i - 1 : i);
        const double *after = scratch + 2 * (i + 1 < n ? i + 1 : i);
        double x = 0.25 * before[0] + 0.5 * scratch[2 * i] + 0.25 * after[0];
        double y = 0.25 * before[1] + 0.5 * scratch[2 * i + 1] + 0.25 * after[1];
        double across = x * normal[0] + y * normal[1];
        double along = fit_along(follow, frame, scratch, i).at_mm;

        shift[2 * i] = across * normal[0] + along * normal[1];
        shift[2 * i + 1] = across * normal[1] - along * normal[0];
    }
}

double carry_error_mm(const struct follow *follow, const struct canvas *canvas, size_t frame, double along_mm)
{
    double movement[2 * FOLLOW_MOST_POSITIONS];
    size_t near = 0;

    for (size_t i = 0; i < follow->n_positions; i++) {
        centre_shift(follow, canvas, frame, i, &movement[2 * i], &movement[2 * i + 1]);
        if (fabs(follow->position_mm[i] - along_mm) < fabs(follow->position_mm[near] - along_mm))
            near = i;
    }
    return fit_along(follow, frame, movement, near).error_mm;
}

/* Sums of a straight line through movements along the stripe. */
struct line_sums {
    double weight, away, away_squared, along, both;
};

/* Adds a patch that lies beyond the reach of bubbles. */
static void add_patch(struct line_sums *sums, const struct follow *follow, const struct canvas *canvas,
                      const struct point *rest, const struct point *now, double trust,
                      const double bubbles_mm[2], size_t position, size_t i)
{
    const double *normal = follow->normal + 2 * i;
    double away = follow->position_mm[position] - follow->position_mm[i];
    double weight = trust * exp(-0.5 * away * away / (ALONG_SIGMA_MM * ALONG_SIGMA_MM));
    double along = (now->x_px - rest->x_px) * canvas->mm_per_px_x * normal[1] -
                   (now->y_px - rest->y_px) * canvas->mm_per_px_y * normal[0];
    double rest_mm[2];

    canvas_to_mm(canvas, *rest, rest_mm);
    if (hypot(rest_mm[0] - bubbles_mm[0], rest_mm[1] - bubbles_mm[1]) < REACH_MM)
        return;
    sums->weight += weight;
    sums->away += weight * away;
    sums->away_squared += weight * away * away;
    sums->along += weight * along;
    sums->both += weight * away * along;
}

double carry_drag_mm(const struct follow *follow, const struct canvas *canvas, size_t frame, double along_mm,
                     double across_mm)
{
    double movement[2 * FOLLOW_MOST_POSITIONS];
    const struct point *beside_rest = follow->rest + 2 * follow->n_positions + 2;
    struct line_sums sums = {0};
    double bubbles_mm[2];
    double spread = 0.0;
    size_t i = 0;

    centre_line_at(&follow->line, along_mm - follow->line_from_mm, across_mm, &bubbles_mm[0], &bubbles_mm[1]);
    for (size_t k = 0; k < follow->n_positions; k++) {
        centre_shift(follow, canvas, frame, k, &movement[2 * k], &movement[2 * k + 1]);
        if (fabs(follow->position_mm[k] - along_mm) < fabs(follow->position_mm[i] - along_mm))
            i = k;
    }
    for (size_t k = 0; k < 2 * follow->n_positions; k++) {
        size_t at = frame * 2 * follow->n_positions + k;

        add_patch(&sums, follow, canvas, &follow->rest[k], &follow->wall[at], (double)follow->wall_trust[at],
                  bubbles_mm, k / 2, i);
    }
    for (size_t k = 0; k < 2 * follow->n_beside; k++) {
        size_t at = frame * 2 * follow->n_beside + k;

        add_patch(&sums, follow, canvas, &beside_rest[k], &follow->beside[at],
                  (double)follow->beside_trust[at], bubbles_mm, follow->beside_position[k / 2], i);
    }
    spread = sums.weight * sums.away_squared - sums.away * sums.away;
    if (sums.weight < LEAST_BEYOND || spread < 1e-6 * sums.weight * sums.away_squared)
        return 0.0;
    return fit_along(follow, frame, movement, i).at_mm -
           (sums.along * sums.away_squared - sums.away * sums.both) / spread;
}
