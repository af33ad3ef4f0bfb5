#include "screen_fixture.h"

#include "image/survey_internal.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const double RADIANS = 3.14159265358979323846 / 180.0;

struct screen screen_usual(void)
{
    return (struct screen){.width_px = 800,
                           .height_px = 600,
                           .shape = SCREEN_SECTOR,
                           .apex_x_px = 400,
                           .apex_y_px = -20,
                           .half_angle_deg = 45,
                           .near_px = 60,
                           .far_px = 560,
                           .left_px = 150,
                           .top_px = 60,
                           .right_px = 620,
                           .bottom_px = 540,
                           .brightness = 70,
                           .speckle = 12,
                           .zoom = 1};
}

/** Noise of a place in [-1, 1), the same for the same arguments. */
static double noise(int64_t x, int64_t y, uint64_t seed)
{
    uint64_t h =
        (uint64_t)x * 0x9E3779B97F4A7C15U ^ (uint64_t)y * 0xC2B2AE3D27D4EB4FU ^ seed * 0x165667B19E3779F9U;

    h ^= h >> 29;
    h *= 0xBF58476D1CE4E5B9U;
    h ^= h >> 32;
    h *= 0x94D049BB133111EBU;
    h ^= h >> 29;
    return (double)(h >> 11) / 4503599627370496.0 - 1.0;
}

/** Noise that is smooth over `grain` pixels. */
static double smooth_noise(double x, double y, double grain, uint64_t seed)
{
    double u = x / grain;
    double v = y / grain;
    int64_t i = (int64_t)floor(u);
    int64_t j = (int64_t)floor(v);
    double a = u - (double)i;
    double b = v - (double)j;

    return (1 - b) * ((1 - a) * noise(i, j, seed) + a * noise(i + 1, j, seed)) +
           b * ((1 - a) * noise(i, j + 1, seed) + a * noise(i + 1, j + 1, seed));
}

bool screen_holds(const struct screen *screen, int x_px, int y_px)
{
    double y = screen->is_flipped ? screen->height_px - 1 - y_px : y_px;
    double u = x_px - screen->apex_x_px;
    double v = y - screen->apex_y_px;
    double radius = hypot(u, v);

    if (screen->shape == SCREEN_WHOLE)
        return true;
    if (screen->shape == SCREEN_EMPTY)
        return false;
    if (screen->shape == SCREEN_BOX)
        return x_px >= screen->left_px && x_px <= screen->right_px && y >= screen->top_px &&
               y <= screen->bottom_px;
    return fabs(atan2(u, v)) <= screen->half_angle_deg * RADIANS && radius >= screen->near_px &&
           radius <= screen->far_px;
}

static double tissue(const struct screen *screen, int x_px, int y_px, unsigned seed)
{
    double x = (x_px - screen->width_px / 2.0) / screen->zoom + screen->content_x_px;
    double y = (y_px - screen->height_px / 2.0) / screen->zoom + screen->content_y_px;
    double value = screen->brightness + 25 * smooth_noise(x, y, 60, 1) + 20 * smooth_noise(x, y, 4, 2);

    if (screen->has_dark_bladder && hypot(x_px - 400.0, y_px - 250.0) < 70)
        return 0;
    return value + screen->gain + 2 * screen->speckle * smooth_noise(x_px, y_px, 3, 1000 + seed);
}

static void put(struct frame *frame, int x, int y, int luma)
{
    if (x >= 0 && y >= 0 && x < frame->width_px && y < frame->height_px)
        frame->luma[(size_t)y * (size_t)frame->width_px + (size_t)x] = (uint8_t)luma;
}

/** A letter of 7 x 9 with strokes that depend on its code. */
static void draw_letter(struct frame *frame, int x, int y, unsigned code)
{
    static const char *const cells[] = {"7 1 7 1 1", "7 4 7 1 7", "4 4 4 4 7",
                                        "7 5 5 5 7", "5 5 7 5 5", "7 5 7 5 6"};
    const char *rows = cells[code % 6];

    for (int row = 0; row < 5; row++)
        for (int bit = 0; bit < 3; bit++)
            if ((rows[2 * row] - '0') & (4 >> bit))
                for (int i = 0; i < 4; i++)
                    put(frame, x + 2 * bit + i % 2, y + 2 * row + i / 2, 210);
}

