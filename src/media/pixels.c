#include "media/pixels.h"

#include "base/wide.h"

#include <libavutil/pixdesc.h>
#include <stdlib.h>
#include <string.h>

enum { N_LEVELS = 256 };

/* One component of a picture, widened to 0..255 (luma) or 0..128 (chroma, as distance from 128). */
struct component {
    const AVFrame *picture;
    const AVPixFmtDescriptor *description;
    int number;
    bool is_plain; /* one byte a sample, read without help */
    uint8_t table[N_LEVELS];
    bool is_limited;
    bool is_chroma;
    uint16_t *line; /* room for a row of samples that are not plain */
};

uint8_t pixels_luma(unsigned red, unsigned green, unsigned blue)
{
    return (uint8_t)((19595U * red + 38470U * green + 7471U * blue + 32768U) >> 16);
}

uint8_t pixels_colour(int red, int green, int blue)
{
    int cb = abs(-11059 * red - 21709 * green + 32768 * blue);
    int cr = abs(32768 * red - 27439 * green - 5329 * blue);

    return (uint8_t)(((cb > cr ? cb : cr) + 32768) >> 16);
}

struct pixels_reading pixels_as_tagged(void)
{
    return (struct pixels_reading){.xx = 1, .yy = 1};
}

bool pixels_can_read(int format)
{
    const AVPixFmtDescriptor *description = av_pix_fmt_desc_get((enum AVPixelFormat)format);
    const uint64_t strange = AV_PIX_FMT_FLAG_HWACCEL | AV_PIX_FMT_FLAG_BAYER | AV_PIX_FMT_FLAG_FLOAT;

    if (description == NULL || (description->flags & strange) != 0 || format == AV_PIX_FMT_XYZ12LE ||
        format == AV_PIX_FMT_XYZ12BE)
        return false;
    return description->nb_components > 0 && description->comp[0].depth <= 16;
}

int pixels_depth(int format)
{
    const AVPixFmtDescriptor *description = av_pix_fmt_desc_get((enum AVPixelFormat)format);

    return description == NULL ? 0 : description->comp[0].depth;
}

bool pixels_samples(const AVFrame *picture, uint8_t *samples)
{
    const AVPixFmtDescriptor *description = av_pix_fmt_desc_get((enum AVPixelFormat)picture->format);
    uint16_t *line = calloc((size_t)picture->width, sizeof *line);

    if (line == NULL)
        return false;
    for (int y = 0; y < picture->height; y++) {
        av_read_image_line2(line, (const uint8_t **)picture->data, picture->linesize, description, 0, y, 0,
                            picture->width, 0, sizeof *line);
        for (int x = 0; x < picture->width; x++) {
            *samples++ = (uint8_t)(line[x] & 255U);
            *samples++ = (uint8_t)(line[x] >> 8);
        }
    }
    free(line);
    return true;
}

static bool is_rgb(const AVPixFmtDescriptor *description)
{
    return (description->flags & AV_PIX_FMT_FLAG_RGB) != 0;
}

static bool is_palette(const AVPixFmtDescriptor *description)
{
    return (description->flags & AV_PIX_FMT_FLAG_PAL) != 0;
}

static bool is_limited(const AVFrame *picture, const AVPixFmtDescriptor *description,
                       struct pixels_reading reading)
{
    switch (picture->format) {
    case AV_PIX_FMT_YUVJ420P:
    case AV_PIX_FMT_YUVJ422P:
    case AV_PIX_FMT_YUVJ444P:
    case AV_PIX_FMT_YUVJ440P:
    case AV_PIX_FMT_YUVJ411P:
        return false;
    default:
        break;
    }
    if (reading.is_full || reading.is_rgb || reading.is_ybr || is_rgb(description) ||
        is_palette(description) || picture->color_range == AVCOL_RANGE_JPEG)
        return false;
    if (picture->color_range == AVCOL_RANGE_MPEG)
        return true;
    return description->nb_components >= 3 || reading.untagged_is_limited;
}

