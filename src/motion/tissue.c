#include "motion/tissue.h"

#include "base/parallel.h"
#include "motion/patch.h"
#include "motion/shift_pool.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Lags at which keys are compared, in keys: near ones for surety, far ones against drift. */
static const size_t LAGS[] = {1, 2, 3, 5, 8, 13, 21, 34, 55};
enum { N_LAGS = sizeof LAGS / sizeof LAGS[0], MOST_BLOCKS = 160, N_NEAR = 4, SWEEPS = 200 };

static const double COARSE_MM = 0.45;       /* pixel of the coarse picture */
static const double BLOCK_SPACING_MM = 7.0; /* of the blocks that give the rigid motion */
static const double BLOCK_SIGMA_MM = 2.5;
static const double POINT_COARSE_SIGMA_MM = 2.4;
static const double POINT_SIGMA_MM = 1.3; /* a wave 8 mm long still moves such a patch by two thirds */
static const double BLOCK_REACH_MM = 4.0;
static const double POINT_REACH_MM = 2.5;
static const double LEAST_CORRELATION = 0.35; /* below this a match is not told from chance */

struct block {
    struct patch *patch;
    int x_px, y_px; /* coarse */
};

struct key {
    struct raster *fine;
    struct raster *coarse;
    double complex *transform; /* of the coarse picture in the window */
    double time_s;
    struct rigid rigid; /* from key 0, fine pixels */
    double trust;
    struct block blocks[MOST_BLOCKS];
    size_t n_blocks;
};

/* One point in one key. */
struct foothold {
    struct point place; /* solved place in this key, fine pixels */
    int x_px, y_px;     /* where the fine patch was cut */
    int coarse_x_px, coarse_y_px;
    struct patch *fine; /* NULL when it could not be cut */
    struct patch *coarse;
};

struct tissue {
    struct key *keys;
    size_t n_keys;
    int step;          /* fine pixels per coarse pixel */
    double mm_x, mm_y; /* of a fine pixel */
    struct raster *coarse_window;
    struct shift_pool *shifts;
    struct patch_shape *block_shape, *fine_shape, *coarse_shape; /* of blocks and of points */
    double centre_x, centre_y;                                   /* pivot of all rigid motions, fine pixels */
    struct foothold *footholds;                                  /* n_points x n_keys */
    size_t n_points;
};

size_t tissue_n_keys(const struct tissue *tissue)
{
    return tissue->n_keys;
}

const struct raster *tissue_key(const struct tissue *tissue, size_t key)
{
    return tissue->keys[key].fine;
}

double tissue_key_time_s(const struct tissue *tissue, size_t key)
{
    return tissue->keys[key].time_s;
}

const struct rigid *tissue_key_rigid(const struct tissue *tissue, size_t key)
{
    return &tissue->keys[key].rigid;
}

double tissue_key_trust(const struct tissue *tissue, size_t key)
{
    return tissue->keys[key].trust;
}

static void drop_points(struct tissue *tissue)
{
    for (size_t i = 0; i < tissue->n_points * tissue->n_keys; i++) {
        patch_free(&tissue->footholds[i].fine);
        patch_free(&tissue->footholds[i].coarse);
    }
    free(tissue->footholds);
    tissue->footholds = NULL;
    tissue->n_points = 0;
}

void tissue_free(struct tissue **tissue)
{
    if (tissue == NULL || *tissue == NULL)
        return;
    drop_points(*tissue);
    for (size_t k = 0; k < (*tissue)->n_keys && (*tissue)->keys != NULL; k++) {
        struct key *key = &(*tissue)->keys[k];

        for (size_t i = 0; i < key->n_blocks; i++)
            patch_free(&key->blocks[i].patch);
        raster_free(&key->fine);
        raster_free(&key->coarse);
        free(key->transform);
    }
    free((*tissue)->keys);
    shift_pool_free(&(*tissue)->shifts);
    patch_shape_free(&(*tissue)->block_shape);
    patch_shape_free(&(*tissue)->fine_shape);
    patch_shape_free(&(*tissue)->coarse_shape);
    raster_free(&(*tissue)->coarse_window);
    free(*tissue);
    *tissue = NULL;
}

static struct raster *reduce(const struct raster *fine, int step)
{
    struct raster *coarse = raster_make(fine->width_px / step, fine->height_px / step);

