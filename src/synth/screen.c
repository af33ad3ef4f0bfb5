#include "synth/screen.h"

#include "base/wide.h"
#include "synth/dice.h"
#include "synth/glyphs.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.141592653589793;

/* Layout, as shares of the frame: common look of scanners' screens, no source. */
static const double TOP_SHARE = 0.07, PICTURE_SHARE = 0.87, SIDE_SHARE = 0.075;

/* Neighbours in a row of the frame that lie in the sector. */
struct run {
    size_t pixel, first, n; /* the first pixel, its place among the sights, how many */
};

/* Where each pixel of the sector finds its luma among the lines. */
struct sights {
    size_t n;
    int32_t *sample; /* of the nearer of both beams, offset in the canvas */
    float *across, *along;
    size_t n_runs;
    struct run *runs;
};

struct screen {
    struct recipe recipe;
    double mm_per_px, depth_mm;
    struct point apex;
    struct box box;
    struct sights sights;
    uint8_t *still; /* everything that never changes */
};

/* The highest point of the probe's face that is in the sector. */
static double top_mm(const struct recipe *r)
{
    return r->probe_radius_mm * cos(0.5 * fmin(r->sector_deg, 180.0) * PI / 180.0);
}

static double pixel_mm(const struct recipe *r, double depth_mm)
{
    double high = r->probe_radius_mm + depth_mm - top_mm(r);
    double wide = 2.0 * (r->probe_radius_mm + depth_mm) * sin(0.5 * fmin(r->sector_deg, 180.0) * PI / 180.0);
    double fitted = high / (PICTURE_SHARE * (double)r->height_px);
    /* a very wide sector loses up to 30 % at the sides, as on real screens */
    double least = 0.7 * wide / ((1.0 - 2.0 * SIDE_SHARE) * (double)r->width_px);

    if (r->scale_mm_per_px > 0.0)
        return r->scale_mm_per_px * depth_mm / r->depth_mm;
    return fmax(fitted, least);
}

double screen_half_width_mm(const struct recipe *r, double depth_mm)
{
    return (0.5 - SIDE_SHARE) * (double)r->width_px * pixel_mm(r, depth_mm);
}

double screen_mm_per_px(const struct screen *screen)
{
    return screen->mm_per_px;
}

struct point screen_point(const struct screen *screen, struct place place)
{
    return (struct point){screen->apex.x_px + place.x_mm / screen->mm_per_px,
                          screen->apex.y_px + place.y_mm / screen->mm_per_px};
}

struct place screen_place(const struct screen *screen, struct point point)
{
    return (struct place){(point.x_px - screen->apex.x_px) * screen->mm_per_px,
                          (point.y_px - screen->apex.y_px) * screen->mm_per_px};
}

struct box screen_box(const struct screen *screen)
{
    return screen->box;
}

static void place_picture(struct screen *s)
{
    const struct recipe *r = &s->recipe;
    double half_px = r->probe_radius_mm + s->depth_mm;

    half_px *= sin(0.5 * fmin(r->sector_deg, 180.0) * PI / 180.0) / s->mm_per_px;
    half_px = fmin(half_px, (0.5 - SIDE_SHARE) * (double)r->width_px);
    s->apex.x_px = floor(0.5 * (double)r->width_px) - 0.5;
    s->apex.y_px = floor(TOP_SHARE * (double)r->height_px) - top_mm(r) / s->mm_per_px;
    s->box.left_px = (int)ceil(s->apex.x_px - half_px);
    s->box.right_px = (int)floor(s->apex.x_px + half_px);
    s->box.top_px = (int)floor(TOP_SHARE * (double)r->height_px);
    s->box.bottom_px = (int)fmin(floor(s->apex.y_px + (r->probe_radius_mm + s->depth_mm) / s->mm_per_px),
                                 (double)r->height_px - 1.0);
}

static bool make_room(struct sights *sights, const struct box *box)
{
    size_t wide = (size_t)box->right_px - (size_t)box->left_px + 1;
    size_t high = (size_t)box->bottom_px - (size_t)box->top_px + 1;

    sights->sample = calloc(wide * high, sizeof *sights->sample);
    sights->across = calloc(wide * high, sizeof *sights->across);
    sights->along = calloc(wide * high, sizeof *sights->along);
    sights->runs = calloc((wide + 1) / 2 * high, sizeof *sights->runs);
    return sights->sample != NULL && sights->across != NULL && sights->along != NULL && sights->runs != NULL;
}

