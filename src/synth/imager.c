#include "synth/imager.h"

#include "base/wide.h"
#include "synth/dice.h"
#include "synth/noise.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { TAPS = 8, SHIFTS = 64, WAVE_ENTRIES = 4096, BELL_ENTRIES = 1024, NOISE_ENTRIES = 1 << 20 };

static const double TWO_PI = 6.283185307179586;
static const double RADIANS = 0.017453292519943295;
static const double SPEED_MM_PER_US = 1.54; /* of sound in soft tissue: IEC 61391-1 */
static const double CYCLES_IN_PULSE =
    3.0; /* full width at half height of the envelope: common practice, no source */
static const double BELL_END = 3.5; /* exp(-3.5) = 3 %: the point spread is cut off there */

struct imager {
    struct recipe recipe;
    int n_beams, n_samples;
    double first_rad, beam_rad, sample_mm, axial_mm, depth_mm;
    float *spread_beams;                         /* lateral deviation by sample, in beams */
    float *normal;                               /* factor by sample that keeps tissue at 0 dB */
    float *gain;                                 /* amplitude factor by sample: what TGC leaves */
    float *noise_level;                          /* by sample */
    float *shade;                                /* by beam */
    float *noise;                                /* normal deviates */
    float wave[WAVE_ENTRIES + WAVE_ENTRIES / 4]; /* sine by turn */
    float bell[BELL_ENTRIES + 2];                /* exp(-u) */
    float pulse[SHIFTS + 1][TAPS];
};

double imager_axial_mm(const struct imager *im)
{
    return im->axial_mm;
}

/* Dynamic aperture (f-number 2.6) near, a fixed one beyond its focus. */
double imager_lateral_mm(const struct imager *im, double depth_mm)
{
    double wavelength = SPEED_MM_PER_US / im->recipe.frequency_mhz;
    double at_focus = 0.51 * wavelength * 2.8;
    double away = fabs(depth_mm - 0.5 * im->depth_mm) / im->depth_mm;

    return at_focus * sqrt(1.0 + 9.0 * away * away) * (0.8 + 0.5 * depth_mm / im->depth_mm);
}

static void fill_tables(struct imager *im)
{
    for (int i = 0; i < WAVE_ENTRIES + WAVE_ENTRIES / 4; i++)
        im->wave[i] = (float)sin(TWO_PI * i / WAVE_ENTRIES);
    for (int i = 0; i < BELL_ENTRIES + 2; i++)
        im->bell[i] = (float)exp(-BELL_END * i / BELL_ENTRIES);
    for (int shift = 0; shift <= SHIFTS; shift++)
        for (int k = 0; k < TAPS; k++) {
            double away = (k - 3 - (double)shift / SHIFTS) * im->sample_mm / im->axial_mm;

            im->pulse[shift][k] = (float)exp(-0.5 * away * away);
        }
}

static void fill_samples(struct imager *im)
{
    const struct recipe *r = &im->recipe;
    double per_mm2 = r->scatterers_per_mm2;

    for (int k = 0; k < im->n_samples; k++) {
        double depth = k * im->sample_mm, range = r->probe_radius_mm + depth;
        double lateral = imager_lateral_mm(im, depth), share = depth / r->depth_mm;
        double bump = 1.2 * noise_along(r->seed, 60, depth / 14.0); /* TGC sliders */
        double gain_db = bump - r->attenuation_db * (share - 0.35) - 3.0 * exp(-depth / 3.0);
        double noise_db = r->noise_db + 22.0 * (share - 0.5);

        im->spread_beams[k] = (float)(lateral / range / im->beam_rad);
        /* mean power of density * amplitude^2 * integral of the squared point spread */
        im->normal[k] = (float)(1.0 / sqrt(per_mm2 * TWO_PI * 0.5 * im->axial_mm * lateral));
        im->gain[k] = (float)pow(10.0, gain_db / 20.0);
        im->noise_level[k] = (float)(pow(10.0, noise_db / 20.0) * sqrt(0.5));
    }
}

static void fill_beams(struct imager *im)
{
    const struct recipe *r = &im->recipe;

    for (int b = 0; b < im->n_beams; b++) {
        double share = fabs(2.0 * b / (im->n_beams - 1) - 1.0);
        double patch = noise_along(r->seed, 61, b / 22.0);
        double loss_db = 7.0 * fmax(share - 0.75, 0.0) / 0.25 +                /* poor contact at the sides */
                         0.35 * r->shadow_db * fmax(patch - 0.45, 0.0) / 0.5 + /* and here and there */
                         0.8 * noise_along(r->seed, 62, b / 5.0);

        im->shade[b] = (float)pow(10.0, -loss_db / 20.0);
    }
}

