#include "image/plane_internal.h"

#include <gsl/gsl_sort_float.h>
#include <stdlib.h>
#include <string.h>

static int least(int a, int b)
{
    return a < b ? a : b;
}

static int most(int a, int b)
{
    return a > b ? a : b;
}

/** Sums over rows first, then over columns; each in one running sum. */
bool plane_count(uint32_t *count, const uint8_t *mask, int width, int height, int radius)
{
    uint32_t *rows = calloc((size_t)width * (size_t)height, sizeof *rows);
    uint32_t *sums = calloc((size_t)width, sizeof *sums);

    if (rows == NULL || sums == NULL) {
        free(rows);
        free(sums);
        return false;
    }
    for (int y = 0; y < height; y++) {
        const uint8_t *in = mask + (size_t)y * (size_t)width;
        uint32_t *out = rows + (size_t)y * (size_t)width;
        uint32_t sum = 0;

        for (int x = 0; x < least(radius, width); x++)
            sum += in[x] != 0;
        for (int x = 0; x < width; x++) {
            if (x + radius < width)
                sum += in[x + radius] != 0;
            out[x] = sum;
            if (x - radius >= 0)
                sum -= in[x - radius] != 0;
        }
    }
    for (int y = 0; y < least(radius, height); y++)
        for (int x = 0; x < width; x++)
            sums[x] += rows[(size_t)y * (size_t)width + (size_t)x];
    for (int y = 0; y < height; y++) {
        const uint32_t *entering = rows + (size_t)least(y + radius, height - 1) * (size_t)width;
        const uint32_t *leaving = rows + (size_t)most(y - radius, 0) * (size_t)width;
        bool has_entering = y + radius < height;
        bool has_leaving = y - radius >= 0;

        for (int x = 0; x < width; x++) {
            sums[x] += has_entering ? entering[x] : 0;
            count[(size_t)y * (size_t)width + (size_t)x] = sums[x];
            sums[x] -= has_leaving ? leaving[x] : 0;
        }
    }
    free(rows);
    free(sums);
    return true;
}

/** How many places a square around (x, y) has within the plane. */
static uint32_t square_size(int x, int y, int width, int height, int radius)
{
    int across = least(x + radius, width - 1) - most(x - radius, 0) + 1;
    int down = least(y + radius, height - 1) - most(y - radius, 0) + 1;

    return (uint32_t)(across * down);
}

static bool plane_morph(uint8_t *out, const uint8_t *mask, int width, int height, int radius, bool is_growing)
{
    uint32_t *count = malloc((size_t)width * (size_t)height * sizeof *count);
    size_t i = 0;

    if (count == NULL || !plane_count(count, mask, width, height, radius)) {
        free(count);
        return false;
    }
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++, i++) {
            uint32_t wanted = is_growing ? 1 : square_size(x, y, width, height, radius);

            out[i] = count[i] >= wanted ? 255 : 0;
        }
    free(count);
    return true;
}

bool plane_grow(uint8_t *out, const uint8_t *mask, int width, int height, int radius)
{
    return plane_morph(out, mask, width, height, radius, true);
}

bool plane_shrink(uint8_t *out, const uint8_t *mask, int width, int height, int radius)
{
    return plane_morph(out, mask, width, height, radius, false);
}

bool plane_blur(float *out, const float *in, int width, int height, int radius)
{
    double *rows = calloc((size_t)width * (size_t)height, sizeof *rows);
    double *sums = calloc((size_t)width, sizeof *sums);

    if (rows == NULL || sums == NULL) {
        free(rows);
        free(sums);
        return false;
    }
    for (int y = 0; y < height; y++) {
        const float *from = in + (size_t)y * (size_t)width;
        double *to = rows + (size_t)y * (size_t)width;
        double sum = 0;

        for (int x = 0; x < least(radius, width); x++)
            sum += (double)from[x];
        for (int x = 0; x < width; x++) {
            sum += x + radius < width ? (double)from[x + radius] : 0;
            to[x] = sum;
            sum -= x - radius >= 0 ? (double)from[x - radius] : 0;
        }
    }
    for (int y = 0; y < least(radius, height); y++)
        for (int x = 0; x < width; x++)
            sums[x] += rows[(size_t)y * (size_t)width + (size_t)x];
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            sums[x] += y + radius < height ? rows[(size_t)(y + radius) * (size_t)width + (size_t)x] : 0;
            out[(size_t)y * (size_t)width + (size_t)x] =
                (float)(sums[x] / (double)square_size(x, y, width, height, radius));
            sums[x] -= y - radius >= 0 ? rows[(size_t)(y - radius) * (size_t)width + (size_t)x] : 0;
        }
    free(rows);
    free(sums);
    return true;
}

/** Labels what is connected to `start` with a stack that holds each place once. */
static void flood(int32_t *labels, const uint8_t *mask, int width, int height, size_t start, int32_t label,
                  size_t *stack)
{
    size_t n = 0;

    labels[start] = label;
    stack[n++] = start;
    while (n > 0) {
        size_t at = stack[--n];
        int x = (int)(at % (size_t)width);
        int y = (int)(at / (size_t)width);

        for (int v = most(y - 1, 0); v <= least(y + 1, height - 1); v++)
            for (int u = most(x - 1, 0); u <= least(x + 1, width - 1); u++) {
                size_t next = (size_t)v * (size_t)width + (size_t)u;

                if (mask[next] == 0 || labels[next] != 0)
                    continue;
                labels[next] = label;
                stack[n++] = next;
            }
    }
}

int plane_label(int32_t *labels, const uint8_t *mask, int width, int height)
{
    size_t n = (size_t)width * (size_t)height;
    size_t *stack = malloc(n * sizeof *stack);
    int32_t label = 0;

    if (stack == NULL)
        return -1;
    memset(labels, 0, n * sizeof *labels);
    for (size_t i = 0; i < n; i++)
        if (mask[i] != 0 && labels[i] == 0)
            flood(labels, mask, width, height, i, ++label, stack);
    free(stack);
    return label;
}

float plane_quantile(const float *values, size_t n, double share)
{
    float *sorted = n ? malloc(n * sizeof *sorted) : NULL;
    float found = 0;

    if (sorted == NULL)
        return 0;
    memcpy(sorted, values, n * sizeof *sorted);
    gsl_sort_float(sorted, 1, n);
    found = sorted[(size_t)(share * (double)(n - 1) + 0.5)];
    free(sorted);
    return found;
}
