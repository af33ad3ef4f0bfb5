#include "synth/movement.h"

#include "base/wide.h"
#include "synth/tissue.h"
#include "synth/wander.h"

#include <math.h>
#include <stdlib.h>

static const double TWO_PI = 6.283185307179586;
static const double RADIANS = 0.017453292519943295;
static const double FIRST_NODE_MM = -30.0; /* waves have died out beyond */

struct movement {
    struct recipe recipe;
    const struct anatomy *anatomy;
    const struct waves *waves;
    double node_mm;
    struct place middle; /* breathing turns the picture about the middle of the stripe */
    struct wander walk_x, walk_y, walk_turn, breath_phase, pulse_phase, rocking_phase, outside_x, outside_y,
        elevation;
};

bool movement_make(struct movement **movement, const struct recipe *recipe, const struct anatomy *anatomy,
                   const struct waves *waves, struct error **err)
{
    struct movement *m = calloc(1, sizeof *m);
    double length_s = recipe->duration_s, walk_hz = recipe->probe_walk_hz;
    long seed = recipe->seed;

    if (m == NULL)
        return error_memory(err);
    m->recipe = *recipe;
    m->anatomy = anatomy;
    m->waves = waves;
    m->node_mm = (recipe->length_mm + 2.0 * fabs(FIRST_NODE_MM)) / (MOVEMENT_NODES - 1);
    m->middle = (struct place){recipe->stripe_across_mm, recipe->probe_radius_mm + recipe->stripe_depth_mm};
    m->walk_x = wander_make(seed, 200, recipe->probe_walk_mm, walk_hz, length_s);
    m->walk_y = wander_make(seed, 201, recipe->probe_walk_mm, walk_hz, length_s);
    m->walk_turn = wander_make(seed, 202, recipe->probe_walk_deg * RADIANS, walk_hz, length_s);
    m->breath_phase = wander_make(seed, 203, 0.9, 0.1, length_s);
    m->pulse_phase = wander_make(seed, 204, 0.5, 0.1, length_s);
    m->rocking_phase = wander_make(seed, 205, 0.25, 0.05, length_s);
    m->outside_x = wander_make(seed, 206, recipe->bowel_mm, 0.15, length_s);
    m->outside_y = wander_make(seed, 207, recipe->bowel_mm, 0.15, length_s);
    m->elevation = wander_make(seed, 208, recipe->elevation_walk, walk_hz, length_s);
    *movement = m;
    return true;
}

void movement_free(struct movement **movement)
{
    if (movement == NULL || *movement == NULL)
        return;
    free(*movement);
    *movement = NULL;
}

/* -1..1; out-breaths last longer than in-breaths. */
static double breath(const struct movement *m, double time_s)
{
    double phase = TWO_PI * m->recipe.breathing_per_min / 60.0 * time_s + wander_at(&m->breath_phase, time_s);

    return cos(phase + 0.35 * sin(phase));
}

/* -1..1; a quick rise and a slow fall. */
static double beat(const struct movement *m, double time_s)
{
    double phase = TWO_PI * m->recipe.pulse_per_min / 60.0 * time_s + wander_at(&m->pulse_phase, time_s);

    return 0.75 * sin(phase) + 0.3 * sin(2.0 * phase + 0.6);
}

static double rocking(const struct movement *m, double time_s)
{
    return sin(TWO_PI * m->recipe.rocking_per_min / 60.0 * time_s + wander_at(&m->rocking_phase, time_s));
}

struct movement_parts movement_parts(const struct movement *m, double time_s)
{
    return (struct movement_parts){
        .breathing_mm = m->recipe.breathing_mm * breath(m, time_s),
        .walk_x_mm = wander_at(&m->walk_x, time_s),
        .walk_y_mm = wander_at(&m->walk_y, time_s),
        .walk_deg = wander_at(&m->walk_turn, time_s) / RADIANS,
        .rocking_mm = m->recipe.rocking_mm * rocking(m, time_s),
    };
}

/* Composes p -> turn p + shift: stretch from the probe on, turn about the stripe and push by breathing,
 * then turn about the probe and push by its walk and rocking. */
