#include "measure/stripe_fit.h"

#include "base/statistics.h"
#include "measure/centre_line.h"
#include "measure/straight.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { N_HALVES = 31, MOST_CENTRES = 37, N_LAYER_BINS = 64 };
static const double LEAST_HALF_MM = 1.5;
static const double HALF_STEP_MM = 0.25;
static const double COLUMN_MM = 0.25;
static const double REACH_MM = 15.0;
static const double EXTEND_MM = 14.0;
static const double OUTSIDE_MM = 4.0;
static const double ALONG_SIGMA_MM = 1.5;
static const double CHANGE_COST =
    0.35; /* of a step of centre or half thickness by 0.25 mm, standard deviations */
static const double TIP_SHARE = 0.4;   /* of the body's answer below which the stripe has ended */
static const double THIN_SHARE = 0.45; /* of the body's half thickness */
static const double LEAST_LENGTH_MM = 15.0;
static const double LEAST_ANSWER = 1.5; /* mean answer below which there is no stripe at all */
static const double LAYER_BIN_MM = 0.25;
static const double LAYER_FROM_MM = -6.0; /* outside the wall */

/* What following the walls gives, one entry a row. */
struct course {
    size_t n;
    double *centre_mm; /* from the line */
    double *half_mm;
    double *answer;  /* standard deviations */
    size_t from, to; /* rows of the run that is stripe, both included */
    double body;     /* typical answer within the run */
};

static void course_free(struct course *course)
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

static double triple_answer(const struct straight *straight, size_t row, double centre, double half)
{
    double middle = straight_mean(straight, row, centre - 0.5, centre + 0.5);
    double outer = 0.5 * (straight_mean(straight, row, centre - half - 0.5, centre - half + 0.5) +
                          straight_mean(straight, row, centre + half - 0.5, centre + half + 0.5));
    double dark = 0.5 * (straight_mean(straight, row, centre - half + 1.0, centre - 1.0) +
                         straight_mean(straight, row, centre + 1.0, centre + half - 1.0));

    if (half < 2.25)
        return 0.0;
    return weighed(fmin(0.5 * (middle + outer), 1.5 * fmin(middle, outer) - 0.5 * dark) - dark, 2.67,
                   2.0 * (half - 1.5));
}

static double answer_at(const struct straight *straight, enum stripe_look look, size_t row, double centre,
                        double half)
{
    double edge = half + 2.0;

    if (!straight_is_inside(straight, row, centre - edge, centre + edge))
        return 0.0;
    return look == STRIPE_BRIGHT ? bright_answer(straight, row, centre, half)
                                 : triple_answer(straight, row, centre, half);
}

/* Spread of an answer by chance: from its differences between rows 6 mm apart, at all centres. */
static double chance_of(const struct straight *straight, enum stripe_look look, double half, double *scratch)
{
    size_t lag = (size_t)round(6.0 / straight->row_mm);
    size_t n = 0;

    for (size_t row = 0; row + lag < straight->n_rows; row += 2)
        for (double centre = -7.5; centre <= 7.5; centre += 1.5) {
            double one = answer_at(straight, look, row, centre, half);
            double other = answer_at(straight, look, row + lag, centre, half);

            if (one != 0.0 && other != 0.0)
                scratch[n++] = one - other;
        }
    return n < 10 ? 1e3 : fmax(statistics_spread(scratch, n) / 1.41421356, 0.2);
}

/* One spread for all half thicknesses, so that none is preferred. */
static double usual_chance(const struct straight *straight, enum stripe_look look, double *scratch)
{
    double chances[5];

    for (int i = 0; i < 5; i++)
        chances[i] = chance_of(straight, look, 2.5 + i, scratch);
    return statistics_median(chances, 5);
}

