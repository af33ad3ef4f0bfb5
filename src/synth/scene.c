#include "synth/scene.h"

#include "synth/dice.h"
#include "synth/noise.h"
#include "synth/tissue.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SHADOW_BEAMS = 180, SHADOW_STEPS = 160 };
_Static_assert((int)ELEMENTS_TOGETHER == (int)ECHOES_TOGETHER, "a block of scatterers echoes at once");
static const double MARGIN_MM = 9.0; /* tissue beyond the field that motion may bring in */
static const double PI = 3.141592653589793;

/* Loss from the probe on, in dB, on a fan of beams over the resting tissue. */
struct shadows {
    double half_rad, depth_mm, radius_mm;
    double loss_db[SHADOW_BEAMS][SHADOW_STEPS];
};

static void cast_shadows(struct shadows *shadows, const struct scene *scene)
{
    const struct recipe *r = &scene->recipe;
    double step = (r->depth_mm + MARGIN_MM) / (SHADOW_STEPS - 1);

    shadows->half_rad = 0.5 * r->sector_deg * PI / 180.0 + 0.25;
    shadows->depth_mm = r->depth_mm + MARGIN_MM;
    shadows->radius_mm = r->probe_radius_mm;
    for (int b = 0; b < SHADOW_BEAMS; b++) {
        double angle = shadows->half_rad * (2.0 * b / (SHADOW_BEAMS - 1) - 1.0), sum = 0.0;

        for (int k = 0; k < SHADOW_STEPS; k++) {
            double range = shadows->radius_mm + k * step;
            struct place place = {range * sin(angle), range * cos(angle)};

            shadows->loss_db[b][k] = sum;
            sum =
                fmin(fmax(sum + step * tissue_loss_db_per_mm(r, scene->anatomy, place), -4.0), r->shadow_db);
        }
    }
}

static double shadow_db(const struct shadows *shadows, struct place place)
{
    double beam = (atan2(place.x_mm, place.y_mm) / shadows->half_rad + 1.0) * 0.5 * (SHADOW_BEAMS - 1);
    double step =
        (hypot(place.x_mm, place.y_mm) - shadows->radius_mm) / shadows->depth_mm * (SHADOW_STEPS - 1);
    double b = fmin(fmax(beam, 0.0), SHADOW_BEAMS - 1.001), k = fmin(fmax(step, 0.0), SHADOW_STEPS - 1.001);
    int ib = (int)b, ik = (int)k;
    double nearer = shadows->loss_db[ib][ik] * (1 - b + ib) + shadows->loss_db[ib + 1][ik] * (b - ib);
    double farther =
        shadows->loss_db[ib][ik + 1] * (1 - b + ib) + shadows->loss_db[ib + 1][ik + 1] * (b - ib);

    return nearer * (1 - k + ik) + farther * (k - ik);
}

struct scatterer {
    struct element element;
    float amplitude, turns_per_s, turns_per_elevation;
};

/* Rates of phase: Cauchy distributed, so that speckle keeps exp(-t/T) of itself after t. */
static float phase_rate(const struct recipe *r, struct dice *dice)
{
    double rate = r->decorrelation_s > 0 ? tan(PI * (dice_even(dice) - 0.5)) / r->decorrelation_s : 0.0;
    double most = r->decorrelation_s > 0 ? 15.0 / r->decorrelation_s : 0.0;

    return (float)(fmin(fmax(rate, -most), most) / (2.0 * PI));
}

static struct scatterer draw_scatterer(const struct scene *scene, const struct shadows *shadows,
                                       struct place place, struct dice *dice)
{
    struct scatterer made = {.element = movement_bind(scene->movement, place)};
    double db = tissue_echo_db(&scene->recipe, scene->anatomy, place) - shadow_db(shadows, place);

    made.amplitude = (float)pow(10.0, db / 20.0) * (dice_even(dice) < 0.5 ? -1.0f : 1.0f);
    made.turns_per_s = phase_rate(&scene->recipe, dice);
    made.turns_per_elevation = (float)(dice_normal(dice) / (2.0 * PI));
    return made;
}