bool pixels_seem_full(const AVFrame *picture)
{
    const AVPixFmtDescriptor *description = av_pix_fmt_desc_get((enum AVPixelFormat)picture->format);
    const AVComponentDescriptor *luma = &description->comp[0];
    long n_black = 0;

    if (!is_limited(picture, description, pixels_as_tagged()) ||
        picture->color_range != AVCOL_RANGE_UNSPECIFIED || luma->depth != 8)
        return false;
    for (int y = 0; y < picture->height; y++) {
        const uint8_t *row =
            picture->data[luma->plane] + (ptrdiff_t)y * picture->linesize[luma->plane] + luma->offset;

        for (int x = 0; x < picture->width; x++)
            n_black += row[(ptrdiff_t)x * luma->step] < 8;
    }
    return n_black > (long)picture->width * picture->height / 100;
}

/* A sample of `depth` bits as 0..255, or as the distance of chroma from its middle, 0..128. */
static uint8_t widen(unsigned sample, int depth, bool limited, bool chroma)
{
    long top = (1L << depth) - 1;
    long unit = 1L << (depth - 8); /* of one 8-bit level; only where depth >= 8 */
    long value = (long)sample;
    long wide = 0;

    if (depth < 8)
        return (uint8_t)((value * 255 + top / 2) / top);
    if (chroma) {
        value = labs(value - 128 * unit);
        wide = limited ? (value * 255 + 112 * unit) / (224 * unit) : (value + unit / 2) / unit;
        return (uint8_t)(wide > 128 ? 128 : wide);
    }
    if (!limited)
        return (uint8_t)((value * 255 + top / 2) / top);
    wide = (value - 16 * unit) * 255;
    wide = wide < 0 ? 0 : (wide + 219 * unit / 2) / (219 * unit);
    return (uint8_t)(wide > 255 ? 255 : wide);
}

static bool component_begin(struct component *component, const AVFrame *picture, int number, bool limited,
                            bool chroma)
{
    const AVPixFmtDescriptor *description = av_pix_fmt_desc_get((enum AVPixelFormat)picture->format);
    const AVComponentDescriptor *one = &description->comp[number];

    *component = (struct component){
        .picture = picture,
        .description = description,
        .number = number,
        .is_limited = limited,
        .is_chroma = chroma,
        .is_plain = one->depth == 8 && one->shift == 0 && !is_palette(description) &&
                    (description->flags & AV_PIX_FMT_FLAG_BITSTREAM) == 0,
    };
    if (component->is_plain) {
        for (unsigned i = 0; i < N_LEVELS; i++)
            component->table[i] = widen(i, 8, limited, chroma);
        return true;
    }
    component->line = calloc((size_t)picture->width, sizeof *component->line);
    return component->line != NULL;
}

static void component_end(struct component *component)
{
    free(component->line);
    component->line = NULL;
}

/* widen of limited luma of eight bits, for many at once: the quotient by 219 as a product, which is exact for
 * all 256 values. */
WIDE static void widen_row(const uint8_t *from, int n, uint8_t *row)
{
#pragma omp simd
    for (int x = 0; x < n; x++) {
        uint16_t above = from[x] < 16 ? 0 : (uint16_t)(from[x] - 16);
        uint16_t scaled = (uint16_t)(above * 255U + 109U);
        uint16_t high = (uint16_t)((uint32_t)scaled * 38305U >> 16);
        uint16_t wide = high >> 7;

        row[x] = (uint8_t)(wide > 255 ? 255 : wide);
    }
}

/* Row y of the picture (of the component's own rows), n samples. */
static void component_row(struct component *component, int y, int n, uint8_t *row)
{
    const AVComponentDescriptor *one = &component->description->comp[component->number];
    const AVFrame *picture = component->picture;

    if (component->is_plain) {
        const uint8_t *from =
            picture->data[one->plane] + (ptrdiff_t)y * picture->linesize[one->plane] + one->offset;

        if (one->step == 1 && !component->is_chroma && component->is_limited)
            widen_row(from, n, row);
        else if (one->step == 1 && !component->is_chroma)
            memcpy(row, from, (size_t)n);
        else
            for (int x = 0; x < n; x++)
                row[x] = component->table[from[(ptrdiff_t)x * one->step]];
        return;
    }
    av_read_image_line2(component->line, (const uint8_t **)picture->data, picture->linesize,
                        component->description, 0, y, component->number, n, 0, sizeof *component->line);
    for (int x = 0; x < n; x++)
        row[x] = widen(component->line[x], one->depth, component->is_limited, component->is_chroma);
}