    if (coarse == NULL)
        return NULL;
    for (int y = 0; y < coarse->height_px; y++)
        for (int x = 0; x < coarse->width_px; x++) {
            float sum = 0.0F;

            for (int row = 0; row < step; row++)
                for (int column = 0; column < step; column++)
                    sum += fine->value[(size_t)(y * step + row) * (size_t)fine->width_px +
                                       (size_t)(x * step + column)];
            coarse->value[(size_t)y * (size_t)coarse->width_px + (size_t)x] = sum / (float)(step * step);
        }
    if (!raster_smooth(coarse, 0.5, 0.5))
        raster_free(&coarse);
    return coarse;
}

static double to_fine(double coarse_px, int step)
{
    return (coarse_px + 0.5) * step - 0.5;
}

static double to_coarse(double fine_px, int step)
{
    return (fine_px + 0.5) / step - 0.5;
}

/* The same motion about the common pivot. */
static struct rigid repivot(const struct rigid *rigid, double x, double y)
{
    struct rigid made = {.pivot_x = x, .pivot_y = y, .turn_rad = rigid->turn_rad};
    double to_x = 0.0;
    double to_y = 0.0;

    rigid_apply(rigid, x, y, &to_x, &to_y);
    made.shift_x = to_x - x;
    made.shift_y = to_y - y;
    return made;
}

/* First `a`, then `b`; both about the same pivot. */
static struct rigid follow(const struct rigid *a, const struct rigid *b)
{
    struct rigid made = *a;
    double x = 0.0;
    double y = 0.0;

    rigid_apply(b, a->pivot_x + a->shift_x, a->pivot_y + a->shift_y, &x, &y);
    made.turn_rad = a->turn_rad + b->turn_rad;
    made.shift_x = x - a->pivot_x;
    made.shift_y = y - a->pivot_y;
    return made;
}

static struct rigid backward(const struct rigid *rigid)
{
    struct rigid made = {.pivot_x = rigid->pivot_x, .pivot_y = rigid->pivot_y, .turn_rad = -rigid->turn_rad};
    double x = 0.0;
    double y = 0.0;

    rigid_undo(rigid, rigid->pivot_x, rigid->pivot_y, &x, &y);
    made.shift_x = x - rigid->pivot_x;
    made.shift_y = y - rigid->pivot_y;
    return made;
}

static void cut_blocks(struct tissue *tissue, struct key *key)
{
    double mm_x = tissue->mm_x * tissue->step;
    double mm_y = tissue->mm_y * tissue->step;
    double spacing = BLOCK_SPACING_MM;
    const struct raster *window = tissue->coarse_window;

    /* Wider apart where the picture is so large that the blocks would not fit. */
    while (window->width_px * mm_x / spacing * (window->height_px * mm_y / spacing) > MOST_BLOCKS)
        spacing *= 1.1;
    for (double y = 0.5 * spacing / mm_y; y < window->height_px; y += spacing / mm_y)
        for (double x = 0.5 * spacing / mm_x; x < window->width_px; x += spacing / mm_x) {
            struct block block = {.x_px = (int)x, .y_px = (int)y};

            if (key->n_blocks == MOST_BLOCKS || raster_at(window, x, y) < 0.5F)
                continue;
            block.patch = patch_make_shaped(key->coarse, block.x_px, block.y_px, tissue->block_shape);
            if (block.patch != NULL)
                key->blocks[key->n_blocks++] = block;
        }
}

/* Rigid motion from a key to a coarse picture and its transform, fine pixels; returns its trust, 0 = none
 * found. */