static bool is_near_field(const struct recipe *r, struct place place)
{
    double range = hypot(place.x_mm, place.y_mm);
    double angle = fabs(atan2(place.x_mm, place.y_mm));

    return range > r->probe_radius_mm - MARGIN_MM && range < r->probe_radius_mm + r->depth_mm + MARGIN_MM &&
           range * (angle - 0.5 * r->sector_deg * PI / 180.0) < MARGIN_MM;
}

/* Orders scatterers as the canvas lies in memory: it halves the time that drawing takes. */
static int by_line(const void *left, const void *right)
{
    const struct scatterer *a = left, *b = right;
    double beam_a = floor(80.0 * (double)(a->element.x_mm / (fabsf(a->element.y_mm) + 1.0f)));
    double beam_b = floor(80.0 * (double)(b->element.x_mm / (fabsf(b->element.y_mm) + 1.0f)));

    if (beam_a != beam_b)
        return beam_a < beam_b ? -1 : 1;
    if (a->element.y_mm != b->element.y_mm)
        return a->element.y_mm < b->element.y_mm ? -1 : 1;
    return (a->element.x_mm > b->element.x_mm) - (a->element.x_mm < b->element.x_mm);
}

static struct scatterer *draw_scatterers(const struct scene *scene, double half_width_mm, size_t *n_drawn)
{
    const struct recipe *r = &scene->recipe;
    double width = 2.0 * (half_width_mm + MARGIN_MM);
    double top = fmin(r->probe_radius_mm * cos(0.5 * r->sector_deg * PI / 180.0), 0.0) - MARGIN_MM;
    double height = r->probe_radius_mm + r->depth_mm + MARGIN_MM - top;
    size_t n = (size_t)(width * height * r->scatterers_per_mm2);
    struct dice dice = dice_make(r->seed, 500);
    struct shadows *shadows = malloc(sizeof *shadows);
    struct scatterer *drawn = calloc(n, sizeof *drawn);

    *n_drawn = 0;
    if (drawn == NULL || shadows == NULL) {
        free(shadows);
        free(drawn);
        return NULL;
    }
    cast_shadows(shadows, scene);
    for (size_t i = 0; i < n; i++) {
        struct place place = {width * (dice_even(&dice) - 0.5), 0.0};

        place.y_mm = top + height * dice_even(&dice);
        if (is_near_field(r, place))
            drawn[(*n_drawn)++] = draw_scatterer(scene, shadows, place, &dice);
    }
    free(shadows);
    qsort(drawn, *n_drawn, sizeof *drawn, by_line);
    return drawn;
}

static bool scatter(struct scene *scene, double half_width_mm, struct error **err)
{
    size_t n = 0;
    struct scatterer *drawn = draw_scatterers(scene, half_width_mm, &n);

    scene->n_blocks = (n + ELEMENTS_TOGETHER - 1) / ELEMENTS_TOGETHER;
    scene->scatterers = calloc(scene->n_blocks + 1, sizeof *scene->scatterers);
    if (drawn == NULL || scene->scatterers == NULL) {
        free(drawn);
        return error_memory(err);
    }
    for (size_t i = 0; i < n; i++) {
        struct scatterer_block *block = &scene->scatterers[i / ELEMENTS_TOGETHER];

        movement_store(&block->elements, block->n, &drawn[i].element);
        block->amplitude[block->n] = drawn[i].amplitude;
        block->turns_per_s[block->n] = drawn[i].turns_per_s;
        block->turns_per_elevation[block->n] = drawn[i].turns_per_elevation;
        block->n++;
    }
    free(drawn);
    return true;
}

bool scene_make(struct scene **scene, const struct recipe *recipe, double half_width_mm, struct error **err)
{
    struct scene *made = calloc(1, sizeof *made);

    if (made == NULL)
        return error_memory(err);
    made->recipe = *recipe;
    if (!recipe->uterus)
        made->recipe.rate_per_min = 0.0;
    if ((recipe->uterus && !anatomy_make(&made->anatomy, recipe, err)) ||
        !waves_make(&made->waves, &made->recipe, err) ||
        !movement_make(&made->movement, &made->recipe, made->anatomy, made->waves, err) ||
        !bubbles_make(&made->bubbles, &made->recipe, made->anatomy, err) ||
        !scatter(made, half_width_mm, err)) {
        scene_free(&made);
        return false;
    }
    *scene = made;
    return true;
}