static bool allocate(struct imager *im)
{
    size_t samples = (size_t)im->n_samples;
    struct dice dice = dice_make(im->recipe.seed, 300);

    im->spread_beams = calloc(4 * samples, sizeof(float));
    im->shade = calloc((size_t)im->n_beams, sizeof(float));
    im->noise = calloc(NOISE_ENTRIES, sizeof(float));
    if (im->spread_beams == NULL || im->shade == NULL || im->noise == NULL)
        return false;
    im->normal = im->spread_beams + samples;
    im->gain = im->normal + samples;
    im->noise_level = im->gain + samples;
    for (int i = 0; i < NOISE_ENTRIES; i++)
        im->noise[i] = (float)dice_normal(&dice);
    return true;
}

bool imager_make(struct imager **imager, const struct recipe *recipe, double depth_mm, struct error **err)
{
    struct imager *im = calloc(1, sizeof *im);

    if (im == NULL)
        return error_memory(err);
    im->recipe = *recipe;
    im->depth_mm = depth_mm;
    im->axial_mm = 0.5 * CYCLES_IN_PULSE * SPEED_MM_PER_US / recipe->frequency_mhz / 2.3548;
    im->sample_mm = 0.8 * im->axial_mm;
    im->n_samples = (int)ceil(depth_mm / im->sample_mm) + 1;
    im->beam_rad = 0.45 * RADIANS * fmin(1.0, 40.0 / (recipe->probe_radius_mm + 25.0));
    im->n_beams = (int)ceil(recipe->sector_deg * RADIANS / im->beam_rad) + 1;
    im->first_rad = -0.5 * im->beam_rad * (im->n_beams - 1);
    if (!allocate(im)) {
        imager_free(&im);
        return error_memory(err);
    }
    fill_tables(im);
    fill_samples(im);
    fill_beams(im);
    *imager = im;
    return true;
}

void imager_free(struct imager **imager)
{
    if (imager == NULL || *imager == NULL)
        return;
    free((*imager)->spread_beams);
    free((*imager)->shade);
    free((*imager)->noise);
    free(*imager);
    *imager = NULL;
}

struct canvas *canvas_make(const struct imager *im)
{
    struct canvas *made = calloc(1, sizeof *made);
    size_t n;

    if (made == NULL)
        return NULL;
    made->n_beams = im->n_beams;
    made->n_samples = im->n_samples;
    made->stride = (im->n_samples + 2 * IMAGER_PAD + 7) / 8 * 8;
    n = (size_t)made->stride * (size_t)made->n_beams;
    made->in = calloc(4 * n, sizeof(float));
    if (made->in == NULL) {
        free(made);
        return NULL;
    }
    made->quad = made->in + n;
    made->luma = made->quad + n;
    made->spare = made->luma + n;
    return made;
}

void canvas_free(struct canvas **canvas)
{
    if (canvas == NULL || *canvas == NULL)
        return;
    free((*canvas)->in);
    free(*canvas);
    *canvas = NULL;
}

void canvas_clear(struct canvas *canvas)
{
    memset(canvas->in, 0, 2 * sizeof(float) * (size_t)canvas->stride * (size_t)canvas->n_beams);
}

void imager_size(const struct imager *im, int *n_beams, int *n_samples)
{
    *n_beams = im->n_beams;
    *n_samples = im->n_samples;
}

struct place imager_place(const struct imager *im, double beam, double sample)
{
    double angle = im->first_rad + beam * im->beam_rad;
    double range = im->recipe.probe_radius_mm + sample * im->sample_mm;

    return (struct place){range * sin(angle), range * cos(angle)};
}

void imager_find(const struct imager *im, struct place place, double *beam, double *sample)
{
    *beam = (atan2(place.x_mm, place.y_mm) - im->first_rad) / im->beam_rad;
    *sample = (hypot(place.x_mm, place.y_mm) - im->recipe.probe_radius_mm) / im->sample_mm;
}

/* A function of its own so that the compiler sees that nothing overlaps, and uses vectors. */
static inline void add_taps(float *restrict to, const float *restrict pulse, float weight)
{
    for (int k = 0; k < TAPS; k++)
        to[k] += weight * pulse[k];
}