/* All answers: n_rows x n_centres x N_HALVES; the caller frees. */
static float *fill_answers(const struct straight *straight, enum stripe_look look, int n_centres)
{
    float *answer = malloc(straight->n_rows * (size_t)n_centres * N_HALVES * sizeof *answer);
    double *scratch = malloc(straight->n_rows * 12 * sizeof *scratch);

    double chance = answer != NULL && scratch != NULL ? usual_chance(straight, look, scratch) : 1.0;

    for (int half = 0; half < N_HALVES && answer != NULL && scratch != NULL; half++) {
        double half_mm = LEAST_HALF_MM + half * HALF_STEP_MM;

        for (size_t row = 0; row < straight->n_rows; row++)
            for (int centre = 0; centre < n_centres; centre++)
                answer[(row * (size_t)n_centres + (size_t)centre) * N_HALVES + (size_t)half] =
                    (float)(answer_at(straight, look, row, (centre - n_centres / 2) * HALF_STEP_MM, half_mm) /
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

static bool follow_walls(const struct straight *straight, enum stripe_look look, int n_centres,
                         struct course *course)
{
    size_t n_states = (size_t)n_centres * N_HALVES;
    size_t n = straight->n_rows;
    float *answer = fill_answers(straight, look, n_centres);
    float *value = calloc(2 * n_states, sizeof *value);
    unsigned char *back = malloc(n * n_states);
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
        course_free(course);
    return is_made;
}

static double mean_answer(const struct course *course, size_t row, size_t reach)
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
static void cut_thin_ends(struct course *course, size_t inside)
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
static bool find_run(struct course *course, double row_mm)
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

/* ---- tips ---- */

/* Brightness by signed depth inside the nearer wall, learned from the body next to a tip. */
struct layers {
    double value[N_LAYER_BINS];
    double deepest_mm; /* half thickness there */
};

static double layer_at(const struct layers *layers, double depth_mm)
{
    double place = fmin(fmax((fmin(depth_mm, layers->deepest_mm) - LAYER_FROM_MM) / LAYER_BIN_MM - 0.5, 0.0),
                        N_LAYER_BINS - 1.001);
    size_t i = (size_t)place;
    double part = place - (double)i;

    return layers->value[i] + part * (layers->value[i + 1] - layers->value[i]);
}

/* The tip at one end, seen with rows counted outward from the body. */
struct tip {
    const struct straight *straight; /* not smoothed */
    const struct course *course;
    bool is_last;
};

static size_t row_at(const struct tip *tip,
                     double outward_mm) /* from the coarse end of the run, + is outward */
{
    double row = tip->is_last ? (double)tip->course->to + outward_mm / tip->straight->row_mm
                              : (double)tip->course->from - outward_mm / tip->straight->row_mm;

    return (size_t)fmin(fmax(round(row), 0.0), (double)(tip->straight->n_rows - 1));
}

static double median_of_rows(const struct tip *tip, const double *values, double from_mm, double to_mm)
{
    double scratch[128];
    size_t n = 0;

    for (double at = from_mm; at <= to_mm && n < 128; at += tip->straight->row_mm)
        scratch[n++] = values[row_at(tip, at)];
    return statistics_median(scratch, n);
}

static void learn_layers(const struct tip *tip, struct layers *layers)
{
    const struct straight *straight = tip->straight;
    int reach = straight->n_columns / 2;
    double sum[N_LAYER_BINS] = {0};
    double count[N_LAYER_BINS] = {0};
    double last = 0.0;

    for (double at = -20.0; at <= -4.0; at += straight->row_mm) {
        size_t row = row_at(tip, at);

        if (row < tip->course->from || row > tip->course->to)
            continue;
        for (int i = -reach; i <= reach; i++) {
            double depth =
                tip->course->half_mm[row] - fabs(i * straight->column_mm - tip->course->centre_mm[row]);
            double bin = (depth - LAYER_FROM_MM) / LAYER_BIN_MM;
            size_t place = row * (size_t)straight->n_columns + (size_t)(i + reach);

            if (bin < 0.0 || bin >= N_LAYER_BINS || straight->inside[place] < 0.5F)
                continue;
            sum[(size_t)bin] += (double)straight->value[place];
            count[(size_t)bin] += 1.0;
        }
    }
    for (size_t i = 0; i < N_LAYER_BINS; i++) {
        last = count[i] > 0.0 ? sum[i] / count[i] : last;
        layers->value[i] = last;
    }
}

static double mean_layer(const struct layers *layers, double from_mm, double to_mm)
{
    double sum = 0.0;
    double n = 0.0;

    for (double depth = from_mm; depth <= to_mm + 1e-9; depth += LAYER_BIN_MM, n += 1.0)
        sum += layer_at(layers, depth);
    return sum / n;
}

/* Depth at which the brightness is half-way between the outside and the inside (for three
 * lines: and the outer line): the border as the eye sets it. The walls that were followed
 * may stand off from it by as much. */
static double edge_depth(const struct layers *layers, enum stripe_look look)
{
    double outside = mean_layer(layers, -4.0, -1.75);
    double inside = look == STRIPE_BRIGHT ? mean_layer(layers, 1.75, fmax(layers->deepest_mm, 2.25))
                                          : mean_layer(layers, -0.25, 0.25);
    double half = 0.5 * (outside + inside);

    if (inside - outside < 3.0)
        return 0.0;
    for (double depth = look == STRIPE_BRIGHT ? 1.5 : 0.0; depth > -1.5; depth -= 0.05)
        if (layer_at(layers, depth) <= half)
            return depth;
    return 0.0;
}

/* How deep a place lies inside a rounded tip: `inward_mm` from the tip along the axis, `across_mm` off it. */
static double depth_in_tip(double inward_mm, double across_mm, double half_mm, double cap_mm)
{
    double u = across_mm / half_mm;
    double v = (cap_mm - inward_mm) / cap_mm;
    double slope = 0.0;

    if (v <= 0.0)
        return half_mm - fabs(across_mm);
    slope = 2.0 * sqrt(u * u / (half_mm * half_mm) + v * v / (cap_mm * cap_mm));
    /* First-order distance to the ellipse u^2 + v^2 = 1: value over slope. */
    return slope > 1e-9 ? fmin((1.0 - u * u - v * v) / slope, half_mm) : half_mm;
}

struct misfit {
    double square; /* residual sum of squares */
    double n;      /* samples */
    double gain;   /* of the layers */
};

/* Fits picture = offset + gain * layers around a trial tip. */
static struct misfit try_tip(const struct tip *tip, const struct layers *layers, double tip_mm,
                             double half_mm, double cap_mm, double centre_mm)
{
    const struct straight *straight = tip->straight;
    int reach = straight->n_columns / 2;
    double n = 0.0;
    double x = 0.0, y = 0.0, xx = 0.0, xy = 0.0, yy = 0.0;
    struct misfit made = {0};
    double varied = 0.0;

    for (double at = -9.0; at <= 9.0; at += straight->row_mm) {
        size_t row = row_at(tip, at);

        for (int i = -reach; i <= reach; i++) {
            double across = i * straight->column_mm - centre_mm;
            size_t place = row * (size_t)straight->n_columns + (size_t)(i + reach);
            double model = 0.0;
            double value = (double)straight->value[place];

            if (fabs(across) > half_mm + OUTSIDE_MM || straight->inside[place] < 0.5F)
                continue;
            model = layer_at(layers, depth_in_tip(tip_mm - at, across, half_mm, cap_mm));
            n += 1.0;
            x += model;
            y += value;
            xx += model * model;
            xy += model * value;
            yy += value * value;
        }
    }
    made.n = n;
    if (n < 50.0) {
        made.square = HUGE_VAL;
        return made;
    }
    varied = xx - x * x / n;
    made.gain = varied > 0.0 ? fmax((xy - x * y / n) / varied, 0.0) : 0.0;
    made.square = yy - y * y / n - made.gain * (2.0 * (xy - x * y / n) - made.gain * varied);
    return made;
}

/* Independent samples per sample, from how alike neighbours in the residue are: speckle has a size. */
static double independence(const struct tip *tip)
{
    const struct straight *straight = tip->straight;
    size_t width = (size_t)straight->n_columns;
    double square = 0.0, along = 0.0, across = 0.0, mean = 0.0, n = 0.0;

    for (int pass = 0; pass < 2; pass++)
        for (double at = -9.0; at <= 8.0; at += straight->row_mm) {
            size_t row = row_at(tip, at);
            size_t next = row + 1 < straight->n_rows ? row + 1 : row;

            for (size_t i = 10; i + 10 < width; i++) {
                const float *here = straight->value + row * width + i;
                double local = straight_mean(straight, row,
                                             ((double)i - (double)(width / 2) - 6.0) * straight->column_mm,
                                             ((double)i - (double)(width / 2) + 6.0) * straight->column_mm);
                double value = (double)here[0] - local;

                if (pass == 0) {
                    mean += value;
                    n += 1.0;
                    continue;
                }
                square += value * value;
                across += value * ((double)here[1] - local);
                along += value * ((double)straight->value[next * width + i] - local);
            }
        }
    (void)mean;
    if (!(square > 0.0) || n < 100.0)
        return 0.05;
    along = fmin(fmax(along / square, 0.0), 0.95);
    across = fmin(fmax(across / square, 0.0), 0.95);
    return (1.0 - along) / (1.0 + along) * (1.0 - across) / (1.0 + across);
}

static double contrast_beyond(const struct tip *tip, double tip_mm, double centre_mm, double half_mm)
{
    double beyond = 0.0;
    double beside = 0.0;
    double n_beyond = 0.0;
    double n_beside = 0.0;

    for (double at = tip_mm + 2.0; at <= tip_mm + 8.0; at += tip->straight->row_mm, n_beyond += 1.0)
        beyond += straight_mean(tip->straight, row_at(tip, at), centre_mm - half_mm, centre_mm + half_mm);
    for (double at = -16.0; at <= -4.0; at += tip->straight->row_mm, n_beside += 1.0) {
        size_t row = row_at(tip, at);

        beside +=
            0.5 * (straight_mean(tip->straight, row, centre_mm - half_mm - 5.0, centre_mm - half_mm - 1.0) +
                   straight_mean(tip->straight, row, centre_mm + half_mm + 1.0, centre_mm + half_mm + 5.0));
    }
    return beyond / n_beyond - beside / n_beside;
}

/* A thin line, bright or dark, that leads on beyond the tip, against what chance gives at other places
 * across. */
static double line_beyond(const struct tip *tip, double tip_mm, double centre_mm)
{
    double others[64];
    size_t n_others = 0;
    double best = 0.0;
    double spread = 0.0;

    for (double across = -11.0; across <= 11.0; across += 0.5) {
        double contrast = 0.0;
        double n = 0.0;

        for (double at = tip_mm + 2.0; at <= tip_mm + 10.0; at += tip->straight->row_mm, n += 1.0) {
            size_t row = row_at(tip, at);

            contrast += straight_mean(tip->straight, row, across - 0.75, across + 0.75) -
                        0.5 * (straight_mean(tip->straight, row, across - 3.0, across - 1.25) +
                               straight_mean(tip->straight, row, across + 1.25, across + 3.0));
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

/* What is tried for a tip. */
struct trials {
    double from_mm, to_mm, step_mm; /* places, outward from the coarse end */
    int n_sides;                    /* 1 or 3: off the centre line */
    int n_widths;                   /* 1 or 3: of the half thickness */
};
static const struct trials QUICK_TRIALS = {-7.0, 7.0, 0.5, 1, 1};
enum { MOST_PLACES = 64 };

/* Best trial; least[] is the least misfit at each place. */
static struct misfit search_tip(const struct tip *tip, const struct layers *layers,
                                const struct trials *trials, double half, double centre, double *least,
                                struct stripe_end *end, double *tip_mm, int *at_best, int *n_places)
{
    static const double CAPS[] = {0.5, 0.75, 1.1, 1.6, 2.3, 3.3};
    enum { N_CAPS = sizeof CAPS / sizeof CAPS[0] };
    struct misfit best = {.square = HUGE_VAL};

    *n_places = (int)fmin(floor((trials->to_mm - trials->from_mm) / trials->step_mm + 1.5), MOST_PLACES);
    *at_best = 0;
    for (int i = 0; i < *n_places; i++) {
        double at = trials->from_mm + i * trials->step_mm;

        least[i] = HUGE_VAL;
        for (int cap = 0; cap < N_CAPS; cap++)
            for (int side = -(trials->n_sides / 2); side <= trials->n_sides / 2; side++)
                for (int width = -(trials->n_widths / 2); width <= trials->n_widths / 2; width++) {
                    double trial_half = half * (1.0 + 0.12 * width);
                    struct misfit misfit =
                        try_tip(tip, layers, at, trial_half, CAPS[cap] * trial_half, centre + 0.75 * side);

                    least[i] = fmin(least[i], misfit.square);
                    if (misfit.square < best.square) {
                        best = misfit;
                        *tip_mm = at;
                        *at_best = i;
                        end->bluntness = 1.0 / CAPS[cap];
                    }
                }
    }
    return best;
}

/* Standard error of the tip from the bend of the log-likelihood of Gaussian residues,
 * -n/2 ln(square), over about a millimetre to either side; and the place between trials. */
static double error_of_tip(const double *least, int n_places, int at_best, double step_mm,
                           const struct misfit *best, double share, double *tip_mm)
{
    int reach = (int)round(1.0 / step_mm);
    int low = at_best - reach;
    int high = at_best + reach;
    double bend = 0.0;
    double before = 0.0;
    double after = 0.0;
    double curve = 0.0;

    if (low < 0 || high >= n_places || !isfinite(best->square) || best->square <= 0.0)
        return 3.0;
    bend = best->n * share * (0.5 * (log(least[low]) + log(least[high])) - log(best->square));
    before = least[at_best - 1];
    after = least[at_best + 1];
    curve = before - 2.0 * best->square + after;
    if (curve > 0.0 && isfinite(curve))
        *tip_mm += step_mm * fmin(fmax(0.5 * (before - after) / curve, -0.5), 0.5);
    return bend > 0.0 ? fmin(1.0 / sqrt(2.0 * bend), 3.0) : 3.0;
}

static void place_tip(const struct tip *tip, const struct trials *trials, enum stripe_look look,
                      struct stripe_end *end, double *edge_mm)
{
    struct layers layers = {{0}, 0.0};
    struct misfit best = {0};
    double least[MOST_PLACES];
    double half = median_of_rows(tip, tip->course->half_mm, -10.0, -4.0);
    double centre = median_of_rows(tip, tip->course->centre_mm, -8.0, -2.0);
    double tip_mm = 0.0;
    int at_best = 0;
    int n_places = 0;

    learn_layers(tip, &layers);
    layers.deepest_mm = half;
    best = search_tip(tip, &layers, trials, half, centre, least, end, &tip_mm, &at_best, &n_places);
    end->error_mm =
        error_of_tip(least, n_places, at_best, trials->step_mm, &best, independence(tip), &tip_mm);
    if (trials->n_sides == 1) { /* a second, finer round about the first */
        struct trials fine = {tip_mm - 2.0, tip_mm + 2.0, 0.25, 3, 3};

        best = search_tip(tip, &layers, &fine, half, centre, least, end, &tip_mm, &at_best, &n_places);
        end->error_mm =
            fmax(error_of_tip(least, n_places, at_best, fine.step_mm, &best, independence(tip), &tip_mm),
                 end->error_mm >= 3.0 ? 3.0 : 0.0);
    }
    *edge_mm = edge_depth(&layers, look);
    if (look == STRIPE_TRIPLE_LINE) /* the outer lines belong to the stripe; a bright tip was fitted to its
                                       border itself */
        tip_mm -= *edge_mm;
    end->beyond = contrast_beyond(tip, tip_mm, centre, half);
    end->line_beyond = line_beyond(tip, tip_mm, centre);
    end->is_at_edge =
        !straight_is_inside(tip->straight, row_at(tip, tip_mm + 2.0), centre - 1.0, centre + 1.0);
    end->at_mm = tip->is_last ? (double)tip->course->to * tip->straight->row_mm + tip_mm
                              : (double)tip->course->from * tip->straight->row_mm - tip_mm;
}

/* ---- the whole ---- */

/* Straightest line through the centres of rows [from, to]: value at a row. */
static void fit_line(const struct course *course, size_t from, size_t to, double *offset, double *slope)
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

/* The walls give no centre at a rounded tip: there the centre is led on straight from the body. */
static void calm_centre(struct course *course, double row_mm)
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

static bool fill_fit(struct stripe_fit *fit, const struct centre_line *line, const struct course *course,
                     double edge_mm)
{
    double from = fmax(fit->first.at_mm, 0.0);
    double to = fmin(fit->last.at_mm, (double)(line->n - 1) * line->step_mm);
    size_t n = (size_t)fmax(2.0, round((to - from) / FIT_STEP_MM) + 1.0);
    double scratch[32];

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
    for (size_t i = 0; i + 10 < n; i += 2) { /* median over 5 mm, then the thickest */
        for (size_t k = 0; k < 11; k++)
            scratch[k] = fit->half_mm[i + k];
        fit->thickness_mm = fmax(fit->thickness_mm, 2.0 * statistics_median(scratch, 11));
    }
    return true;
}

/* What lies beside the body: myometrium is much the same on both sides, and for some way. */
static void measure_sides(struct stripe_fit *fit, const struct course *course,
                          const struct straight *straight)
{
    double n = (double)(course->to - course->from + 1);

    for (size_t row = course->from; row <= course->to; row++) {
        double low = course->centre_mm[row] - course->half_mm[row];
        double high = course->centre_mm[row] + course->half_mm[row];
        double centre = course->centre_mm[row];
        double near = 0.5 * (straight_mean(straight, row, low - 4.0, low - 0.5) +
                             straight_mean(straight, row, high + 0.5, high + 4.0));

        fit->inside += straight_mean(straight, row, low + 0.25, high - 0.25) / n;
        fit->upper_near += straight_mean(straight, row, low - 4.0, low - 0.5) / n;
        fit->upper_far += straight_mean(straight, row, low - 8.0, low - 4.0) / n;
        fit->lower_near += straight_mean(straight, row, high + 0.5, high + 4.0) / n;
        fit->lower_far += straight_mean(straight, row, high + 4.0, high + 8.0) / n;
        if (fit->look == STRIPE_BRIGHT)
            fit->detail += (straight_mean(straight, row, low + 0.25, high - 0.25) - near) / n;
        else
            fit->detail += (0.5 * straight_mean(straight, row, centre - 0.5, centre + 0.5) +
                            0.25 * straight_mean(straight, row, low - 0.5, low + 0.5) +
                            0.25 * straight_mean(straight, row, high - 0.5, high + 0.5) -
                            0.5 * straight_mean(straight, row, low + 1.0, centre - 1.0) -
                            0.5 * straight_mean(straight, row, centre + 1.0, high - 1.0)) /
                           n;
    }
}

static void judge(struct stripe_fit *fit, const struct course *course, const struct straight *straight)
{
    size_t n_good = 0;
    double sum = 0.0;

    for (size_t row = course->from; row <= course->to; row++) {
        double contrast = fit->look == STRIPE_BRIGHT
                              ? bright_answer(straight, row, course->centre_mm[row], course->half_mm[row])
                              : triple_answer(straight, row, course->centre_mm[row], course->half_mm[row]);

        n_good += course->answer[row] > 1.5;
        sum += contrast;
    }
    measure_sides(fit, course, straight);
    fit->contrast = course->body;
    fit->evenness = (double)n_good / (double)(course->to - course->from + 1);
    fit->grey_contrast = sum / (double)(course->to - course->from + 1);
}

/* The run's centre as a new curve. */
static bool recentre(struct centre_line *line, const struct course *course)
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
                        const struct raster *window, double pixel_mm, enum stripe_look look, int n_centres,
                        struct straight *straight, struct course *course, bool *is_run)
{
    if (!straight_make(straight, picture, window, pixel_mm, line, REACH_MM, COLUMN_MM) ||
        !straight_smooth(straight, ALONG_SIGMA_MM) || !follow_walls(straight, look, n_centres, course))
        return false;
    *is_run = find_run(course, straight->row_mm);
    return true;
}

bool stripe_fit_make(struct stripe_fit *fit, bool *is_found, const struct raster *picture,
                     const struct raster *window, double pixel_mm, const struct stripe_candidate *candidate,
                     struct error **err)
{
    static const int N_CENTRES[] = {MOST_CENTRES, 21, 13};
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
        struct course course = {0};
        bool is_made = follow_line(&line, picture, window, pixel_mm, fit->look, N_CENTRES[round], &straight,
                                   &course, &is_run);

        if (is_made && is_run)
            calm_centre(&course, straight.row_mm);
        if (is_made && is_run && round < 2)
            is_made = recentre(&line, &course);
        if (is_made && is_run && round == 2) {
            is_made = straight_make(&raw, picture, window, pixel_mm, &line, REACH_MM, COLUMN_MM);
            if (is_made) {
                struct tip first = {.straight = &raw, .course = &course, .is_last = false};
                double edge[2] = {0};
                struct tip last = {.straight = &raw, .course = &course, .is_last = true};

                place_tip(&first, &QUICK_TRIALS, fit->look, &fit->first, &edge[0]);
                place_tip(&last, &QUICK_TRIALS, fit->look, &fit->last, &edge[1]);
                judge(fit, &course, &straight);
                is_made = fill_fit(fit, &line, &course, 0.5 * (edge[0] + edge[1]));
                *is_found = is_made && fit->length_mm >= LEAST_LENGTH_MM;
            }
        }
        straight_free(&straight);
        course_free(&course);
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

void stripe_fit_free(struct stripe_fit *fit)
{
    if (fit == NULL)
        return;
    free(fit->place_mm);
    free(fit->half_mm);
    memset(fit, 0, sizeof *fit);
}