/* Y'CbCr and grey */
static bool read_luma(struct frame *frame, const AVFrame *picture, struct pixels_reading reading)
{
    const AVPixFmtDescriptor *description = av_pix_fmt_desc_get((enum AVPixelFormat)picture->format);
    struct component luma = {0};

    if (!component_begin(&luma, picture, 0, is_limited(picture, description, reading), false))
        return false;
    for (int y = 0; y < picture->height; y++)
        component_row(&luma, y, picture->width, frame->luma + (size_t)y * (size_t)picture->width);
    component_end(&luma);
    return true;
}

/* Whether a row of chroma lies in the middle throughout, as all rows of a grey loop do. */
static bool is_grey_row(const struct component *component, int y, int n)
{
    const AVComponentDescriptor *one = &component->description->comp[component->number];
    const uint8_t *from =
        component->picture->data[one->plane] + (ptrdiff_t)y * component->picture->linesize[one->plane];
    unsigned away = 0;

    if (!component->is_plain || one->step != 1)
        return false;
#pragma omp simd reduction(| : away)
    for (int x = 0; x < n; x++)
        away |= from[x] ^ 128U;
    return away == 0;
}

static bool read_chroma(struct frame *frame, const AVFrame *picture, struct pixels_reading reading)
{
    const AVPixFmtDescriptor *description = av_pix_fmt_desc_get((enum AVPixelFormat)picture->format);
    bool limited = is_limited(picture, description, reading);
    int n = AV_CEIL_RSHIFT(picture->width, description->log2_chroma_w);
    uint8_t *rows = calloc((size_t)picture->width, 2);
    struct component cb = {0};
    struct component cr = {0};
    bool fits = rows != NULL && component_begin(&cb, picture, 1, limited, true) &&
                component_begin(&cr, picture, 2, limited, true);

    for (int y = 0; fits && y < picture->height; y++) {
        uint8_t *to = frame->colour + (size_t)y * (size_t)picture->width;
        uint8_t *other = rows + picture->width;
        int line = y >> description->log2_chroma_h;

        if (y > 0 && line == (y - 1) >> description->log2_chroma_h) {
            memcpy(to, to - picture->width, (size_t)picture->width);
            continue;
        }
        if (is_grey_row(&cb, line, n) && is_grey_row(&cr, line, n))
            continue; /* a frame is made with zero colour */
        component_row(&cb, line, n, rows);
        component_row(&cr, line, n, other);
        for (int x = 0; x < picture->width; x++) {
            int i = x >> description->log2_chroma_w;

            to[x] = rows[i] > other[i] ? rows[i] : other[i];
        }
    }
    component_end(&cb);
    component_end(&cr);
    free(rows);
    return fits;
}

static bool read_rgb(struct frame *frame, const AVFrame *picture)
{
    size_t width = (size_t)picture->width;
    uint8_t *rows = calloc(width, 3);
    struct component parts[3] = {0};
    bool fits = rows != NULL;

    for (int i = 0; i < 3 && fits; i++)
        fits = component_begin(&parts[i], picture, i, false, false);
    for (int y = 0; fits && y < picture->height; y++) {
        size_t at = (size_t)y * width;

        for (size_t i = 0; i < 3; i++)
            component_row(&parts[i], y, picture->width, rows + i * width);
        for (size_t x = 0; x < width; x++) {
            frame->luma[at + x] = pixels_luma(rows[x], rows[width + x], rows[2 * width + x]);
            if (frame->colour != NULL)
                frame->colour[at + x] = pixels_colour(rows[x], rows[width + x], rows[2 * width + x]);
        }
    }
    for (int i = 0; i < 3; i++)
        component_end(&parts[i]);
    free(rows);
    return fits;
}

