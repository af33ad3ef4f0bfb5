#include "synth/anatomy.h"

#include "synth/noise.h"

#include <math.h>
#include <stdlib.h>

static const double STEP_MM = 0.25;
static const double BEYOND_FUNDUS_MM = 40.0; /* straight extension, wider than any muscle */
static const double RADIANS = 0.017453292519943295;

struct anatomy {
    double length_mm, half_thickness_mm, myometrium_mm, cervix_mm;
    double first_mm; /* s of the first node */
    size_t n;
    double *x, *y;   /* nodes of the centre line, STEP_MM apart */
    double *tx, *ty; /* its direction, to growing s */
    double side;     /* +1 or -1: turns the normal to the probe */
    long seed;
};

static double smooth(double x)
{
    x = fmin(fmax(x, 0.0), 1.0);
    return x * x * (3.0 - 2.0 * x);
}

/* Heading of growing s, radians, relative to the chord: one bend, strongest toward the os, going on
 * half as strong into the cervix. */
static double heading(const struct recipe *recipe, double s_mm)
{
    double share = s_mm / recipe->length_mm;
    double bend = recipe->bend_deg * RADIANS;

    return bend * (smooth((share + 0.1) / 1.2) - 0.5) + 0.5 * bend * smooth((share - 0.9) / 0.5);
}

static void lay_nodes(struct anatomy *a, const struct recipe *recipe, double turn, double flip)
{
    double x = 0.0, y = 0.0;
    size_t origin = (size_t)lround(-a->first_mm / STEP_MM);

    for (size_t i = 0; i < a->n; i++) {
        double s = a->first_mm + STEP_MM * (double)i;
        double angle = turn + heading(recipe, s);

        a->tx[i] = flip * cos(angle);
        a->ty[i] = sin(angle);
        a->x[i] = x;
        a->y[i] = y;
        angle = turn + heading(recipe, s + 0.5 * STEP_MM);
        x += STEP_MM * flip * cos(angle);
        y += STEP_MM * sin(angle);
    }
    x = a->x[origin];
    y = a->y[origin];
    for (size_t i = 0; i < a->n; i++) {
        a->x[i] -= x;
        a->y[i] -= y;
    }
}

static void move_nodes(struct anatomy *a, double dx, double dy)
{
    for (size_t i = 0; i < a->n; i++) {
        a->x[i] += dx;
        a->y[i] += dy;
    }
}

/* Anteverted: the fundus on the left; retroverted: on the right; mirrored: exchanged. */
static void lay_centre_line(struct anatomy *a, const struct recipe *recipe)
{
    bool is_right = (recipe->orientation == ORIENTATION_RETROVERTED) != (recipe->mirrored != 0);
    double flip = is_right ? -1.0 : 1.0;
    struct place os, middle;
    double chord = 0.0;

    /* Laid as if the fundus were left: growing s runs right, and up when the fundus lies deeper.
     * Growing y is deeper, so a heading that grows turns downward: hollow toward the probe is a
     * heading that falls. */
    struct recipe turned = *recipe;
    turned.bend_deg = -recipe->bend_deg;
    lay_nodes(a, &turned, 0.0, 1.0);
    os = anatomy_place(a, (struct along){a->length_mm, 0.0});
    chord = atan2(os.y_mm, os.x_mm);
    lay_nodes(a, &turned, -recipe->tilt_deg * RADIANS - chord, flip);
    os = anatomy_place(a, (struct along){a->length_mm, 0.0});
    middle.x_mm = 0.5 * os.x_mm;
    middle.y_mm = 0.5 * os.y_mm;
    move_nodes(a, (recipe->mirrored ? -1.0 : 1.0) * recipe->stripe_across_mm - middle.x_mm,
               recipe->probe_radius_mm + recipe->stripe_depth_mm - middle.y_mm);
    a->side = is_right ? -1.0 : 1.0;
}