void scene_free(struct scene **scene)
{
    if (scene == NULL || *scene == NULL)
        return;
    free((*scene)->scatterers);
    bubbles_free(&(*scene)->bubbles);
    movement_free(&(*scene)->movement);
    waves_free(&(*scene)->waves);
    anatomy_free(&(*scene)->anatomy);
    free(*scene);
    *scene = NULL;
}

struct place scene_place(const struct scene *scene, const struct instant *instant, struct along along)
{
    struct element element = movement_bind_along(scene->movement, along);

    return movement_place(instant, &element);
}

/* The next block comes from memory while this one is drawn; a larger one would have to be waited for. */
static void fetch(const struct scatterer_block *block)
{
    for (size_t at = 0; at < sizeof *block; at += 64)
        __builtin_prefetch((const char *)block + at);
}

static void draw_tissue(const struct scene *scene, const struct imager *imager, struct canvas *canvas,
                        const struct instant *instant)
{
    float time = (float)instant->time_s;

    for (size_t b = 0; b < scene->n_blocks; b++) {
        const struct scatterer_block *block = &scene->scatterers[b];
        struct echoes echoes;

        fetch(block + 1);
        echoes.n = block->n;
        movement_carry(instant, &block->elements, echoes.x_mm, echoes.y_mm);
        memcpy(echoes.amplitude, block->amplitude, sizeof echoes.amplitude);
#pragma omp simd
        for (size_t i = 0; i < ELEMENTS_TOGETHER; i++)
            echoes.turns[i] =
                block->turns_per_s[i] * time + block->turns_per_elevation[i] * instant->elevation;
        imager_add(imager, canvas, &echoes);
    }
}

/* Two walls of a thin tube; brightest where the sound meets it at a right angle; a stronger tip. */
static void draw_catheter(const struct scene *scene, const struct imager *imager, struct canvas *canvas,
                          const struct instant *instant)
{
    const struct recipe *r = &scene->recipe;
    struct catheter catheter = catheter_at(r, scene->anatomy, instant->time_s);
    double end = r->length_mm + r->cervix_mm + 4.0;

    if (!catheter.is_there)
        return;
    for (long i = 0; catheter.tip_s_mm + 0.25 * (double)i < end; i++) {
        double s = catheter.tip_s_mm + 0.25 * (double)i;
        struct place normal = anatomy_normal(scene->anatomy, s);

        for (int side = -1; side <= 1; side += 2) {
            struct along along = {s, 0.25 * sin(s / 5.0) + 0.45 * side};
            struct place place = scene_place(scene, instant, along);
            double range = hypot(place.x_mm, place.y_mm) + 1e-9;
            double cosine = fabs(normal.x_mm * place.x_mm + normal.y_mm * place.y_mm) / range;
            double patchy = i < 6 ? 0.0 : 9.0 * fmax(noise_along(r->seed, 430, s / 6.0) + 0.1, 0.0);
            double slant = i < 3 ? 0.0 : 14.0 * (1.0 - cosine);
            double db = r->catheter_db - slant - patchy - 5.0 * dice_hash(r->seed, 410 + side, i);

            imager_add_bright(imager, canvas, place, db, 0.7, dice_hash(r->seed, 420 + side, i) * 0.3);
        }
    }
}

static void draw_bubbles(const struct scene *scene, const struct imager *imager, struct canvas *canvas,
                         const struct instant *instant)
{
    const struct recipe *r = &scene->recipe;
    double wide = 0.8 + 0.35 * r->blooming;

    for (size_t i = 0; i < bubbles_count(scene->bubbles); i++) {
        struct bubble bubble = bubbles_at(scene->bubbles, i, instant->time_s);
        struct place place;

        if (bubble.strength < 0.01)
            continue;
        place = scene_place(scene, instant, bubble.along);
        bubble.peak_db += 20.0 * log10(bubble.strength);
        for (int echo = 0; echo <= (int)(3.0 * r->blooming); echo++) {
            double range = hypot(place.x_mm, place.y_mm), farther = range + 0.45 * echo;
            struct place trail = {place.x_mm * farther / range, place.y_mm * farther / range};

            imager_add_bright(imager, canvas, trail, bubble.peak_db - 5.5 * echo, wide,
                              bubble.turns + 0.37 * echo);
        }
    }
}

