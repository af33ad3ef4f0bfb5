#include "motion/tissue.h"

#include "motion/common_motion.h"
#include "motion/tissue_internal.h"

#include <math.h>
#include <stdlib.h>

static const double LEAST_AGREEMENT = 0.15; /* of a key with the others */

enum { N_NEAR = 4 }; /* keys that a frame is compared with */

static const double COARSE_MM = 0.45; /* pixel of the coarse picture */
const double TISSUE_LEAST_CORRELATION = 0.35;

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

struct point tissue_point_in_key(const struct tissue *tissue, size_t point, size_t key)
{
    return tissue->footholds[point * tissue->n_keys + key].place;
}

bool tissue_key_agrees(const struct tissue *tissue, size_t key)
{
    return key == 0 || tissue_key_trust(tissue, key) > LEAST_AGREEMENT;
}

void tissue_free(struct tissue **tissue)
{
    if (tissue == NULL || *tissue == NULL)
        return;
    tissue_drop_points(*tissue);
    for (size_t k = 0; k < (*tissue)->n_keys && (*tissue)->keys != NULL; k++) {
        struct tissue_key *key = &(*tissue)->keys[k];

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

struct raster *tissue_reduce(const struct raster *fine, int step)
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
    made->coarse_window = tissue_reduce(window, made->step);
    for (size_t k = 0; k < n_keys; k++) {
        made->keys[k].fine = keys[k];
        keys[k] = NULL;
        made->keys[k].time_s = time_s[k];
        made->keys[k].rigid.pivot_x = made->centre_x;
        made->keys[k].rigid.pivot_y = made->centre_y;
        made->keys[k].coarse = tissue_reduce(made->keys[k].fine, made->step);
        is_made = is_made && made->keys[k].coarse != NULL;
    }
    if (!is_made || made->coarse_window == NULL)
        return error_memory(err);
    if (!tissue_prepare_keys(made) || !tissue_link_keys(made))
        return error_memory(err);
    *tissue = made;
    made = NULL;
    return true;
}

void tissue_settle(struct tissue *tissue)
{
    for (size_t k = 0; k < tissue->n_keys; k++) {
        raster_free(&tissue->keys[k].fine);
        raster_free(&tissue->keys[k].coarse);
    }
}

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

/* What several matches of one frame err together: half of the variance of each is the key's own, which
 * another key does not share, half the frame's. */
struct joint_error {
    double weight, weighted, squared;
};

static void add_error(struct joint_error *joint, double weight, double error_px)
{
    joint->weight += weight;
    joint->weighted += weight * error_px * error_px;
    joint->squared += weight * weight * error_px * error_px;
}

static double error_together(const struct joint_error *joint)
{
    return sqrt(0.5 * (joint->weighted + joint->squared / joint->weight) / joint->weight);
}

/* A point by the keys that show it: false where it is lost, which leaves it where the rigid motion puts it.
 */
static bool look_for_point(const struct tissue *tissue, size_t i, const struct raster *fine,
                           const struct raster *coarse, const size_t *nearest, size_t n_nearest,
                           struct tissue_view *view, struct common_point *seen)
{
    const struct foothold *footholds = tissue->footholds + i * tissue->n_keys;
    double total = 0.0;
    double best = 0.0;
    double moved[2] = {0};
    struct joint_error error[2] = {0};
    struct point still = {0}; /* where it would be, had it moved with the picture since the keys */
    double rest_x = 0.0;
    double rest_y = 0.0;

    rigid_apply(&view->rigid, footholds[0].place.x_px, footholds[0].place.y_px, &rest_x, &rest_y);
    for (size_t j = 0; j < n_nearest; j++) {
        const struct foothold *foothold = &footholds[nearest[j]];
        struct patch_match match = {0};
        double weight = 0.0;
        double key_x = 0.0;
        double key_y = 0.0;

        rigid_apply(&tissue->keys[nearest[j]].rigid, footholds[0].place.x_px, footholds[0].place.y_px, &key_x,
                    &key_y);
        if (!foothold_find(tissue, foothold, fine, coarse, rest_x - key_x, rest_y - key_y, &match))
            continue;
        weight = foothold_weight(match.correlation);
        moved[0] += weight * match.x_px;
        moved[1] += weight * match.y_px;
        still.x_px += weight * (foothold->place.x_px + rest_x - key_x);
        still.y_px += weight * (foothold->place.y_px + rest_y - key_y);
        for (int axis = 0; axis < 2; axis++)
            add_error(&error[axis], weight, match.error_px[axis]);
        total += weight;
        best = fmax(best, match.correlation);
    }
    view->place[i] = (struct point){.x_px = rest_x, .y_px = rest_y};
    view->point_trust[i] = (float)best;
    view->error_px[i] = INFINITY;
    if (!(total > 0.0))
        return false;
    view->place[i] = (struct point){.x_px = still.x_px / total, .y_px = still.y_px / total};
    seen->from = footholds[0].place;
    seen->moved_px[0] = (moved[0] - still.x_px) / total;
    seen->moved_px[1] = (moved[1] - still.y_px) / total;
    for (int axis = 0; axis < 2; axis++)
        seen->error_px[axis] = error_together(&error[axis]);
    view->error_px[i] = (float)(hypot(seen->error_px[0], seen->error_px[1]) / sqrt(2.0));
    return true;
}

/* All points: each by its own matches, and those that say little by what all share. `seen` and `which` have
 * room for all. */
static void look_for_points(const struct tissue *tissue, const struct raster *fine,
                            const struct raster *coarse, const size_t *nearest, size_t n_nearest,
                            struct tissue_view *view, struct common_point *seen, size_t *which)
{
    size_t n_seen = 0;

    for (size_t i = 0; i < tissue->n_points; i++)
        if (look_for_point(tissue, i, fine, coarse, nearest, n_nearest, view, &seen[n_seen]))
            which[n_seen++] = i;
    common_motion_draw(seen, n_seen, tissue->spread_px2);
    for (size_t k = 0; k < n_seen; k++) {
        view->place[which[k]].x_px += seen[k].moved_px[0];
        view->place[which[k]].y_px += seen[k].moved_px[1];
    }
}

bool tissue_look(const struct tissue *tissue, const struct raster *frame, double time_s,
                 struct tissue_view *view)
{
    size_t nearest[N_NEAR] = {0};
    size_t n_nearest = nearest_keys(tissue, time_s, nearest);
    struct raster *coarse = tissue_reduce(frame, tissue->step);
    struct shift *shift = shift_pool_take(tissue->shifts);
    struct common_point *seen = calloc(tissue->n_points + 1, sizeof *seen);
    size_t *which = calloc(tissue->n_points + 1, sizeof *which);
    double complex *transform = NULL;
    struct rigid rigid = {0};

    if (coarse != NULL && shift != NULL && seen != NULL && which != NULL)
        transform = shift_transform(shift, coarse, tissue->coarse_window);
    if (transform == NULL) {
        free(seen);
        free(which);
        raster_free(&coarse);
        shift_pool_give(tissue->shifts, &shift);
        return false;
    }
    view->rigid = tissue->keys[nearest[0]].rigid;
    view->trust = 0.0;
    for (size_t j = 0; j < n_nearest && j < 2 && view->trust < 0.5; j++) {
        double trust =
            tissue_measure_rigid(tissue, &tissue->keys[nearest[j]], coarse, transform, shift, &rigid);

        if (trust > view->trust) {
            view->trust = trust;
            view->rigid = rigid_then(&tissue->keys[nearest[j]].rigid, &rigid);
        }
    }
    look_for_points(tissue, frame, coarse, nearest, n_nearest, view, seen, which);
    free(seen);
    free(which);
    raster_free(&coarse);
    free(transform);
    shift_pool_give(tissue->shifts, &shift);
    return true;
}