bool anatomy_make(struct anatomy **anatomy, const struct recipe *recipe, struct error **err)
{
    struct anatomy *a = calloc(1, sizeof *a);

    if (a == NULL)
        return error_memory(err);
    a->length_mm = recipe->length_mm;
    a->half_thickness_mm = 0.5 * recipe->thickness_mm;
    a->myometrium_mm = recipe->myometrium_mm;
    a->cervix_mm = recipe->cervix_mm;
    a->seed = recipe->seed;
    a->first_mm = -BEYOND_FUNDUS_MM;
    a->n = (size_t)ceil((BEYOND_FUNDUS_MM + recipe->length_mm + recipe->cervix_mm + 30.0) / STEP_MM) + 1;
    a->x = calloc(4 * a->n, sizeof *a->x);
    if (a->x == NULL) {
        free(a);
        return error_memory(err);
    }
    a->y = a->x + a->n;
    a->tx = a->y + a->n;
    a->ty = a->tx + a->n;
    lay_centre_line(a, recipe);
    *anatomy = a;
    return true;
}

void anatomy_free(struct anatomy **anatomy)
{
    if (anatomy == NULL || *anatomy == NULL)
        return;
    free((*anatomy)->x);
    free(*anatomy);
    *anatomy = NULL;
}

static size_t node_before(const struct anatomy *a, double s_mm, double *share)
{
    double at = (s_mm - a->first_mm) / STEP_MM;
    double last = (double)(a->n - 2);
    double node = fmin(fmax(floor(at), 0.0), last);

    *share = at - node; /* outside 0..1 beyond the ends: extrapolates straight */
    return (size_t)node;
}

struct place anatomy_tangent(const struct anatomy *a, double s_mm)
{
    double share = 0.0;
    size_t i = node_before(a, s_mm, &share);
    double tx, ty, norm;

    share = fmin(fmax(share, 0.0), 1.0);
    tx = a->tx[i] + share * (a->tx[i + 1] - a->tx[i]);
    ty = a->ty[i] + share * (a->ty[i + 1] - a->ty[i]);
    norm = 1.0 / hypot(tx, ty);
    return (struct place){tx * norm, ty * norm};
}

struct place anatomy_normal(const struct anatomy *a, double s_mm)
{
    struct place tangent = anatomy_tangent(a, s_mm);

    return (struct place){a->side * tangent.y_mm, -a->side * tangent.x_mm};
}

struct place anatomy_place(const struct anatomy *a, struct along along)
{
    double share = 0.0;
    size_t i = node_before(a, along.s_mm, &share);
    struct place normal = anatomy_normal(a, along.s_mm);

    return (struct place){
        a->x[i] + share * (a->x[i + 1] - a->x[i]) + along.n_mm * normal.x_mm,
        a->y[i] + share * (a->y[i + 1] - a->y[i]) + along.n_mm * normal.y_mm,
    };
}

static double square_to_node(const struct anatomy *a, struct place place, size_t i)
{
    double dx = place.x_mm - a->x[i], dy = place.y_mm - a->y[i];

    return dx * dx + dy * dy;
}

/* The first of the nearest nodes. Nodes lie STEP_MM from one another, so that the nearest of every eighth
 * tells which eights may hold it. */
static size_t nearest_node(const struct anatomy *a, struct place place)
{
    enum { TOGETHER = 8 };
    static const double ROUNDING_MM = 1e-6;
    double rough = HUGE_VAL, reach_mm, least = HUGE_VAL;
    size_t nearest = 0;

    for (size_t i = 0; i < a->n; i += TOGETHER) {
        double square = square_to_node(a, place, i);

        rough = square < rough ? square : rough;
    }
    reach_mm = sqrt(rough) + (TOGETHER - 1) * STEP_MM + ROUNDING_MM;
    for (size_t first = 0; first < a->n; first += TOGETHER)
        for (size_t i = first; i < first + TOGETHER && i < a->n; i++) {
            double square = square_to_node(a, place, i);

            if (i == first && square > reach_mm * reach_mm)
                break;
            if (square < least) {
                least = square;
                nearest = i;
            }
        }
    return nearest;
}

