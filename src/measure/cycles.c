#include "measure/cycles.h"

#include "base/statistics.h"
#include "measure/passes.h"
#include "measure/wave_delay.h"

#include <gsl/gsl_multifit.h>
#include <math.h>
#include <stdlib.h>

/* Of a wave of full strength (that quantile of those that are judged): what is less is none. Waves differ in
 * strength by up to 30 % (common practice, no source), of which this leaves two standard deviations. */
static const double EMPTY = 0.4;
static const double FULL = 0.75;
static const double LEAST_SEEN =
    0.6;                             /* of a cycle's time, and of the places' weight: else it is not judged */
static const double MOST_OFF = 0.2;  /* of the time from wave to wave: so far from where it is expected */
static const double OFF_STEP = 0.05; /* likewise */
static const double STEADY =
    0.15; /* how little the walls are taken to drift within a cycle: ridge of the slope */
static const double SCATTER_PARTS = 8; /* of a cycle, whose scatter is independent */
enum { LEAST_LISTED = 3, TERMS = 3, MOST_CYCLES = 2 * WAVE_LIST_MOST };

/* One cycle: where its wave is expected, and what narrowing it shows. */
struct cycle {
    double at_s;
    size_t listed; /* the list's wave, list->n: none */
    double depth, error;
    bool is_judged;
};

struct look {
    const struct even *even;
    double *value[2]; /* even->n each: all places laid over one another as the waves run, and those of the
                       * middle as they are, where waves pass whichever way they run; NAN: too few are seen */
    double usual_s;
    struct cycle *cycle;
    size_t n;
};

/* Places [from, to) laid over one another. */
static void lay_over(double *value, const struct even *even, size_t from, size_t to, double spacing,
                     const struct wave_result *result)
{
    double middle = 0.5 * (double)(even->n_positions - 1);
    double all = 0.0;

    for (size_t p = from; p < to; p++)
        all += even->weight[p];
    for (size_t t = 0; t < even->n; t++) {
        double sum = 0.0;
        double weight = 0.0;

        for (size_t p = from; p < to; p++) {
            double delay_s = 0.0;
            double at = 0.0;
            size_t i = 0;

            if (spacing > 0.0)
                (void)wave_delay(result, ((double)p - middle) * spacing, &delay_s);
            at = (double)t + delay_s * EVEN_HZ;
            if (at < 0.0 || at > (double)(even->n - 1))
                continue;
            i = at < (double)(even->n - 1) ? (size_t)at : even->n - 2;
            sum += even->weight[p] * (even->value[p * even->n + i] * (1.0 - (at - (double)i)) +
                                      even->value[p * even->n + i + 1] * (at - (double)i));
            weight += even->weight[p];
        }
        value[t] = weight >= LEAST_SEEN * all && weight > 0.0 ? sum / weight : (double)NAN;
    }
}

static void add_cycle(struct look *look, double at_s, size_t listed)
{
    if (look->n < MOST_CYCLES)
        look->cycle[look->n++] = (struct cycle){.at_s = at_s, .listed = listed};
}

/* The list's waves, and the cycles between them and before and after in which none was listed. */
static void lay_cycles(struct look *look, const struct wave_list *list)
{
    const double none_s = -HUGE_VAL;
    double before_s = none_s;

    for (;;) { /* in the order of their passes */
        size_t next = list->n;
        double at_s = HUGE_VAL;

        for (size_t i = 0; i < list->n; i++)
            if (list->wave[i].has_middle && list->wave[i].middle_s > before_s &&
                list->wave[i].middle_s < at_s) {
                next = i;
                at_s = list->wave[i].middle_s;
            }
        if (next == list->n)
            break;
        if (before_s > none_s && at_s - before_s >= PASSES_GAP * look->usual_s) {
            double parts = round((at_s - before_s) / look->usual_s);

            for (double k = 1.0; k < parts; k += 1.0)
                add_cycle(look, before_s + (at_s - before_s) * k / parts, list->n);
        } else if (before_s == none_s) {
            for (double s = at_s - look->usual_s; s > list->from_s; s -= look->usual_s)
                add_cycle(look, s, list->n);
        }
        add_cycle(look, at_s, next);
        before_s = at_s;
    }
    for (double s = before_s + look->usual_s; s < list->to_s; s += look->usual_s)
        add_cycle(look, s, list->n);
}

/* Room for one fit. */
struct fit {
    gsl_multifit_linear_workspace *work;
    gsl_matrix *terms, *covariance;
    gsl_vector *value, *coefficient;
    size_t n;
};

static void fit_free(struct fit *fit)
{
    if (fit->work != NULL)
        gsl_multifit_linear_free(fit->work);
    gsl_matrix_free(fit->terms);
    gsl_matrix_free(fit->covariance);
    gsl_vector_free(fit->value);
    gsl_vector_free(fit->coefficient);
}

static bool fit_make(struct fit *fit, size_t n)
{
    *fit = (struct fit){.n = n,
                        .work = gsl_multifit_linear_alloc(n, TERMS),
                        .terms = gsl_matrix_alloc(n, TERMS),
                        .covariance = gsl_matrix_alloc(TERMS, TERMS),
                        .value = gsl_vector_alloc(n),
                        .coefficient = gsl_vector_alloc(TERMS)};
    if (fit->work != NULL && fit->terms != NULL && fit->covariance != NULL && fit->value != NULL &&
        fit->coefficient != NULL)
        return true;
    fit_free(fit);
    return false;
}