static void compose(const struct movement *m, double time_s, struct instant *instant)
{
    const struct recipe *r = &m->recipe;
    double breathed = breath(m, time_s), rocked = rocking(m, time_s);
    double stretch = 1.0 + r->breathing_strain * breathed;
    double inner = r->breathing_turn_deg * RADIANS * breathed;
    double outer = wander_at(&m->walk_turn, time_s) + r->rocking_deg * RADIANS * rocked +
                   r->turn_deg_per_min * RADIANS * time_s / 60.0;
    double ci = cos(inner), si = sin(inner), co = cos(outer), so = sin(outer);
    double offset_y = r->probe_radius_mm * (1.0 - stretch); /* y -> stretch y + offset_y */
    double x = m->middle.x_mm, y = m->middle.y_mm;
    double shift_x = x - ci * x - si * (offset_y - y) +
                     r->breathing_mm * breathed * cos(r->breathing_toward_deg * RADIANS);
    double shift_y = y - si * x + ci * (offset_y - y) +
                     r->breathing_mm * breathed * sin(r->breathing_toward_deg * RADIANS);
    const double turn[4] = {ci, -si * stretch, si, ci * stretch};

    instant->turn[0] = co * turn[0] - so * turn[2];
    instant->turn[1] = co * turn[1] - so * turn[3];
    instant->turn[2] = so * turn[0] + co * turn[2];
    instant->turn[3] = so * turn[1] + co * turn[3];
    instant->shift_x_mm =
        co * shift_x - so * shift_y + wander_at(&m->walk_x, time_s) + 0.5 * r->rocking_mm * rocked;
    instant->shift_y_mm =
        so * shift_x + co * shift_y + wander_at(&m->walk_y, time_s) + 0.866 * r->rocking_mm * rocked;
}

void movement_at(const struct movement *m, double time_s, struct instant *instant)
{
    instant->time_s = time_s;
    compose(m, time_s, instant);
    for (int i = 0; i < MOVEMENT_NODES; i++) {
        struct wave_effect effect = waves_at(m->waves, FIRST_NODE_MM + m->node_mm * i, time_s);

        instant->change_mm[i] = (float)effect.change_mm;
        instant->lengthwise_mm[i] = (float)effect.lengthwise_mm;
    }
    instant->pulse = (float)beat(m, time_s);
    instant->outside_x_mm = (float)wander_at(&m->outside_x, time_s);
    instant->outside_y_mm = (float)wander_at(&m->outside_y, time_s);
    instant->elevation = (float)wander_at(&m->elevation, time_s);
}

static void bind_waves(const struct movement *m, struct along along, struct element *element)
{
    const struct recipe *r = &m->recipe;
    struct place normal = anatomy_normal(m->anatomy, along.s_mm);
    int side = along.n_mm > 0 ? 1 : -1;
    double wall = fmax(anatomy_wall_mm(m->anatomy, along.s_mm, side), 0.4);
    double across = fabs(along.n_mm);
    double fade = exp(-fmax(across - wall, 0.0) / r->decay_mm) * tissue_belongs(m->anatomy, along);
    double share = side > 0 ? r->wall_share : r->wall_share - 1.0; /* the lower wall moves the other way */
    double push = share * fmin(across / wall, 1.0) * fade;
    struct place tangent = anatomy_tangent(m->anatomy, along.s_mm);

    element->node = (float)fmin(fmax((along.s_mm - FIRST_NODE_MM) / m->node_mm, 0.0), MOVEMENT_NODES - 1.001);
    element->across_x = (float)(push * normal.x_mm);
    element->across_y = (float)(push * normal.y_mm);
    element->lengthwise_x = (float)(fade * tangent.x_mm);
    element->lengthwise_y = (float)(fade * tangent.y_mm);
    element->outside = (float)(1.0 - tissue_belongs(m->anatomy, along));
}