static void add_sight(struct sights *sights, size_t pixel, int32_t sample, double across, double along)
{
    struct run *last = sights->n_runs > 0 ? &sights->runs[sights->n_runs - 1] : NULL;

    if (last != NULL && pixel == last->pixel + last->n)
        last->n++;
    else
        sights->runs[sights->n_runs++] = (struct run){pixel, sights->n, 1};
    sights->sample[sights->n] = sample;
    sights->across[sights->n] = (float)across;
    sights->along[sights->n] = (float)along;
    sights->n++;
}

static bool find_sights(struct screen *s, const struct imager *imager)
{
    int n_beams, n_samples;
    struct canvas *shape = canvas_make(imager);

    if (shape == NULL || !make_room(&s->sights, &s->box)) {
        canvas_free(&shape);
        return false;
    }
    imager_size(imager, &n_beams, &n_samples);
    for (int y = s->box.top_px; y <= s->box.bottom_px; y++)
        for (int x = s->box.left_px; x <= s->box.right_px; x++) {
            double beam, sample;

            imager_find(imager, screen_place(s, (struct point){x, y}), &beam, &sample);
            if (beam < 0 || sample < 0 || beam >= n_beams - 1 || sample >= n_samples - 1)
                continue;
            add_sight(&s->sights, (size_t)y * (size_t)s->recipe.width_px + (size_t)x,
                      (int)beam * shape->stride + IMAGER_PAD + (int)sample, beam - floor(beam),
                      sample - floor(sample));
        }
    canvas_free(&shape);
    return true;
}

static void fill(struct screen *s, int left, int top, int right, int bottom, int luma)
{
    int width = (int)s->recipe.width_px, height = (int)s->recipe.height_px;

    for (int y = top < 0 ? 0 : top; y <= bottom && y < height; y++)
        for (int x = left < 0 ? 0 : left; x <= right && x < width; x++)
            s->still[y * width + x] = (uint8_t)luma;
}

static int dot_px(const struct recipe *r)
{
    return r->height_px >= 540 ? 2 : 1;
}

static void text(struct screen *s, int left, int top, int luma, const char *words)
{
    glyphs_write(s->still, (int)s->recipe.width_px, (int)s->recipe.height_px, left, top, dot_px(&s->recipe),
                 (uint8_t)luma, words);
}

/* Ticks by depth below the probe's face at the middle beam: the first stands at 0. */
static void draw_ruler(struct screen *s)
{
    const struct recipe *r = &s->recipe;
    double step_mm = r->ruler_minor ? 5.0 : 10.0;
    int dot = dot_px(r);
    bool is_right = r->ruler == RULER_RIGHT;
    int edge = is_right ? (int)r->width_px - (int)(0.55 * SIDE_SHARE * (double)r->width_px)
                        : (int)(0.35 * SIDE_SHARE * (double)r->width_px);

    if (r->ruler == RULER_NONE)
        return;
    for (int i = 0; i * step_mm <= s->depth_mm + 1e-6; i++) {
        bool is_major = !r->ruler_minor || i % 2 == 0;
        int length = is_major ? 5 * dot : 2 * dot;
        int y = (int)lround(s->apex.y_px + (r->probe_radius_mm + i * step_mm) / s->mm_per_px);
        int left = is_right ? edge : edge + 5 * dot - length;
        char words[16];

        fill(s, left, y, left + length - 1, y, is_major ? 210 : 160);
        if (r->ruler_numbers && is_major && (int)lround(i * step_mm) % 20 == 0 && i > 0) {
            (void)snprintf(words, sizeof words, "%d", (int)lround(i * step_mm / 10.0));
            text(s, edge + 6 * dot, y - 3 * dot, 190, words);
        }
    }
}

/* A logo-like block: the mark that tells which side of the probe is left. */
static void draw_mark(struct screen *s, int middle_x, int middle_y, int radius)
{
    for (int y = -radius; y <= radius; y++)
        for (int x = -radius; x <= radius; x++) {
            int squares = x * x + y * y, hollow = x > 0 ? 0 : radius * radius * 4 / 9;

            if (squares <= radius * radius && squares >= hollow)
                fill(s, middle_x + x, middle_y + y, middle_x + x, middle_y + y, 230);
        }
}