/* The narrowing about a moment: a cosine of one cycle beside a level and a slope. */
static bool read_depth(const struct look *look, const double *values, struct fit *fit, double at_s,
                       double *depth, double *error)
{
    double centre = (at_s - look->even->from_s) * EVEN_HZ;
    double half = 0.5 * look->usual_s * EVEN_HZ;
    size_t n = 0;
    double chi_square = 0.0;

    for (double t = fmax(ceil(centre - half), 0.0); t <= centre + half && t < (double)look->even->n;
         t += 1.0) {
        double value = values[(size_t)t];
        double cycle = 0.5 * (t - centre) / half;

        if (isnan(value) || n + 1 >= fit->n)
            continue;
        gsl_matrix_set(fit->terms, n, 0, -cos(2.0 * acos(-1.0) * cycle));
        gsl_matrix_set(fit->terms, n, 1, 1.0);
        gsl_matrix_set(fit->terms, n, 2, cycle);
        gsl_vector_set(fit->value, n, value);
        n++;
    }
    if ((double)n < LEAST_SEEN * 2.0 * half || n <= TERMS)
        return false;
    gsl_matrix_set(fit->terms, n, 0, 0.0);
    gsl_matrix_set(fit->terms, n, 1, 0.0);
    gsl_matrix_set(fit->terms, n, 2, sqrt(STEADY * (double)n));
    gsl_vector_set(fit->value, n, 0.0);
    {
        gsl_matrix_const_view terms = gsl_matrix_const_submatrix(fit->terms, 0, 0, n + 1, TERMS);
        gsl_vector_const_view value = gsl_vector_const_subvector(fit->value, 0, n + 1);

        if (gsl_multifit_linear(&terms.matrix, &value.vector, fit->coefficient, fit->covariance, &chi_square,
                                fit->work) != GSL_SUCCESS)
            return false;
    }
    *depth = gsl_vector_get(fit->coefficient, 0);
    *error = sqrt(gsl_matrix_get(fit->covariance, 0, 0) * fmax(2.0 * half / SCATTER_PARTS, 1.0));
    return true;
}

static void judge(const struct look *look, struct fit *fit, struct cycle *cycle)
{
    for (int way = 0; way < 2; way++)
        for (double off = -MOST_OFF; off <= MOST_OFF + 1e-9; off += OFF_STEP) {
            double depth = 0.0;
            double error = 0.0;

            if (read_depth(look, look->value[way], fit, cycle->at_s + off * look->usual_s, &depth, &error) &&
                (!cycle->is_judged || depth > cycle->depth)) {
                cycle->is_judged = true;
                cycle->depth = depth;
                cycle->error = error;
            }
        }
}

/* The narrowing of waves of full strength, of those that are listed; 0 where too few are. */
static double full_depth(const struct look *look, const struct wave_list *list)
{
    double depth[WAVE_LIST_MOST];
    size_t n = 0;

    for (size_t i = 0; i < look->n && n < WAVE_LIST_MOST; i++)
        if (look->cycle[i].listed < list->n && look->cycle[i].is_judged)
            depth[n++] = look->cycle[i].depth;
    return n >= LEAST_LISTED ? statistics_upper(depth, n, FULL) : 0.0;
}

static void tell(bool *is_there, const struct look *look, const struct wave_list *list)
{
    double least = EMPTY * full_depth(look, list);
    size_t n_empty = 0;

    for (size_t i = 0; i < look->n; i++)
        n_empty += look->cycle[i].is_judged && look->cycle[i].depth + look->cycle[i].error < least;
    if (2 * n_empty > look->n) /* what is usual is not known then */
        return;
    for (size_t i = 0; i < look->n; i++)
        if (look->cycle[i].is_judged && look->cycle[i].depth + look->cycle[i].error < least &&
            look->cycle[i].listed < list->n)
            is_there[look->cycle[i].listed] = false;
}

bool cycles_look(bool *is_there, const struct even *even, double spacing, const struct wave_result *result,
                 const struct wave_list *list)
{
    struct passes passes = passes_of(list);
    struct look look = {.even = even, .usual_s = passes.usual_s};
    struct fit fit;
    double delay_s = 0.0;
    bool is_made = false;

    for (size_t i = 0; i < list->n; i++)
        is_there[i] = true;
    if (passes.n < LEAST_LISTED || !wave_delay(result, 0.0, &delay_s))
        return true;
    if (!fit_make(&fit, (size_t)(look.usual_s * EVEN_HZ) + 8))
        return false;
    look.value[0] = malloc(2 * even->n * sizeof *look.value[0]);
    look.cycle = calloc(MOST_CYCLES, sizeof *look.cycle);
    is_made = look.value[0] != NULL && look.cycle != NULL;
    if (is_made) {
        size_t from = (size_t)floor(EVEN_MIDDLE_FROM * (double)even->n_positions);

        look.value[1] = look.value[0] + even->n;
        lay_over(look.value[0], even, 0, even->n_positions, spacing, result);
        lay_over(look.value[1], even, from, even->n_positions - from, 0.0, result);
        lay_cycles(&look, list);
        for (size_t i = 0; i < look.n; i++)
            judge(&look, &fit, &look.cycle[i]);
        tell(is_there, &look, list);
    }
    fit_free(&fit);
    free(look.value[0]);
    free(look.cycle);
    return is_made;
}
