#include "motion/common_motion.h"
#include "motion/tissue_internal.h"

#include "base/parallel.h"

#include <stdlib.h>

void tissue_drop_points(struct tissue *tissue)
{
    for (size_t i = 0; i < tissue->n_points * tissue->n_keys; i++)
        foothold_clear(&tissue->footholds[i]);
    free(tissue->footholds);
    tissue->footholds = NULL;
    tissue->n_points = 0;
}

/* First round: places by following from key 0 and from the key before. */
static void chain_point(const struct tissue *tissue, struct foothold *footholds)
{
    foothold_cut(tissue, 0, &footholds[0]);
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
            if (foothold_find(tissue, source, tissue->keys[k].fine, tissue->keys[k].coarse, rest_x - source_x,
                              rest_y - source_y, &match)) {
                double weight = foothold_weight(match.correlation);

                sum_x += weight * match.x_px;
                sum_y += weight * match.y_px;
                total += weight;
            }
        }
        footholds[k].place.x_px = total > 0.0 ? sum_x / total : rest_x;
        footholds[k].place.y_px = total > 0.0 ? sum_y / total : rest_y;
        foothold_cut(tissue, k, &footholds[k]);
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

    for (size_t l = 0; l < TISSUE_N_LAGS; l++)
        for (size_t a = 0; a + tissue_lags[l] < tissue->n_keys; a++) {
            size_t b = a + tissue_lags[l];
            struct patch_match match = {0};

            if (!foothold_find(tissue, &footholds[a], tissue->keys[b].fine, tissue->keys[b].coarse,
                               footholds[b].place.x_px - footholds[a].place.x_px,
                               footholds[b].place.y_px - footholds[a].place.y_px, &match))
                continue;
            links[n_links].a = a;
            links[n_links].b = b;
            links[n_links].dx = match.x_px - footholds[a].place.x_px;
            links[n_links].dy = match.y_px - footholds[a].place.y_px;
            links[n_links++].weight = foothold_weight(match.correlation);
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

/* Second round: all lags, solved together. `which` has room for 1 + 2 TISSUE_N_LAGS numbers a key, zeroed:
 * how many links it is in and which. */
static void solve_point(const struct tissue *tissue, struct foothold *footholds, struct point_link *links,
                        size_t *which, struct point *place)
{
    size_t n_links = link_point(tissue, footholds, links);

    for (size_t i = 0; i < n_links; i++) {
        size_t *of_a = which + links[i].a * (1 + 2 * TISSUE_N_LAGS);
        size_t *of_b = which + links[i].b * (1 + 2 * TISSUE_N_LAGS);

        of_a[++*of_a] = i;
        of_b[++*of_b] = i;
    }
    for (size_t k = 0; k < tissue->n_keys; k++)
        place[k] = footholds[k].place;
    for (int sweep = 0; sweep < TISSUE_SWEEPS; sweep++)
        for (size_t k = 1; k < tissue->n_keys; k++) {
            const size_t *of_k = which + k * (1 + 2 * TISSUE_N_LAGS);

            place_by_links(place, k, links, of_k + 1, *of_k, &place[k]);
        }
    for (size_t k = 0; k < tissue->n_keys; k++) {
        footholds[k].place = place[k];
        foothold_cut(tissue, k, &footholds[k]);
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
    struct point_link *links = calloc(TISSUE_N_LAGS * tissue->n_keys, sizeof *links);
    size_t *which = calloc((1 + 2 * TISSUE_N_LAGS) * tissue->n_keys, sizeof *which);
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

/* How far points move beside what all of them share, from a key to the next: frames are looked at beside
 * keys. */
static bool find_spread(struct tissue *tissue)
{
    struct common_point *point = calloc(tissue->n_points, sizeof *point);

    tissue->spread_px2 = 0.0;
    if (point == NULL)
        return false;
    for (size_t k = 1; k < tissue->n_keys; k++) {
        for (size_t i = 0; i < tissue->n_points; i++) {
            const struct foothold *footholds = tissue->footholds + i * tissue->n_keys;

            point[i].from = footholds[0].place;
            point[i].moved_px[0] = footholds[k].place.x_px - footholds[k - 1].place.x_px;
            point[i].moved_px[1] = footholds[k].place.y_px - footholds[k - 1].place.y_px;
        }
        tissue->spread_px2 +=
            common_motion_spread_px2(point, tissue->n_points) / (double)(tissue->n_keys - 1);
    }
    free(point);
    return true;
}

bool tissue_set_points(struct tissue *tissue, const struct point *at_rest_px, size_t n, struct error **err)
{
    struct setting setting = {.tissue = tissue, .at_rest_px = at_rest_px};
    bool is_made = false;

    tissue_drop_points(tissue);
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
    is_made = is_made && find_spread(tissue);
    free(setting.is_done);
    if (is_made)
        return true;
    tissue_drop_points(tissue);
    return error_memory(err);
}
