#include "synth/bubbles.h"

#include "synth/dice.h"
#include "synth/wander.h"

#include <math.h>
#include <stdlib.h>

static const double APPEAR_S = 0.35;
static const double CLOSEST_MM = 0.8; /* bubbles do not enter the muscle */

struct drop {
    double ds_mm, dn_mm, weaker_db, late_s, turns, flicker_phase;
    int piece;
};

struct bubbles {
    struct recipe recipe;
    const struct anatomy *anatomy;
    double start_s_mm; /* place of the deposit along the centre line */
    struct wander wobble;
    size_t n;
    struct drop drops[MOST_BUBBLES];
};

static double smooth(double x)
{
    x = fmin(fmax(x, 0.0), 1.0);
    return x * x * (3.0 - 2.0 * x);
}

bool bubbles_make(struct bubbles **bubbles, const struct recipe *recipe, const struct anatomy *anatomy,
                  struct error **err)
{
    struct bubbles *b = calloc(1, sizeof *b);
    struct dice dice = dice_make(recipe->seed, 400);

    if (b == NULL)
        return error_memory(err);
    b->recipe = *recipe;
    b->anatomy = anatomy;
    b->n = anatomy == NULL ? 0 : (size_t)recipe->bubbles;
    if (anatomy != NULL)
        b->start_s_mm = anatomy_s_at_distance_mm(anatomy, recipe->deposit_mm);
    b->wobble = wander_make(recipe->seed, 401, 0.12, 0.3, recipe->duration_s);
    for (size_t i = 0; i < b->n; i++) {
        struct drop *drop = &b->drops[i];

        drop->ds_mm = recipe->bubble_spread_mm * dice_normal(&dice);
        drop->dn_mm = 0.35 * dice_normal(&dice);
        drop->weaker_db = i == 0 ? 0.0 : 8.0 * dice_even(&dice);
        drop->late_s = APPEAR_S * 0.7 * dice_even(&dice);
        drop->turns = dice_even(&dice);
        drop->flicker_phase = 6.28 * dice_even(&dice);
        drop->piece = (int)(i % (size_t)recipe->pieces);
    }
    *bubbles = b;
    return true;
}

void bubbles_free(struct bubbles **bubbles)
{
    if (bubbles == NULL || *bubbles == NULL)
        return;
    free(*bubbles);
    *bubbles = NULL;
}

size_t bubbles_count(const struct bubbles *b)
{
    return b->n;
}

double bubbles_appear_s(void)
{
    return APPEAR_S;
}

static double progress(const struct recipe *r, double since_s)
{
    double moving_s = since_s - r->drift_delay_s;

    if (moving_s <= 0.0)
        return 0.0;
    return r->drift_mode == DRIFT_SUDDEN ? 1.0 - exp(-moving_s / 1.0) : smooth(moving_s / r->drift_s);
}

double bubbles_middle_mm(const struct bubbles *b, double time_s)
{
    double since = time_s - b->recipe.deposit_s;
    double settled = smooth((since - 1.0) / 3.0);
    double wobble = wander_at(&b->wobble, time_s) - wander_at(&b->wobble, b->recipe.deposit_s);

    return b->start_s_mm - b->recipe.drift_mm * progress(&b->recipe, since) + settled * wobble;
}

static double in_sight(const struct recipe *r, double time_s)
{
    double gone = r->fade_from_s < 0 ? 0.0 : smooth((time_s - r->fade_from_s) / 1.5);
    double back = r->fade_to_s < 0 ? 0.0 : smooth((time_s - r->fade_to_s) / 1.5);

    return 1.0 - gone + gone * back;
}

bool bubbles_are_seen(const struct bubbles *b, double time_s)
{
    return b->n > 0 && time_s >= b->recipe.deposit_s + APPEAR_S && in_sight(&b->recipe, time_s) > 0.5;
}

struct bubble bubbles_at(const struct bubbles *b, size_t i, double time_s)
{
    const struct drop *drop = &b->drops[i];
    const struct recipe *r = &b->recipe;
    double since = time_s - r->deposit_s;
    double opened = smooth((since - drop->late_s) / (0.3 * APPEAR_S));
    double spread = smooth(since / 0.6);
    double parted = (drop->piece - 0.5 * (double)(r->pieces - 1)) * r->split_mm * progress(r, since);
    struct bubble made = {.turns = drop->turns, .piece = drop->piece};

    made.along.s_mm = bubbles_middle_mm(b, time_s) + parted + spread * drop->ds_mm;
    made.along.s_mm = fmax(made.along.s_mm, CLOSEST_MM);
    made.along.n_mm = spread * drop->dn_mm;
    made.strength = opened * in_sight(r, time_s);
    made.peak_db = r->bubble_db - drop->weaker_db + 1.2 * sin(0.9 * time_s + drop->flicker_phase) -
                   fmax(since, 0.0) * 0.02;
    return made;
}

struct catheter catheter_at(const struct recipe *r, const struct anatomy *anatomy, double time_s)
{
    double outside = r->length_mm + r->cervix_mm;
    double tip = r->tip_mm >= 0    ? r->tip_mm
                 : anatomy == NULL ? 0.0
                                   : anatomy_s_at_distance_mm(anatomy, r->deposit_mm) + 1.5;
    double in_s = fmax(r->deposit_s - 1.5 - r->catheter_enters_s, 0.5);
    double entered = smooth((time_s - r->catheter_enters_s) / in_s);
    double withdrawn = smooth((time_s - r->deposit_s - r->catheter_stays_s) / 2.5);
    struct catheter made = {false, 0.0};

    if (anatomy == NULL || !r->catheter || entered <= 0.0 || withdrawn >= 1.0)
        return made;
    made.is_there = true;
    made.tip_s_mm = outside + (tip - outside) * (entered - withdrawn) +
                    0.25 * sin(5.1 * time_s) * sin(1.7 * time_s + 1.0);
    return made;
}