static double measure_rigid(const struct tissue *tissue, const struct key *key, const struct raster *coarse,
                            const double complex *transform, struct shift *shift, struct rigid *rigid)
{
    double from[MOST_BLOCKS][2];
    double to[MOST_BLOCKS][2];
    double weight[MOST_BLOCKS];
    double dx = 0.0;
    double dy = 0.0;
    double total = 0.0;
    double reach = BLOCK_REACH_MM / (tissue->step * fmin(tissue->mm_x, tissue->mm_y));
    struct shift_answer moved = shift_between(shift, key->transform, transform, reach);
    struct rigid found = {0};

    rigid->pivot_x = tissue->centre_x;
    rigid->pivot_y = tissue->centre_y;
    rigid->turn_rad = rigid->shift_x = rigid->shift_y = 0.0;
    if (moved.lead >= SHIFT_SURE_LEAD) {
        dx = moved.dx_px;
        dy = moved.dy_px;
    }
    for (size_t i = 0; i < key->n_blocks; i++) {
        const struct block *block = &key->blocks[i];
        struct patch_match match = {.x_px = block->x_px + dx, .y_px = block->y_px + dy};
        bool is_found = patch_find(block->patch, coarse, reach, &match);

        from[i][0] = to_fine(block->x_px, tissue->step) * tissue->mm_x;
        from[i][1] = to_fine(block->y_px, tissue->step) * tissue->mm_y;
        to[i][0] = to_fine(match.x_px, tissue->step) * tissue->mm_x;
        to[i][1] = to_fine(match.y_px, tissue->step) * tissue->mm_y;
        weight[i] = is_found && match.correlation > LEAST_CORRELATION
                        ? match.correlation * match.correlation / (1.001 - match.correlation)
                        : 0.0;
        total += weight[i] > 0.0 ? match.correlation : 0.0;
    }
    if (key->n_blocks == 0 ||
        !rigid_fit(&found, (const double(*)[2])from, (const double(*)[2])to, weight, key->n_blocks))
        return 0.0;
    found = repivot(&found, tissue->centre_x * tissue->mm_x, tissue->centre_y * tissue->mm_y);
    rigid->turn_rad = found.turn_rad;
    rigid->shift_x = found.shift_x / tissue->mm_x;
    rigid->shift_y = found.shift_y / tissue->mm_y;
    return total / (double)key->n_blocks;
}

struct link {
    size_t a, b;          /* keys */
    struct rigid rigid;   /* a to b */
    struct rigid inverse; /* b to a */
    double trust, weight;
    bool is_done;
};

/* Solves the keys' rigid motions from all links by sweeps of weighted means (Gauss-Seidel on
 * the normal equations of a graph of differences); key 0 stays put. */
static void solve_rigid(struct tissue *tissue, const struct link *links, size_t n_links)
{
    for (int sweep = 0; sweep < SWEEPS; sweep++)
        for (size_t k = 1; k < tissue->n_keys; k++) {
            double sum[3] = {0};
            double total = 0.0;

            for (size_t i = 0; i < n_links; i++) {
                const struct link *link = &links[i];
                struct rigid said = {0};

                if (link->b == k)
                    said = follow(&tissue->keys[link->a].rigid, &link->rigid);
                else if (link->a == k)
                    said = follow(&tissue->keys[link->b].rigid, &link->inverse);
                else
                    continue;
                sum[0] += link->weight * said.shift_x;
                sum[1] += link->weight * said.shift_y;
                sum[2] += link->weight * said.turn_rad;
                total += link->weight;
            }
            if (total > 0.0) {
                tissue->keys[k].rigid.shift_x = sum[0] / total;
                tissue->keys[k].rigid.shift_y = sum[1] / total;
                tissue->keys[k].rigid.turn_rad = sum[2] / total;
            }
        }
}

struct linking {
    const struct tissue *tissue;
    struct link *links;
};

static void measure_link(void *context, size_t i)
{
    const struct linking *linking = context;
    const struct tissue *tissue = linking->tissue;
    struct link *link = &linking->links[i];
    const struct key *to = &tissue->keys[link->b];
    struct shift *shift = shift_pool_take(tissue->shifts);

    if (shift == NULL)
        return;
    link->trust =
        measure_rigid(tissue, &tissue->keys[link->a], to->coarse, to->transform, shift, &link->rigid);
    link->inverse = backward(&link->rigid);
    link->weight = link->trust > 0.1 ? link->trust * link->trust / (1.02 - link->trust) : 0.0;
    link->is_done = true;
    shift_pool_give(tissue->shifts, &shift);
}

