#include "synth/tissue.h"

#include "synth/dice.h"
#include "synth/noise.h"

#include <math.h>

/* Levels in dB over plain soft tissue: common appearance on transvaginal pictures, no source for the
 * numbers; they are chosen so that the stripe is only a few dB brighter than the muscle around it. */
static const double MUSCLE_DB = -8.0;
static const double INNER_MUSCLE_DB = -10.0; /* the dark halo (junctional zone) */
static const double CERVIX_DB = -6.0;
static const double MUCUS_DB = -12.0;
static const double FLUID_DB = -34.0;
static const double FAT_DB = -3.5;
static const double GAS_DB = 4.0;

static double smooth(double x)
{
    x = fmin(fmax(x, 0.0), 1.0);
    return x * x * (3.0 - 2.0 * x);
}

/* 1 inside (distance < edge), 0 outside, with a soft border. */
static double within(double distance, double edge, double softness)
{
    return 1.0 - smooth(0.5 + (distance - edge) / softness);
}

static double mixed(double low, double high, double share)
{
    return low + (high - low) * share;
}

/* A surface echoes most when the sound meets it at a right angle. */
static double glint(const struct anatomy *anatomy, struct place place, double s_mm)
{
    struct place normal = anatomy_normal(anatomy, s_mm);
    double range = hypot(place.x_mm, place.y_mm) + 1e-9;
    double cosine = fabs(normal.x_mm * place.x_mm + normal.y_mm * place.y_mm) / range;

    return 6.0 * (pow(cosine, 3.0) - 0.55);
}

/* How much of a bladder stands at a place: a half-filled one over the body, on the fundus' side; in
 * two of five loops it is empty. */
static double bladder(const struct recipe *recipe, struct place place)
{
    double side = (recipe->orientation == ORIENTATION_RETROVERTED) != (recipe->mirrored != 0) ? 1.0 : -1.0;
    double wide = 13.0 + 7.0 * dice_hash(recipe->seed, 900, 4),
           high = 4.0 + 2.5 * dice_hash(recipe->seed, 900, 5);
    double x = (place.x_mm - side * (24.0 + 10.0 * dice_hash(recipe->seed, 900, 3))) / wide;
    double y = (place.y_mm - recipe->probe_radius_mm - 10.0 - 2.0 * side * x) / high;
    double wall = 1.0 + 0.22 * noise_plane(recipe->seed, 9, place.x_mm / 7.0, place.y_mm / 5.0);

    return dice_hash(recipe->seed, 900, 6) < 0.4 ? 0.0 : within(sqrt(x * x + y * y), wall, 0.12);
}

static double gas(const struct recipe *recipe, struct place place)
{
    double patch = noise_plane(recipe->seed, 7, place.x_mm / 16.0, place.y_mm / 9.0) +
                   0.4 * noise_plane(recipe->seed, 8, place.x_mm / 5.0, place.y_mm / 4.0);
    double depth = place.y_mm - recipe->probe_radius_mm;

    return smooth((patch - 0.42) / 0.2) * smooth((depth - 18.0) / 10.0);
}

static double outside_db(const struct recipe *recipe, struct place place)
{
    double depth = hypot(place.x_mm, place.y_mm) - recipe->probe_radius_mm;
    double db = FAT_DB + 6.0 * noise_plane(recipe->seed, 1, place.x_mm / 11.0, place.y_mm / 4.5) +
                4.0 * noise_plane(recipe->seed, 2, place.x_mm / 3.5, place.y_mm / 1.6);

    db = mixed(db, GAS_DB, gas(recipe, place));
    db = mixed(db, FLUID_DB, bladder(recipe, place));
    return db + 7.0 * exp(-depth / 2.5) + 2.5 * exp(-pow((depth - 5.5) / 1.0, 2.0));
}

static double stripe_db(const struct recipe *recipe, const struct anatomy *anatomy, struct place place,
                        struct along at, double inside_mm)
{
    double wall = inside_mm + fabs(at.n_mm); /* merging is for the thin end toward the os */
    double bright = MUSCLE_DB + recipe->stripe_contrast_db;
    double line = within(fabs(at.n_mm), 0.35, 0.4) * smooth(at.s_mm / 2.0);

    if (recipe->stripe == STRIPE_BRIGHT)
        return bright + 1.5 * line + 0.7 * glint(anatomy, place, at.s_mm) * line;
    /* Triple line: dark functional layers between a central line and a bright outer line, which runs round
     * the fundus as thick as along the walls; they merge where the stripe gets thin. */
    return mixed(mixed(MUSCLE_DB - 1.5, bright + 1.0 + glint(anatomy, place, at.s_mm), line), bright + 1.5,
                 within(inside_mm, 1.1, 0.7) *
                     fmax(smooth((wall - 0.6) / 1.2 + 0.5), 1.0 - smooth(at.s_mm / 4.0)));
}

