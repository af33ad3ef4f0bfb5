#include "image/picture_internal.h"
#include "image/plane_internal.h"
#include "image/survey_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source. Grey levels. */
static const double LIVE_SHARE = 0.12; /* of the upper change: what still counts as living */
static const double LIVE_MIN = 0.6;
static const double LIVE_MAX = 3.0;
static const double BRIGHT_ABOVE_BLACK = 6.0;
static const float GRAIN_MIN = 0.7F; /* difference from the mean of 3 x 3 */
static const float INK_MIN = 30.0F;  /* the same, at the edge of a letter */
static const double INKY_SHARE = 0.25;
static const double GRAINY_SHARE = 0.4; /* of the bright places around: grey bars and banners have less */
static const double DENSE_SHARE = 0.5; /* of 11 x 11: text fills less of its surroundings, tissue has edges */
static const double LIVING_FRAME_SHARE = 0.01; /* of the frame: less life than this says nothing */
static const int COLOUR_ABOVE_TINT = 28;       /* as in picture_cut.c */
enum { REDUCED_LONGEST = 512, DENSE_RADIUS = 5 };

static int reduction_of(const struct survey *survey)
{
    int longest = survey->width_px > survey->height_px ? survey->width_px : survey->height_px;

    return (longest + REDUCED_LONGEST - 1) / REDUCED_LONGEST;
}

/** Box means of a plane over squares of `reduction`; what remains at the right and bottom is dropped. */
static float *reduce(const float *plane, int width_px, const struct evidence *evidence)
{
    int by = evidence->reduction;
    float *out = calloc((size_t)evidence->width * (size_t)evidence->height, sizeof *out);

    if (out == NULL)
        return NULL;
    for (int y = 0; y < evidence->height; y++)
        for (int x = 0; x < evidence->width; x++) {
            float sum = 0;

            for (int v = 0; v < by; v++)
                for (int u = 0; u < by; u++)
                    sum += plane[(size_t)(y * by + v) * (size_t)width_px + (size_t)(x * by + u)];
            out[(size_t)y * (size_t)evidence->width + (size_t)x] = sum / (float)(by * by);
        }
    return out;
}

/** Keeps what most of its 3 x 3 surroundings agree on. */
static bool majority(uint8_t *mask, int width, int height)
{
    size_t n = (size_t)width * (size_t)height;
    uint32_t *count = malloc(n * sizeof *count);
    bool is_good = count != NULL && plane_count(count, mask, width, height, 1);

    for (size_t i = 0; is_good && i < n; i++)
        mask[i] = count[i] >= 5 ? 255 : 0;
    free(count);
    return is_good;
}

static size_t count_mask(const uint8_t *mask, size_t n)
{
    size_t n_set = 0;

    for (size_t i = 0; i < n; i++)
        n_set += mask[i] != 0;
    return n_set;
}

/** What changes over time: speckle lives, text and bars stand still. */
static bool gather_living(struct evidence *evidence, const struct survey *survey)
{
    size_t n = (size_t)evidence->width * (size_t)evidence->height;
    float *deviation = reduce(survey->deviation, survey->width_px, evidence);
    float *moving = calloc(n, sizeof *moving);
    size_t n_moving = 0;
    double upper = 0;
    double least = 0;
    bool is_good = deviation != NULL && moving != NULL;

    for (size_t i = 0; is_good && i < n; i++)
        if (deviation[i] > 0.5F)
            moving[n_moving++] = deviation[i];
    if (is_good) {
        upper = (double)plane_quantile(moving, n_moving, 0.9);
        least = fmin(LIVE_MAX, fmax(LIVE_MIN, LIVE_SHARE * upper));
        for (size_t i = 0; i < n; i++)
            evidence->mask[i] = (double)deviation[i] > least ? 255 : 0;
        is_good = majority(evidence->mask, evidence->width, evidence->height);
    }
    evidence->is_living = is_good && (double)count_mask(evidence->mask, n) > LIVING_FRAME_SHARE * (double)n;
    free(deviation);
    free(moving);
    return is_good;
}

/** The darkest level that a fair part of the frame has: the surroundings, or the deepest tissue. */
static double black_level(const float *mean, size_t n)
{
    size_t bins[256] = {0};
    size_t below = 0;

    for (size_t i = 0; i < n; i++)
        bins[(int)fminf(255.0F, fmaxf(0.0F, mean[i]))]++;
    for (int i = 0; i < 256; i++) {
        below += bins[i];
        if ((double)below > 0.05 * (double)n)
            return i;
    }
    return 0;
}

