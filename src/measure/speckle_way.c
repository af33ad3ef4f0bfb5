#include "measure/speckle_way.h"

#include "base/parallel.h"
#include "base/statistics.h"
#include "measure/speckle.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Between moments a quarter of a second apart: 0.25 s to a minute. */
static const size_t LAGS[] = {1, 3, 8, 20, 50, 120, 240};
enum { N_LAGS = sizeof LAGS / sizeof LAGS[0], FIRST_LONG = 4, N_BACK = 4, ROUNDS = 3 };
static const double CHAIN_REACH_MM = 4.0; /* between moments: bubbles that go at once make 10 mm/s */
static const double LINK_REACH_MM = 1.6;
static const double AGREE_MM = 1.0; /* of what earlier moments say of the next */
static const double BACK_MM = 0.4;  /* there and back may differ by so much */
static const double NOISE = 0.1;    /* of a link that is perfectly alike, over that of one at 0.71 */
static const double FAINT = 1e-3;   /* weight of what only holds the moments together */
static const double BIWEIGHT =
    4.685; /* Beaton and Tukey, Technometrics 16:147-185, 1974; usual cut, 95 % efficient */
static const double LOST_S = 5.0;
static const double END_S = 1.5; /* first and last place are means over so much */
static const double LEAST_SEEN_S = 4.0;
static const double SPREAD_MM = 2.5; /* of a cluster: the root mean square radius of a piece's weight */
/* What no link shows: the pattern is that of some grains, and changes as the bubbles part; set on made loops
 * of seven generators (docs/validation.md). */
static const double LEAST_ERROR_MM = 0.3;
static const double ERROR_SHARE = 0.05; /* of the way */
static const double MOST_ERROR_MM = 1.5;

struct link {
    bool is_found, is_long;
    size_t a, b;
    double rows;
    double weight, robust;
};

struct net {
    struct speckle speckle;
    bool *is_placed; /* n: the pattern was found in the moment */
    struct link *links;
    size_t n_links;
    double *matrix; /* n x n */
    double *place;  /* n, rows from the first */
    double *scratch;
};

enum kind { ALL_LINKS, SHORT_LINKS, LONG_LINKS };

/* Variance of a delay at correlation rho: (1 - rho^2) / rho^2 (Carter, Proc. IEEE 75:236, 1987), and what a
 * pattern moves less or more than what makes it. The longer a link, the less often that adds up. */
static double weight_of(double correlation, double lag)
{
    double square = correlation * correlation;

    return lag / (NOISE + (1.0 - square) / square);
}

static struct speckle_match guess_between(const struct speckle *speckle, size_t a, size_t b)
{
    return (struct speckle_match){.rows = speckle->moment[b].row - speckle->moment[a].row,
                                  .columns = speckle->moment[b].column - speckle->moment[a].column};
}

/* ---- from moment to moment ---- */

/* What earlier moments, farther and farther back, say of where the pattern lies in moment k; `last` is the
 * last one in which it was found. Returns the best correlation, 0 where none finds it. */
static double place_next(struct net *net, size_t last, size_t k)
{
    struct speckle *speckle = &net->speckle;
    struct speckle_match said[N_BACK];
    struct speckle_match sum = {0};
    double best = 0.0;
    double best_row = 0.0;
    double total = 0.0;
    size_t n = 0;
    size_t back = 1;

    for (size_t a = last + 1; a-- > 0 && n < N_BACK;) {
        struct speckle_match guess = guess_between(speckle, a, last);

        if (!net->is_placed[a] || k - a < back)
            continue;
        back = 3 * (k - a) - 1;
        if (!speckle_find(speckle, a, k, &guess, CHAIN_REACH_MM, &said[n]))
            continue;
        said[n].rows += speckle->moment[a].row;
        said[n].columns += speckle->moment[a].column;
        if (said[n].correlation > best) {
            best = said[n].correlation;
            best_row = said[n].rows;
        }
        n++;
    }
    for (size_t i = 0; i < n; i++) {
        double weight = weight_of(said[i].correlation, 1.0);

        if (fabs(said[i].rows - best_row) * FOLLOW_STEP_MM > AGREE_MM)
            continue;
        total += weight;
        sum.rows += weight * said[i].rows;
        sum.columns += weight * said[i].columns;
    }
    if (n == 0)
        return 0.0;
    speckle->moment[k].row = sum.rows / total;
    speckle->moment[k].column = sum.columns / total;
    return best;
}