static bool link_keys(struct tissue *tissue)
{
    struct linking linking = {.tissue = tissue,
                              .links = calloc(tissue->n_keys * N_LAGS, sizeof(struct link))};
    struct link *links = linking.links;
    size_t n_links = 0;
    bool is_made = links != NULL;

    for (size_t l = 0; is_made && l < N_LAGS; l++)
        for (size_t a = 0; a + LAGS[l] < tissue->n_keys; a++)
            links[n_links++] = (struct link){.a = a, .b = a + LAGS[l]};
    if (is_made)
        parallel_run(n_links, 0, measure_link, &linking);
    for (size_t i = 0; is_made && i < n_links; i++)
        is_made = links[i].is_done;
    if (is_made) {
        for (size_t i = 0; i < n_links; i++) {
            struct key *a = &tissue->keys[links[i].a];
            struct key *b = &tissue->keys[links[i].b];

            a->trust = fmax(a->trust, links[i].trust);
            b->trust = fmax(b->trust, links[i].trust);
            if (links[i].b == links[i].a + 1) /* the chain is the start of the sweeps */
                b->rigid = follow(&a->rigid, &links[i].rigid);
        }
        solve_rigid(tissue, links, n_links);
        if (tissue->n_keys == 1)
            tissue->keys[0].trust = 1.0;
    }
    free(links);
    return is_made;
}

/* What every key needs before it is compared; false when memory ran out. */
static bool prepare_keys(struct tissue *tissue)
{
    const struct raster *window = tissue->coarse_window;
    double coarse_mm_x = tissue->mm_x * tissue->step;
    double coarse_mm_y = tissue->mm_y * tissue->step;
    struct shift *shift = NULL;
    bool is_made = false;

    tissue->block_shape = patch_shape_make(BLOCK_SIGMA_MM / coarse_mm_x, BLOCK_SIGMA_MM / coarse_mm_y);
    tissue->coarse_shape =
        patch_shape_make(POINT_COARSE_SIGMA_MM / coarse_mm_x, POINT_COARSE_SIGMA_MM / coarse_mm_y);
    tissue->fine_shape = patch_shape_make(POINT_SIGMA_MM / tissue->mm_x, POINT_SIGMA_MM / tissue->mm_y);
    tissue->shifts = shift_pool_make(window->width_px, window->height_px);
    shift = tissue->shifts != NULL ? shift_pool_take(tissue->shifts) : NULL;
    is_made = shift && tissue->block_shape && tissue->coarse_shape && tissue->fine_shape;
    for (size_t k = 0; is_made && k < tissue->n_keys; k++) {
        tissue->keys[k].transform = shift_transform(shift, tissue->keys[k].coarse, window);
        is_made = tissue->keys[k].transform != NULL;
        cut_blocks(tissue, &tissue->keys[k]);
    }
    if (shift != NULL)
        shift_pool_give(tissue->shifts, &shift);
    return is_made;
}

bool tissue_make(struct tissue **tissue, struct raster **keys, const double *time_s, size_t n_keys,
                 const struct raster *window, const double mm_per_px[2], struct error **err)
{
    CLEANUP(tissue_free) struct tissue *made = NULL;
    bool is_made = true;

    if (n_keys == 0)
        return error_set(err, ERROR_INPUT, "there is no frame to follow tissue in");
    made = calloc(1, sizeof *made);
    if (made != NULL)
        made->keys = calloc(n_keys, sizeof *made->keys);
    if (made == NULL || made->keys == NULL) {
        /* NOLINTNEXTLINE(clang-analyzer-unix.Malloc): CLEANUP ends it */
        for (size_t k = 0; k < n_keys; k++)
            raster_free(&keys[k]);
        return error_memory(err);
    }
    made->n_keys = n_keys;
    made->mm_x = mm_per_px[0];
    made->mm_y = mm_per_px[1];
    made->step = (int)fmax(1.0, round(COARSE_MM / fmax(made->mm_x, made->mm_y)));
    made->centre_x = 0.5 * keys[0]->width_px;
    made->centre_y = 0.5 * keys[0]->height_px;
    made->coarse_window = reduce(window, made->step);
    for (size_t k = 0; k < n_keys; k++) {
        made->keys[k].fine = keys[k];
        keys[k] = NULL;
        made->keys[k].time_s = time_s[k];
        made->keys[k].rigid.pivot_x = made->centre_x;
        made->keys[k].rigid.pivot_y = made->centre_y;
        made->keys[k].coarse = reduce(made->keys[k].fine, made->step);
        is_made = is_made && made->keys[k].coarse != NULL;
    }
    if (!is_made || made->coarse_window == NULL)
        return error_memory(err);
    if (!prepare_keys(made) || !link_keys(made))
        return error_memory(err);
    *tissue = made;
    made = NULL;
    return true;
}

/* ---- points ---- */

