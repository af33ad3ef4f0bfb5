#include "measure/tip_carry.h"

#include <math.h>
#include <string.h>

enum { N_TIPS = 2, MOST_POINTS = 160 };
static const double REACH_MM = 14.0; /* tissue within this carries a tip */
static const double NEAR_MM = 6.0;   /* standard deviation of the weight of what is near */
static const double LEAST_TRUST = 0.4;

/* Walls and the patches on both tips, where they lie at rest and now. */
struct moved {
    size_t n;
    double from[MOST_POINTS][2], to[MOST_POINTS][2], weight[MOST_POINTS];
};

static void add(struct moved *moved, const struct follow *follow, const struct canvas *canvas, size_t point,
                struct point now, double trust, size_t tip)
{
    const struct point *rest = follow->rest;
    double away = canvas_distance_mm(canvas, rest[point], rest[2 * follow->n_positions + tip]);

    if (away > REACH_MM || trust < LEAST_TRUST || moved->n == MOST_POINTS)
        return;
    canvas_to_mm(canvas, rest[point], moved->from[moved->n]);
    canvas_to_mm(canvas, now, moved->to[moved->n]);
    moved->weight[moved->n++] = trust * exp(-0.5 * away * away / (NEAR_MM * NEAR_MM));
}

static bool fit_moved(struct rigid *rigid, const struct moved *moved)
{
    return moved->n >= 2 && rigid_fit(rigid, (const double(*)[2])moved->from, (const double(*)[2])moved->to,
                                      moved->weight, moved->n);
}

/* Where the tissue round a tip is in a key, as the mean picture lays the keys over one another; false where
 * it is not known. */
static bool place_in_key(const struct follow *follow, const struct canvas *canvas,
                         const struct tissue *tissue, size_t tip, size_t key, double mm[2])
{
    struct moved moved = {0};
    struct rigid rigid = {0};
    double rest_mm[2];

    for (size_t i = 0; i < 2 * follow->n_positions + N_TIPS; i++) {
        struct point at = tissue_point_in_key(tissue, i, key);
        struct point laid;

        rigid_undo(tissue_key_rigid(tissue, key), at.x_px, at.y_px, &laid.x_px, &laid.y_px);
        add(&moved, follow, canvas, i, laid, 1.0, tip);
    }
    if (!fit_moved(&rigid, &moved))
        return false;
    canvas_to_mm(canvas, follow->rest[2 * follow->n_positions + tip], rest_mm);
    rigid_apply(&rigid, rest_mm[0], rest_mm[1], &mm[0], &mm[1]);
    return true;
}

void tip_carry_settle(struct follow *follow, const struct canvas *canvas, const struct tissue *tissue,
                      const bool is_given[2])
{
    memset(follow->tip_stray_mm, 0, sizeof follow->tip_stray_mm);
    for (size_t tip = 0; tip < N_TIPS; tip++) {
        double rest_mm[2], sum[2] = {0};
        double n = 0.0;

        canvas_to_mm(canvas, follow->rest[2 * follow->n_positions + tip], rest_mm);
        for (size_t key = 0; key < tissue_n_keys(tissue) && !is_given[tip]; key++) {
            double mm[2];

            if (!tissue_key_agrees(tissue, key) || !place_in_key(follow, canvas, tissue, tip, key, mm))
                continue;
            sum[0] += mm[0] - rest_mm[0];
            sum[1] += mm[1] - rest_mm[1];
            n += 1.0;
        }
        for (int k = 0; k < 2 && n > 0.0; k++)
            follow->tip_stray_mm[tip][k] = sum[k] / n;
    }
}

/* A tip goes where the tissue round it goes: a rigid fit of the walls near it and the patch on the tip
 * itself. That tissue was taken where the tips lie in the mean picture, but from the first key, in which it
 * lay elsewhere than it usually does. */
struct point tip_carry_place(const struct follow *follow, const struct canvas *canvas,
                             const struct tissue_view *view, size_t tip)
{
    struct point rest = follow->rest[2 * follow->n_positions + tip];
    struct moved moved = {0};
    struct rigid rigid = {0};
    double rest_mm[2], mm[2];
    struct point at;

    canvas_to_mm(canvas, rest, rest_mm);
    for (int k = 0; k < 2; k++)
        rest_mm[k] -= follow->tip_stray_mm[tip][k];
    for (size_t i = 0; i < 2 * follow->n_positions + N_TIPS; i++)
        add(&moved, follow, canvas, i, view->place[i], (double)view->point_trust[i], tip);
    if (fit_moved(&rigid, &moved)) {
        rigid_apply(&rigid, rest_mm[0], rest_mm[1], &mm[0], &mm[1]);
        return canvas_from_mm(canvas, mm);
    }
    at = canvas_from_mm(canvas, rest_mm);
    rigid_apply(&view->rigid, at.x_px, at.y_px, &at.x_px, &at.y_px);
    return at;
}