static void draw_word(struct frame *frame, int x, int y, int n, unsigned code)
{
    for (int i = 0; i < n; i++)
        draw_letter(frame, x + 9 * i, y, code * 7 + (unsigned)i * (code + 3));
}

static void draw_text(struct frame *frame)
{
    draw_word(frame, 10, 8, 12, 1);
    draw_word(frame, 640, 8, 14, 2);
    for (int i = 0; i < 14; i++)
        draw_word(frame, 12, 60 + 18 * i, 7 + i % 3, (unsigned)i);
    draw_word(frame, 380, 480, 6, 5);
}

static void draw_bar(struct frame *frame)
{
    for (int y = 150; y < 400; y++)
        for (int x = 770; x < 784; x++)
            put(frame, x, y, 255 - (y - 150));
}

static void draw_ruler(struct frame *frame, const struct screen_ruler *ruler)
{
    int last_px = 0;

    for (int k = 0; k < ruler->n_ticks; k++) {
        int along = (int)lround(ruler->first_px + ruler->spacing_px * k);
        int across = (int)lround(ruler->x_px);
        bool is_long = ruler->long_every && k % ruler->long_every == 0;
        int length = (is_long ? 10 : 5) + (ruler->pixel_more_every && k % ruler->pixel_more_every == 0);
        int usual = ruler->luma == 0 ? 190 : ruler->luma;
        uint8_t luma = (uint8_t)(is_long || ruler->short_luma == 0 ? usual : ruler->short_luma);

        last_px = along;
        if (ruler->number_every && k % ruler->number_every == 0)
            draw_word(frame, across + (ruler->number_at_px ? ruler->number_at_px : 14), along - 4,
                      k / ruler->number_every < 10 ? 1 : 2, (unsigned)k);
        for (int i = 0; i < length; i++)
            put(frame, ruler->is_lying ? along : across + i, ruler->is_lying ? across + i : along, luma);
    }
    for (int y = (int)ruler->first_px; ruler->has_line && y <= last_px; y++)
        put(frame, (int)lround(ruler->x_px), y, 190);
}

static void draw_colour(struct frame *frame, unsigned seed)
{
    for (int y = 200; y < 300; y++)
        for (int x = 350; x < 450; x++)
            if (noise(x / 6, y / 6, seed + 7000) > -0.3)
                frame->colour[(size_t)y * (size_t)frame->width_px + (size_t)x] = 90;
}

struct frame *screen_frame(const struct screen *screen, unsigned seed, size_t index, double time_s)
{
    struct frame *frame = frame_make(screen->width_px, screen->height_px, screen->has_colour_box);

    assert_non_null(frame);
    frame->index = index;
    frame->time_s = time_s;
    for (int y = 0; y < screen->height_px; y++)
        for (int x = 0; x < screen->width_px; x++)
            if (screen_holds(screen, x, y))
                put(frame, x, y, (int)fmin(255, fmax(0, tissue(screen, x, y, seed))));
    if (screen->has_text)
        draw_text(frame);
    if (screen->has_bar)
        draw_bar(frame);
    if (screen->clock)
        draw_word(frame, 600, 30, 8, (unsigned)screen->clock);
    if (screen->has_colour_box)
        draw_colour(frame, seed);
    draw_ruler(frame, &screen->ruler);
    return frame;
}

struct survey *screen_survey(const struct screen *screen, size_t n)
{
    struct survey_builder *builder = NULL;
    struct survey *survey = NULL;
    struct error *err = NULL;

    assert_true(survey_begin(&builder, &err));
    for (size_t i = 0; i < n; i++) {
        struct frame *frame = screen_frame(screen, (unsigned)i, i, 0.1 * (double)i);

        assert_true(survey_add(builder, frame, &err));
        frame_free(&frame);
    }
    assert_true(survey_finish(&survey, &builder, true, &err));
    return survey;
}

double screen_agreement(const struct screen *screen, const struct picture *picture)
{
    size_t n_both = 0;
    size_t n_either = 0;

    for (int y = 0; y < screen->height_px; y++)
        for (int x = 0; x < screen->width_px; x++) {
            bool is_drawn = screen_holds(screen, x, y);
            bool is_found = picture->outline[(size_t)y * (size_t)screen->width_px + (size_t)x] != 0;

            n_both += is_drawn && is_found;
            n_either += is_drawn || is_found;
        }
    return n_either ? (double)n_both / (double)n_either : 1;
}
