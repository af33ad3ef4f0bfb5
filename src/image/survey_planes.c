#include "image/survey_internal.h"

#include "base/wide.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/** Frames taken before the step between them doubles: the spread stays even, the work bounded. */
enum { FRAMES_PER_STEP = 64 };

static bool planes_size(struct survey_planes *planes, const struct frame *frame, struct error **err)
{
    size_t n = (size_t)frame->width_px * (size_t)frame->height_px;

    planes->width_px = frame->width_px;
    planes->height_px = frame->height_px;
    planes->step = 1;
    planes->sum = calloc(n, sizeof *planes->sum);
    planes->square = calloc(n, sizeof *planes->square);
    planes->highest = calloc(n, 1);
    planes->lowest = malloc(n);
    if (!planes->sum || !planes->square || !planes->highest || !planes->lowest)
        return error_memory(err);
    memset(planes->lowest, 255, n);
    return true;
}

static bool planes_colour(struct survey_planes *planes, const struct frame *frame, struct error **err)
{
    size_t n = (size_t)frame->width_px * (size_t)frame->height_px;

    if (frame->colour == NULL)
        return true;
    if (planes->colour == NULL)
        /* NOLINTNEXTLINE(clang-analyzer-optin.portability.UnixAPI): every frame has pixels */
        planes->colour = calloc(n, 1);
    if (planes->colour == NULL)
        return error_memory(err);
    for (size_t i = 0; i < n; i++)
        planes->colour[i] = frame->colour[i] > planes->colour[i] ? frame->colour[i] : planes->colour[i];
    return true;
}

WIDE static void add_sums(uint32_t *restrict sum, uint64_t *restrict square, const uint8_t *restrict luma,
                          size_t n, uint32_t weight)
{
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        uint32_t value = luma[i];
        uint32_t weighed = weight * value;

        sum[i] += weighed;
        square[i] += (uint64_t)(weighed * value);
    }
}

WIDE static void stretch_range(uint8_t *restrict lowest, uint8_t *restrict highest,
                               const uint8_t *restrict luma, size_t n)
{
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        highest[i] = luma[i] > highest[i] ? luma[i] : highest[i];
        lowest[i] = luma[i] < lowest[i] ? luma[i] : lowest[i];
    }
}

bool survey_planes_add(struct survey_planes *planes, const struct frame *frame, struct error **err)
{
    size_t n = (size_t)frame->width_px * (size_t)frame->height_px;
    uint32_t weight = 0;

    if (planes->sum == NULL && !planes_size(planes, frame, err))
        return false;
    if (planes->n_seen++ % planes->step != 0)
        return true;
    weight = (uint32_t)planes->step;
    add_sums(planes->sum, planes->square, frame->luma, n, weight);
    stretch_range(planes->lowest, planes->highest, frame->luma, n);
    planes->weight += weight;
    planes->n_taken++;
    if (planes->n_taken % FRAMES_PER_STEP == 0 && planes->step < 16384) {
        planes->step *= 2;
        planes->n_seen = 0;
    }
    return planes_colour(planes, frame, err);
}

bool survey_planes_finish(struct survey_planes *planes, struct survey *survey, struct error **err)
{
    size_t n = (size_t)planes->width_px * (size_t)planes->height_px;
    float *mean = malloc(n * sizeof *mean);
    float *deviation = malloc(n * sizeof *deviation);

    if (mean == NULL || deviation == NULL) {
        free(mean);
        free(deviation);
        return error_memory(err);
    }
    for (size_t i = 0; i < n; i++) {
        double average = (double)planes->sum[i] / planes->weight;
        double variance = (double)planes->square[i] / planes->weight - average * average;

        mean[i] = (float)average;
        deviation[i] = variance > 0 ? (float)sqrt(variance) : 0.0F;
    }
    free(survey->mean);
    free(survey->deviation);
    free(survey->highest);
    free(survey->lowest);
    free(survey->colour);
    survey->mean = mean;
    survey->deviation = deviation;
    survey->highest = planes->highest;
    survey->lowest = planes->lowest;
    survey->colour = planes->colour;
    planes->highest = planes->lowest = planes->colour = NULL;
    return true;
}

void survey_planes_free(struct survey_planes *planes)
{
    if (planes == NULL)
        return;
    free(planes->sum);
    free(planes->square);
    free(planes->highest);
    free(planes->lowest);
    free(planes->colour);
    *planes = (struct survey_planes){0};
}

int survey_tint(const struct survey *survey, const uint8_t *mask, int width, int height, int reduction)
{
    size_t bins[256] = {0};
    size_t n_all = 0;
    size_t below = 0;

    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            if (mask[(size_t)y * (size_t)width + (size_t)x] != 0) {
                bins[survey->colour[(size_t)(y * reduction) * (size_t)survey->width_px +
                                    (size_t)(x * reduction)]]++;
                n_all++;
            }
    for (int i = 0; i < 256; i++) {
        below += bins[i];
        if (2 * below >= n_all)
            return i;
    }
    return 0;
}