/* floorf and ceilf of what an int holds: the loops below are not vectorised with them. */
static inline int floored(float value)
{
    int whole = (int)value;

    return whole - ((float)whole > value ? 1 : 0);
}

static inline int ceiled(float value)
{
    int whole = (int)value;

    return whole + ((float)whole < value ? 1 : 0);
}

/* How echoes lie among the lines. */
struct landing {
    float angle[ECHOES_TOGETHER], sample[ECHOES_TOGETHER], turns[ECHOES_TOGETHER];
    float beam[ECHOES_TOGETHER];
    float scale[ECHOES_TOGETHER]; /* from squared beams to entries of the bell */
    float real[ECHOES_TOGETHER], imaginary[ECHOES_TOGETHER];
    int base[ECHOES_TOGETHER], shift[ECHOES_TOGETHER]; /* the sample before, and how far beyond it */
    int first[ECHOES_TOGETHER], last[ECHOES_TOGETHER]; /* beams; last < first: none */
};

WIDE static void find_samples(const struct imager *im, const struct echoes *e, struct landing *restrict to)
{
    static const float WHOLE = 8388608.0f; /* floats from here on have no fraction */
    float radius_mm = (float)im->recipe.probe_radius_mm, sample_mm = (float)im->sample_mm;
    float turns_a_mm = (float)(2.0 * im->recipe.frequency_mhz / SPEED_MM_PER_US);

#pragma omp simd
    for (size_t i = 0; i < e->n; i++) {
        float range = sqrtf(e->x_mm[i] * e->x_mm[i] + e->y_mm[i] * e->y_mm[i]);
        float turns = range * turns_a_mm + e->turns[i];

        turns = turns < WHOLE ? turns : WHOLE;
        to->turns[i] = turns > -WHOLE ? turns : -WHOLE;
        to->sample[i] = (range - radius_mm) / sample_mm;
        to->base[i] = floored(to->sample[i]);
    }
}

static inline bool is_deep(const struct imager *im, int base)
{
    return (base >= -3) & (base < im->n_samples + 3);
}

static inline int nearest_sample(const struct imager *im, int base)
{
    int last = im->n_samples - 1, least = base > 0 ? base : 0;

    return least < last ? least : last;
}

static void find_angles(const struct imager *im, const struct echoes *e, struct landing *to)
{
    for (size_t i = 0; i < e->n; i++)
        to->angle[i] = is_deep(im, to->base[i]) ? atan2f(e->x_mm[i], e->y_mm[i]) : 0.0f;
}

WIDE static void find_beams(const struct imager *im, size_t n, struct landing *restrict to)
{
    float first_rad = (float)im->first_rad, beam_rad = (float)im->beam_rad;
    int last_beam = im->n_beams - 1;

#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        float beam = (to->angle[i] - first_rad) / beam_rad;
        float spread = im->spread_beams[nearest_sample(im, to->base[i])];
        float reach = spread * 2.6458f; /* sqrt(2 * BELL_END) */
        int first = ceiled(beam - reach), last = floored(beam + reach);
        bool is_seen = is_deep(im, to->base[i]) & (beam >= -reach) & (beam <= (float)last_beam + reach);

        to->beam[i] = beam;
        to->first[i] = first > 0 ? first : 0;
        last = last < last_beam ? last : last_beam;
        to->last[i] = last | (is_seen ? 0 : -1); /* -1, without a branch */
        to->scale[i] = (float)(BELL_ENTRIES / BELL_END) * 0.5f / (spread * spread);
    }
}

WIDE static void weigh(const struct imager *im, const struct echoes *e, struct landing *restrict to)
{
#pragma omp simd
    for (size_t i = 0; i < e->n; i++) {
        float turns = to->turns[i];
        float amplitude = e->amplitude[i] * im->normal[nearest_sample(im, to->base[i])];
        int turn = (int)((turns - (float)floored(turns)) * WAVE_ENTRIES) & (WAVE_ENTRIES - 1);

        to->imaginary[i] = amplitude * im->wave[turn];
        to->real[i] = amplitude * im->wave[turn + WAVE_ENTRIES / 4];
        to->shift[i] = (int)((to->sample[i] - (float)to->base[i]) * SHIFTS);
    }
}

