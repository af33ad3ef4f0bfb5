#include "media/native.h"

#include "dicom/palette.h"
#include "media/pixels.h"

#include <stdlib.h>

enum {
    N_SAMPLES = 65536,
    N_PROBE_ROWS = 200, /* of a frame whose order of samples is in doubt */
};

#define CLEARLY                                                                                              \
    2.0 /* how many times smoother and greyer the other order must be; common practice, no source */

struct native {
    struct layout layout;
    bool is_big_endian;
    size_t n_pixels;
    uint8_t level[N_SAMPLES];  /* of a sample, 0..255; through the palette for one sample */
    uint8_t colour[N_SAMPLES]; /* of a palette entry */
};

/* Where the samples of a frame stand. */
struct order {
    const uint8_t *bytes;
    size_t sample_bytes;
    size_t low;   /* byte of a 16-bit sample that is the lower one */
    size_t step;  /* samples from one pixel to the next */
    size_t plane; /* samples from one sample of a pixel to its next */
};

static size_t sample(const struct order *order, size_t pixel, size_t number)
{
    const uint8_t *at = order->bytes + (pixel * order->step + number * order->plane) * order->sample_bytes;

    if (order->sample_bytes == 1)
        return at[0];
    return (size_t)at[order->low] | (size_t)at[1 - order->low] << 8;
}

/* The stored bits of an allocated sample, signed ones moved so that the smallest is 0. */
static long stored_value(const struct layout *layout, size_t allocated)
{
    long most = 1L << layout->bits_stored;
    long value = (long)(allocated >> (layout->high_bit + 1 - layout->bits_stored)) & (most - 1);

    return layout->is_signed ? (value + most / 2) % most : value;
}

static void fill_levels(struct native *native)
{
    long top = (1L << native->layout.bits_stored) - 1;

    for (size_t i = 0; i < N_SAMPLES; i++) {
        long value = (stored_value(&native->layout, i) * 255 + top / 2) / top;

        native->level[i] = (uint8_t)(native->layout.colour == LAYOUT_MONOCHROME1 ? 255 - value : value);
    }
}

static bool fill_palette(struct native *native, const struct dataset *dataset, struct error **err)
{
    struct palette palette = {0};
    long half = 1L << (native->layout.bits_stored - 1);

    if (!palette_read(&palette, dataset, native->layout.is_signed, err)) {
        palette_free(&palette);
        return false;
    }
    for (size_t i = 0; i < N_SAMPLES; i++) {
        long value = stored_value(&native->layout, i) - (native->layout.is_signed ? half : 0) - palette.first;
        const uint8_t *rgb = NULL;

        if (value < 0)
            value = 0;
        if (value > (long)palette.n - 1)
            value = (long)palette.n - 1;
        rgb = palette.rgb + 3 * value;
        native->level[i] = pixels_luma(rgb[0], rgb[1], rgb[2]);
        native->colour[i] = pixels_colour(rgb[0], rgb[1], rgb[2]);
    }
    palette_free(&palette);
    return true;
}

bool native_open(struct native **native, const struct layout *layout, const struct dataset *dataset,
                 struct error **err)
{
    struct native *made = calloc(1, sizeof *made);

    if (made == NULL)
        return error_memory(err);
    made->layout = *layout;
    made->is_big_endian = dataset_is_big_endian(dataset);
    made->n_pixels = (size_t)layout->rows * (size_t)layout->columns;
    if (layout->colour != LAYOUT_PALETTE) {
        fill_levels(made);
    } else if (!fill_palette(made, dataset, err)) {
        free(made);
        return false;
    }
    *native = made;
    return true;
}

static struct order order_of(const struct native *native, const uint8_t *bytes, bool is_planar)
{
    size_t n_samples = (size_t)native->layout.n_samples;

    return (struct order){
        .bytes = bytes,
        .sample_bytes = (size_t)(native->layout.bits_allocated / 8),
        .low = native->is_big_endian ? 1 : 0,
        .step = is_planar ? 1 : n_samples,
        .plane = is_planar ? native->n_pixels : 1,
    };
}

/* Roughness: mean step of the first sample to the right and down; greyness: mean distance
 * of the first two samples of a pixel. */
static void look(const struct native *native, const struct order *order, double *roughness,
                 double *colourfulness)
{
    size_t width = (size_t)native->layout.columns;
    size_t height = (size_t)native->layout.rows;
    size_t every = height / N_PROBE_ROWS + 1;
    double steps = 0.0;
    double apart = 0.0;
    size_t n = 0;

    for (size_t y = 0; y + 1 < height; y += every) {
        for (size_t x = 0; x + 1 < width; x++) {
            size_t at = y * width + x;
            int here = native->level[sample(order, at, 0)];

            steps += abs(here - native->level[sample(order, at + 1, 0)]);
            steps += abs(here - native->level[sample(order, at + width, 0)]);
            apart += abs(here - native->level[sample(order, at, 1)]);
            n++;
        }
    }
    *roughness = n == 0 ? 0.0 : steps / (double)n;
    *colourfulness = n == 0 ? 0.0 : apart / (double)n;
}

