#include "motion/tissue_internal.h"

#include "base/parallel.h"

#include <math.h>
#include <stdlib.h>

const size_t tissue_lags[TISSUE_N_LAGS] = {1, 2, 3, 5, 8, 13, 21, 34, 55};

static const double BLOCK_SPACING_MM = 7.0; /* of the blocks that give the rigid motion */
static const double BLOCK_SIGMA_MM = 2.5;
static const double POINT_COARSE_SIGMA_MM = 2.4;
static const double POINT_SIGMA_MM =
    TISSUE_POINT_SIGMA_MM; /* a wave 8 mm long still moves such a patch by two thirds */
static const double BLOCK_REACH_MM = 4.0;

static double to_fine(double coarse_px, int step)
{
    return (coarse_px + 0.5) * step - 0.5;
}

static void cut_blocks(struct tissue *tissue, struct tissue_key *key)
{
    double mm_x = tissue->mm_x * tissue->step;
    double mm_y = tissue->mm_y * tissue->step;
    double spacing = BLOCK_SPACING_MM;
    const struct raster *window = tissue->coarse_window;

    /* Wider apart where the picture is so large that the blocks would not fit. */
    while (window->width_px * mm_x / spacing * (window->height_px * mm_y / spacing) > TISSUE_MOST_BLOCKS)
        spacing *= 1.1;
    for (double y = 0.5 * spacing / mm_y; y < window->height_px; y += spacing / mm_y)
        for (double x = 0.5 * spacing / mm_x; x < window->width_px; x += spacing / mm_x) {
            struct tissue_block block = {.x_px = (int)x, .y_px = (int)y};

            if (key->n_blocks == TISSUE_MOST_BLOCKS || raster_at(window, x, y) < 0.5F)
                continue;
            block.patch = patch_make_shaped(key->coarse, block.x_px, block.y_px, tissue->block_shape);
            if (block.patch != NULL)
                key->blocks[key->n_blocks++] = block;
        }
}

double tissue_measure_rigid(const struct tissue *tissue, const struct tissue_key *key,
                            const struct raster *coarse, const double complex *transform, struct shift *shift,
                            struct rigid *rigid)
{
    double from[TISSUE_MOST_BLOCKS][2];
    double to[TISSUE_MOST_BLOCKS][2];
    double weight[TISSUE_MOST_BLOCKS];
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
        const struct tissue_block *block = &key->blocks[i];
        struct patch_match match = {.x_px = block->x_px + dx, .y_px = block->y_px + dy};
        bool is_found = patch_find(block->patch, coarse, reach, &match);

        from[i][0] = to_fine(block->x_px, tissue->step) * tissue->mm_x;
        from[i][1] = to_fine(block->y_px, tissue->step) * tissue->mm_y;
        to[i][0] = to_fine(match.x_px, tissue->step) * tissue->mm_x;
        to[i][1] = to_fine(match.y_px, tissue->step) * tissue->mm_y;
        weight[i] = is_found && match.correlation > TISSUE_LEAST_CORRELATION
                        ? match.correlation * match.correlation / (1.001 - match.correlation)
                        : 0.0;
        total += weight[i] > 0.0 ? match.correlation : 0.0;
    }
    if (key->n_blocks == 0 ||
        !rigid_fit(&found, (const double(*)[2])from, (const double(*)[2])to, weight, key->n_blocks))
        return 0.0;
    found = rigid_about(&found, tissue->centre_x * tissue->mm_x, tissue->centre_y * tissue->mm_y);
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
    for (int sweep = 0; sweep < TISSUE_SWEEPS; sweep++)
        for (size_t k = 1; k < tissue->n_keys; k++) {
            double sum[3] = {0};
            double total = 0.0;

            for (size_t i = 0; i < n_links; i++) {
                const struct link *link = &links[i];
                struct rigid said = {0};

                if (link->b == k)
                    said = rigid_then(&tissue->keys[link->a].rigid, &link->rigid);
                else if (link->a == k)
                    said = rigid_then(&tissue->keys[link->b].rigid, &link->inverse);
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
    const struct tissue_key *to = &tissue->keys[link->b];
    struct shift *shift = shift_pool_take(tissue->shifts);

    if (shift == NULL)
        return;
    link->trust =
        tissue_measure_rigid(tissue, &tissue->keys[link->a], to->coarse, to->transform, shift, &link->rigid);
    link->inverse = rigid_inverse(&link->rigid);
    link->weight = link->trust > 0.1 ? link->trust * link->trust / (1.02 - link->trust) : 0.0;
    link->is_done = true;
    shift_pool_give(tissue->shifts, &shift);
}

bool tissue_link_keys(struct tissue *tissue)
{
    struct linking linking = {.tissue = tissue,
                              .links = calloc(tissue->n_keys * TISSUE_N_LAGS, sizeof(struct link))};
    struct link *links = linking.links;
    size_t n_links = 0;
    bool is_made = links != NULL;

    for (size_t l = 0; is_made && l < TISSUE_N_LAGS; l++)
        for (size_t a = 0; a + tissue_lags[l] < tissue->n_keys; a++)
            links[n_links++] = (struct link){.a = a, .b = a + tissue_lags[l]};
    if (is_made)
        parallel_run(n_links, 0, measure_link, &linking);
    for (size_t i = 0; is_made && i < n_links; i++)
        is_made = links[i].is_done;
    if (is_made) {
        for (size_t i = 0; i < n_links; i++) {
            struct tissue_key *a = &tissue->keys[links[i].a];
            struct tissue_key *b = &tissue->keys[links[i].b];

            a->trust = fmax(a->trust, links[i].trust);
            b->trust = fmax(b->trust, links[i].trust);
            if (links[i].b == links[i].a + 1) /* the chain is the start of the sweeps */
                b->rigid = rigid_then(&a->rigid, &links[i].rigid);
        }
        solve_rigid(tissue, links, n_links);
        if (tissue->n_keys == 1)
            tissue->keys[0].trust = 1.0;
    }
    free(links);
    return is_made;
}

bool tissue_prepare_keys(struct tissue *tissue)
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
