#include "measure/stripe_layers.h"

#include "base/statistics.h"
#include "measure/strength.h"

#include <math.h>

static const double LAYER_BIN_MM = 0.25;
static const double LAYER_FROM_MM = -6.0; /* outside the wall */
static const double MIDDLE_MM = 1.25;     /* half of the bright middle, and what it spreads to */

static double row_of(const struct stripe_view *view, double outward_mm)
{
    return view->is_last ? (double)view->course->to + outward_mm / view->straight->row_mm
                         : (double)view->course->from - outward_mm / view->straight->row_mm;
}

size_t stripe_view_row(const struct stripe_view *view, double outward_mm)
{
    return (size_t)fmin(fmax(round(row_of(view, outward_mm)), 0.0), (double)(view->straight->n_rows - 1));
}

bool stripe_view_has(const struct stripe_view *view, double outward_mm)
{
    double row = row_of(view, outward_mm);

    return row > -0.5 && row < (double)view->straight->n_rows - 0.5;
}

static double median_of_rows(const struct stripe_view *view, const double *values, double from_mm,
                             double to_mm)
{
    double scratch[128];
    size_t n = 0;

    for (double at = from_mm; at <= to_mm && n < 128; at += view->straight->row_mm)
        scratch[n++] = values[stripe_view_row(view, at)];
    return statistics_median(scratch, n);
}

double stripe_layers_at(const struct stripe_layers *layers, double depth_mm)
{
    double place = fmin(fmax((fmin(depth_mm, layers->deepest_mm) - LAYER_FROM_MM) / LAYER_BIN_MM - 0.5, 0.0),
                        STRIPE_LAYER_BINS - 1.001);
    size_t i = (size_t)place;
    double part = place - (double)i;

    return layers->value[i] + part * (layers->value[i + 1] - layers->value[i]);
}

double stripe_layers_mean(const struct stripe_layers *layers, double from_mm, double to_mm)
{
    double sum = 0.0;
    double n = 0.0;

    for (double depth = from_mm; depth <= to_mm + 1e-9; depth += LAYER_BIN_MM, n += 1.0)
        sum += stripe_layers_at(layers, depth);
    return sum / n;
}

/* An even stripe's brightness within its border, short of the bright line in its middle. */
static double plateau(const struct stripe_layers *layers)
{
    return stripe_layers_mean(layers, 1.75, fmax(layers->deepest_mm - MIDDLE_MM, 2.25));
}

/* Depth of the border as the eye sets it: half-way between outside and inside in brightness; between
 * outside and the outer of three lines half-way in energy, for the line is thin. */
static double edge_depth(const struct stripe_layers *layers, enum stripe_look look)
{
    double outside = stripe_layers_mean(layers, -4.0, -1.75);
    double inside = look == STRIPE_BRIGHT ? plateau(layers) : stripe_layers_mean(layers, -0.25, 0.25);
    double half = look == STRIPE_BRIGHT ? 0.5 * (outside + inside) : strength_half_way(outside, inside);

    if (inside - outside < 3.0)
        return 0.0;
    for (double depth = look == STRIPE_BRIGHT ? 1.5 : 0.0; depth > -1.5; depth -= 0.05)
        if (stripe_layers_at(layers, depth) <= half)
            return depth;
    return 0.0;
}

void stripe_layers_learn(struct stripe_layers *layers, const struct stripe_view *view)
{
    const struct straight *straight = view->straight;
    const struct stripe_course *course = view->course;
    int reach = straight->n_columns / 2;
    double sum[STRIPE_LAYER_BINS] = {0};
    double count[STRIPE_LAYER_BINS] = {0};
    double last = 0.0;

    for (double at = -20.0; at <= -4.0; at += straight->row_mm) {
        size_t row = stripe_view_row(view, at);

        if (row < course->from || row > course->to)
            continue;
        for (int i = -reach; i <= reach; i++) {
            double depth = course->half_mm[row] - fabs(i * straight->column_mm - course->centre_mm[row]);
            double bin = (depth - LAYER_FROM_MM) / LAYER_BIN_MM;
            size_t place = row * (size_t)straight->n_columns + (size_t)(i + reach);

            if (bin < 0.0 || bin >= STRIPE_LAYER_BINS || straight->inside[place] < 0.5F)
                continue;
            sum[(size_t)bin] += (double)straight->value[place];
            count[(size_t)bin] += 1.0;
        }
    }
    for (size_t i = 0; i < STRIPE_LAYER_BINS; i++) {
        last = count[i] > 0.0 ? sum[i] / count[i] : last;
        layers->value[i] = last;
    }
    layers->deepest_mm = median_of_rows(view, course->half_mm, -10.0, -4.0);
    layers->edge_mm = edge_depth(layers, view->look);
}