bool native_is_planar_wrong(const struct native *native, const uint8_t *bytes)
{
    struct order said = order_of(native, bytes, native->layout.is_planar);
    struct order other = order_of(native, bytes, !native->layout.is_planar);
    double roughness[2];
    double colourfulness[2];

    if (native->layout.n_samples != 3 || native->layout.colour == LAYOUT_YBR_FULL_422)
        return false;
    look(native, &said, &roughness[0], &colourfulness[0]);
    look(native, &other, &roughness[1], &colourfulness[1]);
    if (native->layout.colour != LAYOUT_RGB) /* there the first two samples are no two colours */
        return roughness[0] > CLEARLY * roughness[1] + 1.0;
    return roughness[0] > roughness[1] && colourfulness[0] > CLEARLY * colourfulness[1] + 1.0;
}

void native_swap_planar(struct native *native)
{
    native->layout.is_planar = !native->layout.is_planar;
}

static uint8_t chroma_distance(int cb, int cr)
{
    int one = abs(cb - 128);
    int other = abs(cr - 128);

    return (uint8_t)(one > other ? one : other);
}

static void fill_one_sample(const struct native *native, const struct order *order, struct frame *frame)
{
    for (size_t i = 0; i < native->n_pixels; i++) {
        size_t value = sample(order, i, 0);

        frame->luma[i] = native->level[value];
        if (frame->colour != NULL)
            frame->colour[i] = native->colour[value];
    }
}

static void fill_three_samples(const struct native *native, const struct order *order, struct frame *frame)
{
    const uint8_t *level = native->level;

    for (size_t i = 0; i < native->n_pixels; i++) {
        uint8_t a = level[sample(order, i, 0)];
        uint8_t b = level[sample(order, i, 1)];
        uint8_t c = level[sample(order, i, 2)];

        if (native->layout.colour == LAYOUT_RGB) {
            frame->luma[i] = pixels_luma(a, b, c);
            if (frame->colour != NULL)
                frame->colour[i] = pixels_colour(a, b, c);
        } else {
            frame->luma[i] = a;
            if (frame->colour != NULL)
                frame->colour[i] = chroma_distance(b, c);
        }
    }
}

/* Y1 Y2 Cb Cr for each pair of pixels of a row (PS3.3, C.7.6.3.1.2, YBR_FULL_422) */
static void fill_pairs(const struct native *native, const uint8_t *bytes, struct frame *frame)
{
    for (size_t i = 0; i < native->n_pixels; i++) {
        const uint8_t *pair = bytes + 4 * (i / 2);

        frame->luma[i] = pair[i % 2];
        if (frame->colour != NULL)
            frame->colour[i] = chroma_distance(pair[2], pair[3]);
    }
}

static struct frame *fill(const struct native *native, const struct order *order, bool with_colour)
{
    const struct layout *layout = &native->layout;
    bool has_colour = layout->n_samples == 3 || layout->colour == LAYOUT_PALETTE;
    struct frame *made = frame_make((int)layout->columns, (int)layout->rows, with_colour && has_colour);

    if (made == NULL)
        return NULL;
    if (layout->n_samples == 1)
        fill_one_sample(native, order, made);
    else if (layout->colour == LAYOUT_YBR_FULL_422 && order->plane == 1)
        fill_pairs(native, order->bytes, made);
    else
        fill_three_samples(native, order, made);
    return made;
}

struct frame *native_to_frame(const struct native *native, const uint8_t *bytes, bool with_colour)
{
    struct order order = order_of(native, bytes, native->layout.is_planar);

    if (native->layout.colour == LAYOUT_YBR_FULL_422)
        order.plane = 1;
    return fill(native, &order, with_colour);
}

struct frame *native_from_planes(const struct native *native, const uint8_t *planes, bool with_colour)
{
    struct order order = order_of(native, planes, true);
    uint8_t *joined = NULL;
    size_t n_samples = (size_t)native->layout.n_samples;
    struct frame *made = NULL;

    if (order.sample_bytes == 1)
        return fill(native, &order, with_colour);
    joined = calloc(n_samples * native->n_pixels, 2);
    if (joined == NULL)
        return NULL;
    for (size_t k = 0; k < n_samples; k++) {
        const uint8_t *high = planes + 2 * k * native->n_pixels;

        for (size_t i = 0; i < native->n_pixels; i++) {
            joined[2 * (k * native->n_pixels + i)] = high[native->n_pixels + i];
            joined[2 * (k * native->n_pixels + i) + 1] = high[i];
        }
    }
    order.bytes = joined;
    order.low = 0;
    made = fill(native, &order, with_colour);
    free(joined);
    return made;
}

bool native_map(const struct native *native, struct frame *frame, bool with_colour)
{
    size_t n = (size_t)frame->width_px * (size_t)frame->height_px;

    if (native->layout.colour == LAYOUT_MONOCHROME1) {
        for (size_t i = 0; i < n; i++)
            frame->luma[i] = (uint8_t)(255 - frame->luma[i]);
        return true;
    }
    if (native->layout.colour != LAYOUT_PALETTE)
        return true;
    if (with_colour && frame->colour == NULL) {
        frame->colour = malloc(n);
        if (frame->colour == NULL)
            return false;
    }
    for (size_t i = 0; i < n; i++) {
        if (frame->colour != NULL)
            frame->colour[i] = native->colour[frame->luma[i]];
        frame->luma[i] = native->level[frame->luma[i]];
    }
    return true;
}

void native_close(struct native **native)
{
    if (native == NULL || *native == NULL)
        return;
    free(*native);
    *native = NULL;
}