static void draw_texts(struct screen *s)
{
    const struct recipe *r = &s->recipe;
    int dot = dot_px(r), line = 10 * dot, left = r->ruler == RULER_LEFT ? 24 * dot : 4 * dot,
        top = (int)(0.02 * (double)r->height_px);
    int bar = (int)r->width_px - 10 * dot, bar_top = (int)(0.10 * (double)r->height_px);
    int bar_high = (int)(0.22 * (double)r->height_px);
    char words[48];

    text(s, left, top, 200, "SYNTHETIC LOOP");
    (void)snprintf(words, sizeof words, "ID %05ld", labs((long)(dice_hash(r->seed, 800, 1) * 99999.0)));
    text(s, left, top + line, 170, words);
    (void)snprintf(words, sizeof words, "D %.1f CM", s->depth_mm / 10.0);
    text(s, left, top + 3 * line, 150, words);
    (void)snprintf(words, sizeof words, "GN %ld", 50 + lround(r->gain_db));
    text(s, left, top + 4 * line, 150, words);
    (void)snprintf(words, sizeof words, "FR %ld HZ", lround(r->frames_per_s));
    text(s, left, top + 5 * line, 150, words);
    text(s, (int)r->width_px - 62 * dot, top, 180, "TV 6.0 MHZ");
    for (int y = 0; y < bar_high; y++)
        fill(s, bar, bar_top + y, bar + 6 * dot, bar_top + y, 255 - 255 * y / (bar_high - 1));
    draw_mark(s, (int)fmax(0.3 * (double)r->width_px, left + 94 * dot), 9 * dot, 6 * dot);
}

bool screen_make(struct screen **screen, const struct recipe *recipe, const struct imager *imager,
                 double depth_mm, struct error **err)
{
    struct screen *s = calloc(1, sizeof *s);

    if (s == NULL)
        return error_memory(err);
    s->recipe = *recipe;
    s->depth_mm = depth_mm;
    s->mm_per_px = pixel_mm(recipe, depth_mm);
    place_picture(s);
    s->still = calloc((size_t)recipe->width_px * (size_t)recipe->height_px, 1);
    if (s->still == NULL || !find_sights(s, imager)) {
        screen_free(&s);
        return error_memory(err);
    }
    draw_ruler(s);
    if (recipe->texts)
        draw_texts(s);
    *screen = s;
    return true;
}

void screen_free(struct screen **screen)
{
    if (screen == NULL || *screen == NULL)
        return;
    free((*screen)->sights.sample);
    free((*screen)->sights.across);
    free((*screen)->sights.along);
    free((*screen)->sights.runs);
    free((*screen)->still);
    free(*screen);
    *screen = NULL;
}

static void show_clock(const struct screen *s, double time_s, uint8_t *frame)
{
    const struct recipe *r = &s->recipe;
    int dot = dot_px(r);
    long seconds = lround(floor(time_s));
    char words[32];

    (void)snprintf(words, sizeof words, "10:%02ld:%02ld", 24 + seconds / 60, seconds % 60);
    glyphs_write(frame, (int)r->width_px, (int)r->height_px, (int)r->width_px - 62 * dot,
                 (int)(0.02 * (double)r->height_px) + 10 * dot, dot, 180, words);
}

WIDE static void show_run(const struct sights *sights, struct run run, const float *luma, int stride,
                          uint8_t *frame)
{
    const int32_t *sample = sights->sample + run.first;
    const float *across = sights->across + run.first, *along = sights->along + run.first;
    uint8_t *row = frame + run.pixel;

#pragma omp simd
    for (size_t i = 0; i < run.n; i++) {
        int32_t near = sample[i], far = near + stride;
        float first = luma[near] + along[i] * (luma[near + 1] - luma[near]);
        float second = luma[far] + along[i] * (luma[far + 1] - luma[far]);
        float value = first + across[i] * (second - first) + 0.5f;

        row[i] = (uint8_t)(int)(value > 255.0f ? 255.0f : value);
    }
}

void screen_show(const struct screen *s, const struct canvas *canvas, const float *luma, double time_s,
                 uint8_t *frame)
{
    memcpy(frame, s->still, (size_t)s->recipe.width_px * (size_t)s->recipe.height_px);
    for (size_t i = 0; i < s->sights.n_runs; i++)
        show_run(&s->sights, s->sights.runs[i], luma, canvas->stride, frame);
    if (s->recipe.running_clock)
        show_clock(s, time_s, frame);
}