WIDE static void add_all(const struct imager *im, struct canvas *canvas, const struct landing *to, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        const float *pulse = im->pulse[to->shift[i]];
        float beam = to->beam[i], scale = to->scale[i], real = to->real[i], imaginary = to->imaginary[i];
        size_t at = (size_t)to->first[i] * (size_t)canvas->stride + (size_t)(IMAGER_PAD + to->base[i] - 3);

        for (int b = to->first[i]; b <= to->last[i]; b++, at += (size_t)canvas->stride) {
            float away = (float)b - beam;
            int entry = (int)(away * away * scale);
            float weight = im->bell[entry < BELL_ENTRIES ? entry : BELL_ENTRIES];

            add_taps(canvas->in + at, pulse, weight * real);
            add_taps(canvas->quad + at, pulse, weight * imaginary);
        }
    }
}

void imager_add(const struct imager *im, struct canvas *canvas, const struct echoes *echoes)
{
    struct landing landing;

    find_samples(im, echoes, &landing);
    find_angles(im, echoes, &landing);
    find_beams(im, echoes->n, &landing);
    weigh(im, echoes, &landing);
    add_all(im, canvas, &landing, echoes->n);
}

void imager_add_bright(const struct imager *im, struct canvas *canvas, struct place place, double peak_db,
                       double wider, double turns)
{
    double beam, sample, spread, phase, amplitude = pow(10.0, peak_db / 20.0);
    double axial = wider * im->axial_mm / im->sample_mm;
    int nearest, first, last;

    imager_find(im, place, &beam, &sample);
    if (!(sample > -8.0) || sample > im->n_samples + 8.0 || beam < -20.0 || beam > im->n_beams + 20.0)
        return;
    nearest = (int)fmin(fmax(sample, 0.0), im->n_samples - 1.0);
    spread = wider * (double)im->spread_beams[nearest];
    phase =
        TWO_PI * (hypot(place.x_mm, place.y_mm) * 2.0 * im->recipe.frequency_mhz / SPEED_MM_PER_US + turns);
    first = (int)fmax(ceil(sample - 3.0 * axial), 0.0);
    last = (int)fmin(floor(sample + 3.0 * axial), im->n_samples - 1.0);
    for (int b = (int)fmax(ceil(beam - 3.0 * spread), 0.0); b < im->n_beams && b <= beam + 3.0 * spread; b++)
        for (int k = first; k <= last; k++) {
            double across = (b - beam) / spread, along = (k - sample) / axial;
            double weight = amplitude * exp(-0.5 * (across * across + along * along));
            size_t at = (size_t)b * (size_t)canvas->stride + (size_t)(IMAGER_PAD + k);

            canvas->in[at] += (float)(weight * cos(phase));
            canvas->quad[at] += (float)(weight * sin(phase));
        }
}

double imager_luma(const struct imager *im, double db)
{
    return curve_luma(&im->recipe, pow(10.0, db / 10.0), 0.0);
}

struct window canvas_whole(const struct canvas *canvas)
{
    return (struct window){0, canvas->n_beams, 0, canvas->n_samples};
}

/* Power of the window's samples of a beam, with the noise of the receiver, of which each sample takes two
 * values. */
WIDE static void hear(const struct imager *im, struct canvas *canvas, struct window w, int beam,
                      const float *noise)
{
    size_t at = (size_t)beam * (size_t)canvas->stride + IMAGER_PAD;
    const float *in = canvas->in + at, *quad = canvas->quad + at;
    float *power = canvas->luma + at;

#pragma omp simd
    for (int k = w.first_sample; k < w.end_sample; k++) {
        float factor = im->gain[k] * im->shade[beam];
        float real = in[k] * factor + noise[2 * (size_t)k] * im->noise_level[k];
        float imaginary = quad[k] * factor + noise[2 * (size_t)k + 1] * im->noise_level[k];

        power[k] = real * real + imaginary * imaginary;
    }
}

void imager_compress(const struct imager *im, struct canvas *canvas, struct window w, long frame,
                     double gain_db)
{
    curve_make(&canvas->curve, &im->recipe, gain_db);
    for (int b = w.first_beam; b < w.end_beam; b++) {
        double place =
            dice_hash(im->recipe.seed + 301, frame, b) * (double)(NOISE_ENTRIES - 2 * im->n_samples);
        size_t at = (size_t)b * (size_t)canvas->stride + (size_t)(IMAGER_PAD + w.first_sample);

        hear(im, canvas, w, b, im->noise + (long)place);
        curve_show(&canvas->curve, canvas->luma + at, (size_t)(w.end_sample - w.first_sample));
    }
}