/* Follows the pattern to the end; false where it was lost for too long. */
static bool chain(struct net *net)
{
    struct speckle *speckle = &net->speckle;
    size_t last = 0;

    for (size_t k = 1; k < speckle->n; k++) {
        double correlation = place_next(net, last, k);

        if (correlation > 0.0) {
            net->links[net->n_links++] =
                (struct link){.is_found = true,
                              .a = last,
                              .b = k,
                              .rows = speckle->moment[k].row - speckle->moment[last].row,
                              .weight = FAINT * weight_of(correlation, 1.0),
                              .robust = 1.0};
            net->is_placed[k] = true;
            last = k;
        } else if (speckle->moment[k].time_s - speckle->moment[last].time_s > LOST_S) {
            return false;
        }
    }
    return speckle->moment[speckle->n - 1].time_s - speckle->moment[last].time_s < END_S;
}

/* ---- over seconds ---- */

/* There and back. */
static void find_link(void *context, size_t i)
{
    const struct net *net = context;
    struct link *link = &net->links[i];
    struct speckle_match guess = guess_between(&net->speckle, link->a, link->b);
    struct speckle_match there = {0};
    struct speckle_match back = {0};

    if (link->is_found || !speckle_find(&net->speckle, link->a, link->b, &guess, LINK_REACH_MM, &there))
        return;
    guess.rows = -there.rows;
    guess.columns = -there.columns;
    if (!speckle_find(&net->speckle, link->b, link->a, &guess, LINK_REACH_MM, &back) ||
        fabs(there.rows + back.rows) * FOLLOW_STEP_MM > BACK_MM)
        return;
    link->rows = 0.5 * (there.rows - back.rows);
    link->weight = weight_of(fmin(there.correlation, back.correlation), (double)(link->b - link->a));
    link->is_found = true;
}

static void link_all(struct net *net)
{
    size_t n = 0;

    for (size_t l = 0; l < N_LAGS; l++)
        for (size_t a = 0; a + LAGS[l] < net->speckle.n; a++)
            if (net->is_placed[a] && net->is_placed[a + LAGS[l]])
                net->links[net->n_links++] =
                    (struct link){.a = a, .b = a + LAGS[l], .is_long = l >= FIRST_LONG};
    parallel_run(net->n_links, 0, find_link, net);
    for (size_t i = 0; i < net->n_links; i++)
        if (net->links[i].is_found)
            net->links[n++] = net->links[i];
    net->n_links = n;
}

/* ---- solved together ---- */

static double residual(const struct net *net, const struct link *link)
{
    return net->place[link->b] - net->place[link->a] - link->rows;
}

static double weight_in(const struct link *link, enum kind kind)
{
    bool is_wanted = kind == ALL_LINKS || (kind == LONG_LINKS) == link->is_long;

    return link->weight * fmax(is_wanted ? link->robust : 0.0, FAINT);
}

/* Cholesky factor in place, lower triangle of n x n; the diagonal must stay above zero. */
static void factor(double *a, size_t n)
{
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j <= i; j++) {
            double sum = a[i * n + j];

            for (size_t k = 0; k < j; k++)
                sum -= a[i * n + k] * a[j * n + k];
            a[i * n + j] = i == j ? sqrt(fmax(sum, 1e-12)) : sum / a[j * n + j];
        }
}

static void solve_factored(const double *a, size_t n, double *b)
{
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < i; k++)
            b[i] -= a[i * n + k] * b[k];
        b[i] /= a[i * n + i];
    }
    for (size_t i = n; i-- > 0;) {
        for (size_t k = i + 1; k < n; k++)
            b[i] -= a[k * n + i] * b[k];
        b[i] /= a[i * n + i];
    }
}

/* Places of all moments by least squares, the first held; leaves the factor of the normal equations. */
static void solve(struct net *net, enum kind kind)
{
    size_t n = net->speckle.n;

    memset(net->matrix, 0, n * n * sizeof *net->matrix);
    memset(net->place, 0, n * sizeof *net->place);
    for (size_t k = 0; k < n; k++)
        net->matrix[k * n + k] = k == 0 || !net->is_placed[k] ? 1.0 : 0.0;
    for (size_t i = 0; i < net->n_links; i++) {
        const struct link *link = &net->links[i];
        double weight = weight_in(link, kind);

        net->matrix[link->a * n + link->a] += weight;
        net->matrix[link->b * n + link->b] += weight;
        net->matrix[link->b * n + link->a] -= weight;
        net->place[link->b] += weight * link->rows;
        net->place[link->a] -= weight * link->rows;
    }
    factor(net->matrix, n);
    solve_factored(net->matrix, n, net->place);
}

/* Links that do not fit the others count less; spread of the weighed residuals. */
static double doubt_links(struct net *net)
{
    double spread = 0.0;

    for (size_t i = 0; i < net->n_links; i++)
        net->scratch[i] = residual(net, &net->links[i]) * sqrt(net->links[i].weight);
    spread = fmax(statistics_spread(net->scratch, net->n_links), 1e-6);
    for (size_t i = 0; i < net->n_links; i++) {
        struct link *link = &net->links[i];
        double off = residual(net, link) * sqrt(link->weight) / (BIWEIGHT * spread);

        link->robust = fabs(off) < 1.0 ? (1.0 - off * off) * (1.0 - off * off) : 0.0;
    }
    return spread;
}