static void cut_foothold(const struct tissue *tissue, size_t key, struct foothold *foothold)
{
    double coarse_x = to_coarse(foothold->place.x_px, tissue->step);
    double coarse_y = to_coarse(foothold->place.y_px, tissue->step);

    patch_free(&foothold->fine);
    patch_free(&foothold->coarse);
    foothold->x_px = (int)lround(foothold->place.x_px);
    foothold->y_px = (int)lround(foothold->place.y_px);
    foothold->coarse_x_px = (int)lround(coarse_x);
    foothold->coarse_y_px = (int)lround(coarse_y);
    foothold->fine =
        patch_make_shaped(tissue->keys[key].fine, foothold->x_px, foothold->y_px, tissue->fine_shape);
    foothold->coarse = patch_make_shaped(tissue->keys[key].coarse, foothold->coarse_x_px,
                                         foothold->coarse_y_px, tissue->coarse_shape);
}

/* Where the foothold's point is in another picture, guessed to be moved by (dx, dy) from its
 * place in the key. First coarsely, so that the fine search starts within a speckle. */
static bool find_foothold(const struct tissue *tissue, const struct foothold *foothold,
                          const struct raster *fine, const struct raster *coarse, double dx, double dy,
                          struct patch_match *match)
{
    double mm = fmin(tissue->mm_x, tissue->mm_y);
    double guess_x = dx;
    double guess_y = dy;

    if (foothold->fine == NULL)
        return false;
    if (foothold->coarse != NULL) {
        struct patch_match rough = {.x_px = foothold->coarse_x_px + dx / tissue->step,
                                    .y_px = foothold->coarse_y_px + dy / tissue->step};

        if (patch_find(foothold->coarse, coarse, POINT_REACH_MM / (mm * tissue->step), &rough) &&
            rough.correlation > LEAST_CORRELATION) {
            guess_x = (rough.x_px - foothold->coarse_x_px) * tissue->step;
            guess_y = (rough.y_px - foothold->coarse_y_px) * tissue->step;
        }
    }
    match->x_px = foothold->x_px + guess_x;
    match->y_px = foothold->y_px + guess_y;
    if (!patch_find(foothold->fine, fine, 0.4 * POINT_REACH_MM / mm, match) ||
        match->correlation < LEAST_CORRELATION)
        return false;
    match->x_px += foothold->place.x_px - foothold->x_px;
    match->y_px += foothold->place.y_px - foothold->y_px;
    return true;
}

static double weight_of(double correlation)
{
    double square = correlation * correlation;

    return square / (1.002 - square); /* inverse variance of a delay: Carter, Proc. IEEE 75:236, 1987 */
}

/* First round: places by following from key 0 and from the key before. */
static void chain_point(const struct tissue *tissue, struct foothold *footholds)
{
    cut_foothold(tissue, 0, &footholds[0]);
    for (size_t k = 1; k < tissue->n_keys; k++) {
        double sum_x = 0.0;
        double sum_y = 0.0;
        double total = 0.0;
        double rest_x = 0.0;
        double rest_y = 0.0;
        const size_t sources[2] = {k - 1, 0};

        rigid_apply(&tissue->keys[k].rigid, footholds[0].place.x_px, footholds[0].place.y_px, &rest_x,
                    &rest_y);
        for (int i = 0; i < (k > 1 ? 2 : 1); i++) {
            const struct foothold *source = &footholds[sources[i]];
            struct patch_match match = {0};
            double source_x = 0.0;
            double source_y = 0.0;

            rigid_apply(&tissue->keys[sources[i]].rigid, footholds[0].place.x_px, footholds[0].place.y_px,
                        &source_x, &source_y);
            if (find_foothold(tissue, source, tissue->keys[k].fine, tissue->keys[k].coarse, rest_x - source_x,
                              rest_y - source_y, &match)) {
                double weight = weight_of(match.correlation);

                sum_x += weight * match.x_px;
                sum_y += weight * match.y_px;
                total += weight;
            }
        }
        footholds[k].place.x_px = total > 0.0 ? sum_x / total : rest_x;
        footholds[k].place.y_px = total > 0.0 ? sum_y / total : rest_y;
        cut_foothold(tissue, k, &footholds[k]);
    }
}

struct point_link {
    size_t a, b;
    double dx, dy, weight;
};

/* All lags of one point; returns how many were found. */
static size_t link_point(const struct tissue *tissue, const struct foothold *footholds,
                         struct point_link *links)
{
    size_t n_links = 0;