static void read_palette(struct frame *frame, const AVFrame *picture)
{
    const uint32_t *palette = (const uint32_t *)(const void *)picture->data[1];
    uint8_t luma[N_LEVELS];
    uint8_t colour[N_LEVELS];

    for (size_t i = 0; i < N_LEVELS; i++) {
        unsigned red = palette[i] >> 16 & 255U;
        unsigned green = palette[i] >> 8 & 255U;
        unsigned blue = palette[i] & 255U;

        luma[i] = pixels_luma(red, green, blue);
        colour[i] = pixels_colour((int)red, (int)green, (int)blue);
    }
    for (int y = 0; y < picture->height; y++) {
        const uint8_t *from = picture->data[0] + (ptrdiff_t)y * picture->linesize[0];
        size_t at = (size_t)y * (size_t)picture->width;

        for (int x = 0; x < picture->width; x++) {
            frame->luma[at + (size_t)x] = luma[from[x]];
            if (frame->colour != NULL)
                frame->colour[at + (size_t)x] = colour[from[x]];
        }
    }
}

static void turn_plane(uint8_t *to, const uint8_t *from, int width, int height, struct pixels_reading turn)
{
    bool is_swapped = turn.xx == 0;
    size_t to_width = (size_t)(is_swapped ? height : width);
    int left = (turn.xx < 0 ? width - 1 : 0) + (turn.yx < 0 ? height - 1 : 0);
    int top = (turn.xy < 0 ? width - 1 : 0) + (turn.yy < 0 ? height - 1 : 0);

    for (int y = 0; y < height; y++) {
        for (int x = 0; x < width; x++) {
            int to_x = turn.xx * x + turn.yx * y + left;
            int to_y = turn.xy * x + turn.yy * y + top;

            to[(size_t)to_y * to_width + (size_t)to_x] = from[(size_t)y * (size_t)width + (size_t)x];
        }
    }
}

static bool turn_frame(struct frame **frame, struct pixels_reading turn)
{
    struct frame *from = *frame;
    bool is_swapped = turn.xx == 0;
    struct frame *to = NULL;

    if (turn.xx == 1 && turn.yy == 1)
        return true;
    to = frame_make(is_swapped ? from->height_px : from->width_px,
                    is_swapped ? from->width_px : from->height_px, from->colour != NULL);
    if (to == NULL)
        return false;
    turn_plane(to->luma, from->luma, from->width_px, from->height_px, turn);
    if (from->colour != NULL)
        turn_plane(to->colour, from->colour, from->width_px, from->height_px, turn);
    frame_free(frame);
    *frame = to;
    return true;
}

bool pixels_to_frame(struct frame **frame, const AVFrame *picture, struct pixels_reading reading,
                     bool with_colour, struct error **err)
{
    const AVPixFmtDescriptor *description = av_pix_fmt_desc_get((enum AVPixelFormat)picture->format);
    CLEANUP(frame_free) struct frame *made = NULL;
    bool has_colour = false;
    bool fits = true;

    if (!pixels_can_read(picture->format))
        return error_set(err, ERROR_INPUT, "pictures of the pixel format %s are not read",
                         description == NULL ? "(unknown)" : description->name);
    has_colour = description->nb_components >= 3 || is_palette(description);
    made = frame_make(picture->width, picture->height, with_colour && has_colour);
    if (made == NULL)
        return error_memory(err);
    if (is_palette(description))
        read_palette(made, picture);
    else if ((is_rgb(description) && !reading.is_ybr) || (reading.is_rgb && description->nb_components >= 3))
        fits = read_rgb(made, picture);
    else
        fits = read_luma(made, picture, reading) &&
               (made->colour == NULL || read_chroma(made, picture, reading));
    if (!fits || !turn_frame(&made, reading))
        return error_memory(err);
    *frame = made;
    made = NULL;
    return true;
}