/** Marks the bright places that differ from the mean of their neighbours: speckle does, a bar, however
 *  it fades, does not but at its edges. */
static bool grain_of(uint8_t *grain, uint8_t *ink, const float *mean, const uint8_t *bright,
                     const struct evidence *evidence)
{
    size_t n = (size_t)evidence->width * (size_t)evidence->height;
    float *average = malloc(n * sizeof *average);
    bool is_good = average != NULL && plane_blur(average, mean, evidence->width, evidence->height, 1);

    for (size_t i = 0; is_good && i < n; i++) {
        float difference = bright[i] ? fabsf(mean[i] - average[i]) : 0.0F;

        grain[i] = difference > GRAIN_MIN ? 255 : 0;
        ink[i] = difference > INK_MIN ? 255 : 0;
    }
    free(average);
    return is_good;
}

/** Drops coloured banners, bars and flow maps: what flows lies within grey tissue, which the shape fills. */
static void drop_coloured(struct evidence *evidence, const struct survey *survey)
{
    int tint = survey_tint(survey, evidence->mask, evidence->width, evidence->height, evidence->reduction);

    for (int y = 0; y < evidence->height; y++)
        for (int x = 0; x < evidence->width; x++)
            if (survey->colour[(size_t)(y * evidence->reduction) * (size_t)survey->width_px +
                               (size_t)(x * evidence->reduction)] > tint + COLOUR_ABOVE_TINT)
                evidence->mask[(size_t)y * (size_t)evidence->width + (size_t)x] = 0;
}

/** What shines densely and with a grain, for stills and for loops in which nothing moves. */
static bool gather_shining(struct evidence *evidence, const struct survey *survey)
{
    size_t n = (size_t)evidence->width * (size_t)evidence->height;
    float *mean = reduce(survey->mean, survey->width_px, evidence);
    uint8_t *grain = malloc(n);
    uint8_t *ink = malloc(n);
    uint32_t *count = malloc(n * sizeof *count);
    uint32_t *grainy = malloc(n * sizeof *grainy);
    uint32_t *inky = malloc(n * sizeof *inky);
    bool is_good = mean && grain && ink && count && grainy && inky;
    double black = is_good ? fmin(40.0, black_level(mean, n)) : 0;
    double square = (2 * DENSE_RADIUS + 1) * (2 * DENSE_RADIUS + 1);

    for (size_t i = 0; is_good && i < n; i++)
        evidence->mask[i] = (double)mean[i] > black + BRIGHT_ABOVE_BLACK ? 255 : 0;
    if (is_good && survey->colour != NULL)
        drop_coloured(evidence, survey);
    is_good = is_good && grain_of(grain, ink, mean, evidence->mask, evidence) &&
              plane_count(count, evidence->mask, evidence->width, evidence->height, DENSE_RADIUS) &&
              plane_count(grainy, grain, evidence->width, evidence->height, DENSE_RADIUS) &&
              plane_count(inky, ink, evidence->width, evidence->height, DENSE_RADIUS);
    for (size_t i = 0; is_good && i < n; i++) {
        bool is_dense = (double)count[i] > DENSE_SHARE * square;
        bool is_grainy = (double)grainy[i] > GRAINY_SHARE * (double)count[i];

        bool is_inky = (double)inky[i] > INKY_SHARE * (double)count[i];

        evidence->mask[i] = evidence->mask[i] && is_dense && is_grainy && !is_inky ? 255 : 0;
    }
    is_good = is_good && majority(evidence->mask, evidence->width, evidence->height);
    free(mean);
    free(grain);
    free(count);
    free(grainy);
    free(ink);
    free(inky);
    return is_good;
}

bool evidence_gather(struct evidence *evidence, const struct survey *survey, struct error **err)
{
    *evidence = (struct evidence){.reduction = reduction_of(survey)};
    evidence->width = survey->width_px / evidence->reduction;
    evidence->height = survey->height_px / evidence->reduction;
    evidence->mask = calloc((size_t)evidence->width * (size_t)evidence->height, 1);
    if (evidence->mask == NULL || !gather_living(evidence, survey) ||
        (!evidence->is_living && !gather_shining(evidence, survey))) {
        evidence_free(evidence);
        return error_memory(err);
    }
    return true;
}

void evidence_free(struct evidence *evidence)
{
    if (evidence == NULL)
        return;
    free(evidence->mask);
    evidence->mask = NULL;
}