/* Way between the means over the first and the last moments. */
static double way_mm(const struct net *net)
{
    const struct speckle_moment *moment = net->speckle.moment;
    size_t last = net->speckle.n - 1;
    double sums[2] = {0};
    double counts[2] = {0};

    for (size_t k = 0; k <= last; k++)
        for (int end = 0; end < 2; end++)
            if (net->is_placed[k] && fabs(moment[k].time_s - moment[end == 0 ? 0 : last].time_s) < END_S) {
                sums[end] += net->place[k];
                counts[end] += 1.0;
            }
    return (sums[1] / fmax(counts[1], 1.0) - sums[0] / fmax(counts[0], 1.0)) * FOLLOW_STEP_MM;
}

/* Standard error of the last place that the scatter of the links leaves. */
static double scatter_mm(const struct net *net, double spread)
{
    size_t n = net->speckle.n;
    size_t last = n - 1;

    while (last > 0 && !net->is_placed[last])
        last--;
    memset(net->scratch, 0, n * sizeof *net->scratch);
    net->scratch[last] = 1.0;
    solve_factored(net->matrix, n, net->scratch);
    return spread * sqrt(fmax(net->scratch[last], 0.0)) * FOLLOW_STEP_MM;
}

static void tell(struct net *net, struct speckle_way *way)
{
    double scatter = 0.0;
    double by_short = 0.0;
    double by_long = 0.0;
    bool has_long = false;

    for (int round = 0; round < ROUNDS; round++) {
        solve(net, ALL_LINKS);
        scatter = doubt_links(net);
    }
    way->way_mm = way_mm(net);
    scatter = scatter_mm(net, scatter);
    for (size_t i = 0; i < net->n_links; i++) {
        net->links[i].robust = 1.0;
        has_long = has_long || net->links[i].is_long;
    }
    solve(net, SHORT_LINKS);
    by_short = way_mm(net);
    solve(net, LONG_LINKS);
    by_long = has_long ? way_mm(net) : by_short;
    way->error_mm =
        hypot(hypot(scatter, 0.5 * (by_long - by_short)), hypot(LEAST_ERROR_MM, ERROR_SHARE * way->way_mm));
    way->is_told = way->error_mm <= MOST_ERROR_MM;
    way->why = way->is_told ? NULL : "the pattern of the bubbles changes too much to be followed";
}

static bool make_net(struct net *net)
{
    size_t n = net->speckle.n;

    net->is_placed = calloc(n, sizeof *net->is_placed);
    net->links = calloc(n * (N_LAGS + 1), sizeof *net->links);
    net->matrix = calloc(n * n, sizeof *net->matrix);
    net->place = calloc(n, sizeof *net->place);
    net->scratch = calloc(n * (N_LAGS + 1), sizeof *net->scratch);
    return net->is_placed && net->links && net->matrix && net->place && net->scratch;
}

static void free_net(struct net *net)
{
    speckle_free(&net->speckle);
    free(net->is_placed);
    free(net->links);
    free(net->matrix);
    free(net->place);
    free(net->scratch);
}

static void follow_pattern(struct net *net, struct speckle_way *way)
{
    if (!chain(net)) {
        way->why = "the pattern of the bubbles was lost from sight on the way";
        return;
    }
    link_all(net);
    tell(net, way);
}

bool speckle_way_measure(struct speckle_way *way, const struct follow *follow, const struct cluster *cluster)
{
    const struct bubble_sight *first = &cluster->first.sight;
    double seen_s = follow->time_s[cluster->last.frame] - follow->time_s[cluster->first.frame];
    struct net net = {0};
    bool is_made = true;

    *way = (struct speckle_way){.why = "the bubbles were seen too briefly for their pattern to be followed"};
    if (seen_s < LEAST_SEEN_S)
        return true;
    if (fmax(first->spread_mm, cluster->last.sight.spread_mm) > SPREAD_MM) {
        way->why = "the bubbles lie too far apart to be followed by their pattern";
        return true;
    }
    is_made = speckle_make(&net.speckle, follow, cluster->first.frame, cluster->last.frame,
                           cluster->has_onset ? cluster->onset : 0);
    if (is_made && net.speckle.n > 1) {
        is_made = make_net(&net);
        if (is_made) {
            net.is_placed[0] = true;
            net.speckle.moment[0].row = (first->along_mm - follow->row_from_mm) / FOLLOW_STEP_MM;
            net.speckle.moment[0].column =
                first->across_mm / FOLLOW_STEP_MM + (double)(follow->n_columns / 2);
            follow_pattern(&net, way);
        }
    }
    free_net(&net);
    return is_made;
}