    for (size_t l = 0; l < N_LAGS; l++)
        for (size_t a = 0; a + LAGS[l] < tissue->n_keys; a++) {
            size_t b = a + LAGS[l];
            struct patch_match match = {0};

            if (!find_foothold(tissue, &footholds[a], tissue->keys[b].fine, tissue->keys[b].coarse,
                               footholds[b].place.x_px - footholds[a].place.x_px,
                               footholds[b].place.y_px - footholds[a].place.y_px, &match))
                continue;
            links[n_links].a = a;
            links[n_links].b = b;
            links[n_links].dx = match.x_px - footholds[a].place.x_px;
            links[n_links].dy = match.y_px - footholds[a].place.y_px;
            links[n_links++].weight = weight_of(match.correlation);
        }
    return n_links;
}

/* Where the links say that key k is; stays as it is when none says anything. */
static void place_by_links(const struct point *place, size_t k, const struct point_link *links,
                           const size_t *which, size_t n, struct point *said)
{
    double sum_x = 0.0;
    double sum_y = 0.0;
    double total = 0.0;

    for (size_t i = 0; i < n; i++) {
        const struct point_link *link = &links[which[i]];

        if (link->b == k) {
            sum_x += link->weight * (place[link->a].x_px + link->dx);
            sum_y += link->weight * (place[link->a].y_px + link->dy);
        } else {
            sum_x += link->weight * (place[link->b].x_px - link->dx);
            sum_y += link->weight * (place[link->b].y_px - link->dy);
        }
        total += link->weight;
    }
    if (total > 0.0) {
        said->x_px = sum_x / total;
        said->y_px = sum_y / total;
    }
}

/* Second round: all lags, solved together. `which` has room for 1 + 2 N_LAGS numbers a key, zeroed: how many
 * links it is in and which. */
static void solve_point(const struct tissue *tissue, struct foothold *footholds, struct point_link *links,
                        size_t *which, struct point *place)
{
    size_t n_links = link_point(tissue, footholds, links);

    for (size_t i = 0; i < n_links; i++) {
        size_t *of_a = which + links[i].a * (1 + 2 * N_LAGS);
        size_t *of_b = which + links[i].b * (1 + 2 * N_LAGS);

        of_a[++*of_a] = i;
        of_b[++*of_b] = i;
    }
    for (size_t k = 0; k < tissue->n_keys; k++)
        place[k] = footholds[k].place;
    for (int sweep = 0; sweep < SWEEPS; sweep++)
        for (size_t k = 1; k < tissue->n_keys; k++) {
            const size_t *of_k = which + k * (1 + 2 * N_LAGS);

            place_by_links(place, k, links, of_k + 1, *of_k, &place[k]);
        }
    for (size_t k = 0; k < tissue->n_keys; k++) {
        footholds[k].place = place[k];
        cut_foothold(tissue, k, &footholds[k]);
    }
}

struct setting {
    struct tissue *tissue;
    const struct point *at_rest_px;
    bool *is_done;
};

static void set_point(void *context, size_t i)
{
    const struct setting *setting = context;
    struct tissue *tissue = setting->tissue;
    struct foothold *footholds = tissue->footholds + i * tissue->n_keys;
    struct point_link *links = calloc(N_LAGS * tissue->n_keys, sizeof *links);
    size_t *which = calloc((1 + 2 * N_LAGS) * tissue->n_keys, sizeof *which);
    struct point *place = calloc(tissue->n_keys, sizeof *place);

    if (links != NULL && which != NULL && place != NULL) {
        footholds[0].place = setting->at_rest_px[i];
        chain_point(tissue, footholds);
        solve_point(tissue, footholds, links, which, place);
        setting->is_done[i] = true;
    }
    free(links);
    free(which);
    free(place);
}

bool tissue_set_points(struct tissue *tissue, const struct point *at_rest_px, size_t n, struct error **err)
{
    struct setting setting = {.tissue = tissue, .at_rest_px = at_rest_px};
    bool is_made = false;

    drop_points(tissue);
    if (n == 0)
        return true;
    tissue->footholds = calloc(n * tissue->n_keys, sizeof *tissue->footholds);
    setting.is_done = calloc(n, sizeof *setting.is_done);
    is_made = tissue->footholds != NULL && setting.is_done != NULL;
    if (is_made) {
        tissue->n_points = n;
        parallel_run(n, 0, set_point, &setting);
    }
    for (size_t i = 0; is_made && i < n; i++)
        is_made = setting.is_done[i];
    free(setting.is_done);
    if (is_made)
        return true;
    drop_points(tissue);
    return error_memory(err);
}