struct along anatomy_locate(const struct anatomy *a, struct place place)
{
    size_t nearest = nearest_node(a, place);
    double dx = place.x_mm - a->x[nearest], dy = place.y_mm - a->y[nearest];
    double s_mm = a->first_mm + STEP_MM * (double)nearest;
    struct place normal = anatomy_normal(a, s_mm);

    return (struct along){
        .s_mm = s_mm + dx * a->tx[nearest] + dy * a->ty[nearest],
        .n_mm = dx * normal.x_mm + dy * normal.y_mm,
    };
}

/* Length of the rounded end at the fundus. */
static double cap_mm(const struct anatomy *a)
{
    return fmin(0.22 * a->length_mm, 1.3 * a->half_thickness_mm);
}

static double roughness(const struct anatomy *a, double s_mm, int side)
{
    return 1.0 + 0.12 * noise_along(a->seed, 40 + side, s_mm / 7.0);
}

double anatomy_wall_mm(const struct anatomy *a, double s_mm, int side)
{
    static const double CANAL_MM = 0.8;
    double cap = cap_mm(a);
    double taper_from = 0.5 * a->length_mm;
    double half = a->half_thickness_mm;

    if (s_mm <= 0.0)
        return 0.0;
    if (s_mm < cap)
        half *= sqrt(1.0 - (cap - s_mm) * (cap - s_mm) / (cap * cap));
    else if (s_mm > taper_from)
        half += (CANAL_MM - half) * smooth((s_mm - taper_from) / (a->length_mm - taper_from));
    return half * roughness(a, s_mm, side);
}

double anatomy_inside_mm(const struct anatomy *a, struct along along)
{
    double cap = cap_mm(a);
    int side = along.n_mm > 0 ? 1 : -1;
    double half = a->half_thickness_mm * roughness(a, fmax(along.s_mm, 0.0), side);
    double x = (cap - along.s_mm) / cap;
    double y = along.n_mm / half;
    double radius = hypot(x, y);

    if (along.s_mm >= cap)
        return anatomy_wall_mm(a, along.s_mm, side) - fabs(along.n_mm);
    return radius > 0.0 ? (1.0 - radius) * radius / hypot(x / cap, y / half) : half;
}

double anatomy_surface_mm(const struct anatomy *a, double s_mm, int side)
{
    double body = a->half_thickness_mm + a->myometrium_mm;
    double isthmus = fmin(0.72 * body, 13.0);
    double end = a->length_mm + a->cervix_mm;
    double half = body + (isthmus - body) * smooth((s_mm - 0.35 * a->length_mm) / (0.75 * a->length_mm));
    double cap = 0.3 * a->length_mm;

    if (s_mm <= -a->myometrium_mm || s_mm >= end)
        return 0.0;
    if (s_mm < cap)
        half *= sqrt(1.0 - pow((cap - s_mm) / (cap + a->myometrium_mm), 2.0));
    if (s_mm > end - 6.0)
        half *= sqrt(1.0 - pow((s_mm - end + 6.0) / 6.0, 2.0));
    half += 1.5 * smooth((s_mm - a->length_mm) / 10.0);
    return half * (1.0 + 0.07 * noise_along(a->seed, 50 + side, s_mm / 12.0));
}

double anatomy_length_mm(const struct anatomy *a)
{
    return a->length_mm;
}

double anatomy_s_at_distance_mm(const struct anatomy *a, double straight_mm)
{
    struct place fundus = anatomy_place(a, (struct along){0.0, 0.0});
    double low = 0.0, high = a->length_mm + 10.0;

    for (int i = 0; i < 60; i++) {
        double s = 0.5 * (low + high);
        struct place at = anatomy_place(a, (struct along){s, 0.0});

        if (hypot(at.x_mm - fundus.x_mm, at.y_mm - fundus.y_mm) < straight_mm)
            low = s;
        else
            high = s;
    }
    return 0.5 * (low + high);
}