/* Lines and samples that the bubbles can reach. */
static struct window bubbles_window(const struct scene *scene, const struct imager *imager,
                                    const struct instant *instant)
{
    struct window w = {1 << 20, -1, 1 << 20, -1};
    int n_beams, n_samples;

    imager_size(imager, &n_beams, &n_samples);
    for (size_t i = 0; i < bubbles_count(scene->bubbles); i++) {
        struct bubble bubble = bubbles_at(scene->bubbles, i, instant->time_s);
        double beam, sample;

        if (bubble.strength < 0.01)
            continue;
        imager_find(imager, scene_place(scene, instant, bubble.along), &beam, &sample);
        w.first_beam = (int)fmin(w.first_beam, beam - 14.0);
        w.end_beam = (int)fmax(w.end_beam, beam + 14.0);
        w.first_sample = (int)fmin(w.first_sample, sample - 16.0);
        w.end_sample = (int)fmax(w.end_sample, sample + 30.0);
    }
    w.first_beam = w.first_beam < 0 ? 0 : w.first_beam;
    w.first_sample = w.first_sample < 0 ? 0 : w.first_sample;
    w.end_beam = w.end_beam > n_beams ? n_beams : w.end_beam;
    w.end_sample = w.end_sample > n_samples ? n_samples : w.end_sample;
    return w;
}

/* Luma that the bubbles add (canvas->luma over canvas->spare), weighted by the area of each sample. */
static void weigh_cluster(const struct imager *imager, const struct canvas *canvas, struct window w,
                          struct cluster *cluster)
{
    static const double SEEN_LUMA = 12.0; /* less does not stand out from speckle */
    double sum = 0.0, x = 0.0, y = 0.0, squares = 0.0, tissue = 0.0;

    for (int b = w.first_beam; b < w.end_beam; b++)
        for (int k = w.first_sample; k < w.end_sample; k++) {
            size_t at = (size_t)b * (size_t)canvas->stride + (size_t)(IMAGER_PAD + k);
            struct place place = imager_place(imager, b, k);
            double luma = (double)canvas->luma[at], before = (double)canvas->spare[at];
            double weight = luma - before > SEEN_LUMA ? (luma - before) * hypot(place.x_mm, place.y_mm) : 0.0;

            sum += weight;
            x += weight * place.x_mm;
            y += weight * place.y_mm;
            squares += weight * (place.x_mm * place.x_mm + place.y_mm * place.y_mm);
            tissue += weight * before;
            cluster->peak_luma = weight > 0.0 ? fmax(cluster->peak_luma, luma) : cluster->peak_luma;
        }
    if (sum <= 0.0)
        return;
    cluster->is_seen = true;
    cluster->middle = (struct place){x / sum, y / sum};
    cluster->spread_mm = sqrt(fmax(squares / sum - cluster->middle.x_mm * cluster->middle.x_mm -
                                       cluster->middle.y_mm * cluster->middle.y_mm,
                                   0.0));
    cluster->tissue_luma = tissue / sum;
}

void scene_draw(const struct scene *scene, const struct imager *imager, struct canvas *canvas, long frame,
                double time_s, double gain_db, struct cluster *cluster)
{
    struct instant instant;
    struct window w;

    *cluster = (struct cluster){0};
    movement_at(scene->movement, time_s, &instant);
    canvas_clear(canvas);
    draw_tissue(scene, imager, canvas, &instant);
    draw_catheter(scene, imager, canvas, &instant);
    imager_compress(imager, canvas, canvas_whole(canvas), frame, gain_db);
    w = bubbles_window(scene, imager, &instant);
    if (w.end_beam <= w.first_beam || w.end_sample <= w.first_sample)
        return;
    memcpy(canvas->spare, canvas->luma, sizeof(float) * (size_t)canvas->stride * (size_t)canvas->n_beams);
    draw_bubbles(scene, imager, canvas, &instant);
    imager_compress(imager, canvas, w, frame, gain_db);
    weigh_cluster(imager, canvas, w, cluster);
}