static double canal_db(double tissue_db, struct along at, double length_mm, double contrast_db)
{
    double along_canal = smooth((at.s_mm - length_mm + 2.0) / 4.0);
    double mucus = within(fabs(at.n_mm), 1.5, 1.0) * along_canal;
    double line = within(fabs(at.n_mm), 0.35, 0.4) * along_canal;

    return mixed(mixed(tissue_db, MUCUS_DB, 0.8 * mucus), MUSCLE_DB + 0.8 * contrast_db, 0.8 * line);
}

static double uterus_db(const struct recipe *recipe, const struct anatomy *anatomy, struct place place,
                        struct along at)
{
    int side = at.n_mm > 0 ? 1 : -1;
    double length = anatomy_length_mm(anatomy);
    double wall = anatomy_wall_mm(anatomy, at.s_mm, side);
    double inside_mm = anatomy_inside_mm(anatomy, at);
    double beyond = fabs(at.n_mm) - wall; /* into the muscle */
    double fundal = at.s_mm < 0 ? hypot(at.s_mm, at.n_mm) : beyond;
    double vessel = noise_plane(recipe->seed, 20, at.s_mm / 3.0, at.n_mm / 1.8);
    double db = mixed(INNER_MUSCLE_DB, MUSCLE_DB, smooth((fundal - 2.0) / 4.0));
    double in_cervix = smooth((at.s_mm - length + 4.0) / 8.0);

    db = mixed(db, CERVIX_DB, in_cervix);
    db -= 9.0 * smooth((vessel - 0.62) / 0.2) * smooth((fundal - 5.0) / 3.0) * (1.0 - in_cervix);
    db += 3.0 * noise_plane(recipe->seed, 21, at.s_mm / 9.0, at.n_mm / 2.5);
    db = canal_db(db, at, length, recipe->stripe_contrast_db);
    if (at.s_mm < length + 2.0)
        db = mixed(db, stripe_db(recipe, anatomy, place, at, inside_mm),
                   within(0.0, inside_mm, 0.7) * (1.0 - smooth((at.s_mm - length) / 2.0)));
    return db;
}

double tissue_belongs(const struct anatomy *anatomy, struct along along)
{
    double surface = anatomy_surface_mm(anatomy, along.s_mm, along.n_mm > 0 ? 1 : -1);
    double end = fmax(along.s_mm - anatomy_length_mm(anatomy) - 30.0, 0.0);

    return surface <= 0.0 ? 0.0 : 1.0 - smooth((fabs(along.n_mm) - surface + end) / 6.0);
}

double tissue_echo_db(const struct recipe *recipe, const struct anatomy *anatomy, struct place place)
{
    double db = outside_db(recipe, place);

    if (anatomy != NULL) {
        struct along at = anatomy_locate(anatomy, place);
        double surface = anatomy_surface_mm(anatomy, at.s_mm, at.n_mm > 0 ? 1 : -1);
        double serosa = within(fabs(fabs(at.n_mm) - surface), 0.4, 0.5) * (surface > 0.0 ? 1.0 : 0.0);

        db = mixed(db, uterus_db(recipe, anatomy, place, at),
                   within(fabs(at.n_mm), surface, 0.6) * (surface > 0.0 ? 1.0 : 0.0));
        db += (3.0 + 0.8 * glint(anatomy, place, at.s_mm)) * serosa;
    }
    db += recipe->texture_db * 1.6 *
          (noise_plane(recipe->seed, 11, place.x_mm / 6.0, place.y_mm / 5.0) +
           noise_plane(recipe->seed, 12, place.x_mm / 1.7, place.y_mm / 1.4));
    return db;
}

double tissue_loss_db_per_mm(const struct recipe *recipe, const struct anatomy *anatomy, struct place place)
{
    double loss = recipe->shadow_db / 8.0 * gas(recipe, place) - 0.25 * bladder(recipe, place);

    if (anatomy != NULL) {
        struct along at = anatomy_locate(anatomy, place);
        double surface = anatomy_surface_mm(anatomy, at.s_mm, at.n_mm > 0 ? 1 : -1);
        double edge = within(fabs(fabs(at.n_mm) - surface), 0.6, 0.5) * (surface > 0.0 ? 1.0 : 0.0);

        loss = mixed(loss, 0.0, within(fabs(at.n_mm), surface, 0.6));
        /* sound that grazes a curved surface is lost: shadows at the edges */
        if (glint(anatomy, place, at.s_mm) < -2.6)
            loss += recipe->shadow_db / 12.0 * edge;
    }
    return loss;
}