void tissue_settle(struct tissue *tissue)
{
    for (size_t k = 0; k < tissue->n_keys; k++) {
        raster_free(&tissue->keys[k].fine);
        raster_free(&tissue->keys[k].coarse);
    }
}

/* ---- frames ---- */

/* The keys next to a time, nearest first. */
static size_t nearest_keys(const struct tissue *tissue, double time_s, size_t nearest[N_NEAR])
{
    size_t n = 0;

    for (size_t k = 0; k < tissue->n_keys; k++) {
        double away = fabs(tissue->keys[k].time_s - time_s);
        size_t at = n < N_NEAR ? n : N_NEAR;

        while (at > 0 && away < fabs(tissue->keys[nearest[at - 1]].time_s - time_s)) {
            if (at < N_NEAR)
                nearest[at] = nearest[at - 1];
            at--;
        }
        if (at < N_NEAR) {
            nearest[at] = k;
            n = n < N_NEAR ? n + 1 : N_NEAR;
        }
    }
    return n;
}

static void look_for_point(const struct tissue *tissue, size_t i, const struct raster *fine,
                           const struct raster *coarse, const size_t *nearest, size_t n_nearest,
                           struct tissue_view *view)
{
    const struct foothold *footholds = tissue->footholds + i * tissue->n_keys;
    double sum_x = 0.0;
    double sum_y = 0.0;
    double total = 0.0;
    double best = 0.0;
    double information = 0.0;
    double rest_x = 0.0;
    double rest_y = 0.0;

    rigid_apply(&view->rigid, footholds[0].place.x_px, footholds[0].place.y_px, &rest_x, &rest_y);
    for (size_t j = 0; j < n_nearest; j++) {
        const struct foothold *foothold = &footholds[nearest[j]];
        struct patch_match match = {0};
        double key_x = 0.0;
        double key_y = 0.0;

        rigid_apply(&tissue->keys[nearest[j]].rigid, footholds[0].place.x_px, footholds[0].place.y_px, &key_x,
                    &key_y);
        if (!find_foothold(tissue, foothold, fine, coarse, rest_x - key_x, rest_y - key_y, &match))
            continue;
        sum_x += weight_of(match.correlation) * match.x_px;
        sum_y += weight_of(match.correlation) * match.y_px;
        total += weight_of(match.correlation);
        information += 1.0 / (match.error_px * match.error_px + 1e-6);
        best = fmax(best, match.correlation);
    }
    view->place[i].x_px = total > 0.0 ? sum_x / total : rest_x;
    view->place[i].y_px = total > 0.0 ? sum_y / total : rest_y;
    view->point_trust[i] = (float)best;
    view->error_px[i] = total > 0.0 ? (float)(1.0 / sqrt(information)) : INFINITY;
}

bool tissue_look(const struct tissue *tissue, const struct raster *frame, double time_s,
                 struct tissue_view *view)
{
    size_t nearest[N_NEAR] = {0};
    size_t n_nearest = nearest_keys(tissue, time_s, nearest);
    struct raster *coarse = reduce(frame, tissue->step);
    struct shift *shift = shift_pool_take(tissue->shifts);
    double complex *transform = NULL;
    struct rigid rigid = {0};

    if (coarse != NULL && shift != NULL)
        transform = shift_transform(shift, coarse, tissue->coarse_window);
    if (transform == NULL) {
        raster_free(&coarse);
        shift_pool_give(tissue->shifts, &shift);
        return false;
    }
    view->rigid = tissue->keys[nearest[0]].rigid;
    view->trust = 0.0;
    for (size_t j = 0; j < n_nearest && j < 2 && view->trust < 0.5; j++) {
        double trust = measure_rigid(tissue, &tissue->keys[nearest[j]], coarse, transform, shift, &rigid);

        if (trust > view->trust) {
            view->trust = trust;
            view->rigid = follow(&tissue->keys[nearest[j]].rigid, &rigid);
        }
    }
    for (size_t i = 0; i < tissue->n_points; i++)
        look_for_point(tissue, i, frame, coarse, nearest, n_nearest, view);
    raster_free(&coarse);
    free(transform);
    shift_pool_give(tissue->shifts, &shift);
    return true;
}