/* The pulse: all tissue a little, tissue near two vessels beside the uterus more, away from them. */
static void bind_pulse(const struct movement *m, struct place place, struct element *element)
{
    double pulse = m->recipe.pulse_mm;
    double x = 0.3 * pulse, y = 0.5 * pulse;

    for (int i = 0; i < 2; i++) {
        double dx = place.x_mm - m->middle.x_mm - (i == 0 ? 22.0 : -16.0);
        double dy = place.y_mm - m->middle.y_mm - (i == 0 ? 6.0 : 16.0);
        double reach = 2.0 * pulse * exp(-(dx * dx + dy * dy) / 200.0) / 10.0;

        x += reach * dx;
        y += reach * dy;
    }
    element->pulse_x_mm = (float)x;
    element->pulse_y_mm = (float)y;
}

struct element movement_bind_along(const struct movement *m, struct along along)
{
    struct place place = anatomy_place(m->anatomy, along);
    struct element made = {.x_mm = (float)place.x_mm, .y_mm = (float)place.y_mm};

    bind_waves(m, along, &made);
    bind_pulse(m, place, &made);
    return made;
}

struct element movement_bind(const struct movement *m, struct place place)
{
    struct element made = {.x_mm = (float)place.x_mm, .y_mm = (float)place.y_mm, .outside = 1.0f};

    if (m->anatomy != NULL)
        bind_waves(m, anatomy_locate(m->anatomy, place), &made);
    bind_pulse(m, place, &made);
    return made;
}

static inline struct place carried(const struct instant *instant, const struct element *e)
{
    int node = (int)e->node;
    float share = e->node - (float)node;
    float change =
        instant->change_mm[node] + share * (instant->change_mm[node + 1] - instant->change_mm[node]);
    float along = instant->lengthwise_mm[node] +
                  share * (instant->lengthwise_mm[node + 1] - instant->lengthwise_mm[node]);
    double x = (double)(e->x_mm + change * e->across_x + along * e->lengthwise_x +
                        instant->pulse * e->pulse_x_mm + e->outside * instant->outside_x_mm);
    double y = (double)(e->y_mm + change * e->across_y + along * e->lengthwise_y +
                        instant->pulse * e->pulse_y_mm + e->outside * instant->outside_y_mm);

    return (struct place){
        instant->turn[0] * x + instant->turn[1] * y + instant->shift_x_mm,
        instant->turn[2] * x + instant->turn[3] * y + instant->shift_y_mm,
    };
}

struct place movement_place(const struct instant *instant, const struct element *element)
{
    return carried(instant, element);
}

void movement_store(struct element_block *block, size_t i, const struct element *element)
{
    block->x_mm[i] = element->x_mm;
    block->y_mm[i] = element->y_mm;
    block->node[i] = element->node;
    block->across_x[i] = element->across_x;
    block->across_y[i] = element->across_y;
    block->lengthwise_x[i] = element->lengthwise_x;
    block->lengthwise_y[i] = element->lengthwise_y;
    block->pulse_x_mm[i] = element->pulse_x_mm;
    block->pulse_y_mm[i] = element->pulse_y_mm;
    block->outside[i] = element->outside;
}

static inline struct element stored(const struct element_block *block, size_t i)
{
    return (struct element){
        .x_mm = block->x_mm[i],
        .y_mm = block->y_mm[i],
        .node = block->node[i],
        .across_x = block->across_x[i],
        .across_y = block->across_y[i],
        .lengthwise_x = block->lengthwise_x[i],
        .lengthwise_y = block->lengthwise_y[i],
        .pulse_x_mm = block->pulse_x_mm[i],
        .pulse_y_mm = block->pulse_y_mm[i],
        .outside = block->outside[i],
    };
}

struct element movement_stored(const struct element_block *block, size_t i)
{
    return stored(block, i);
}

WIDE static void carry(const struct instant *instant, const struct element_block *block, float *restrict x_mm,
                       float *restrict y_mm)
{
#pragma omp simd
    for (size_t i = 0; i < ELEMENTS_TOGETHER; i++) {
        struct element element = stored(block, i);
        struct place place = carried(instant, &element);

        x_mm[i] = (float)place.x_mm;
        y_mm[i] = (float)place.y_mm;
    }
}

void movement_carry(const struct instant *instant, const struct element_block *block, float *x_mm,
                    float *y_mm)
{
    carry(instant, block, x_mm, y_mm);
}
