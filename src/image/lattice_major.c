#include "image/mark_internal.h"
#include "image/plane_internal.h"

#include <math.h>
#include <stdlib.h>

/* Common practice, no source. */
static const double LONGER_SHARE = 0.85; /* of pairs of a major and a minor tick */
static const double LONGER_SHARE_FEW = 0.95;
static const double SIZE_RATIO = 1.25;   /* of a major tick to a minor one */
static const double NUMBER_GAP = 0.03;   /* of the width: how far off a number stands */
static const double NUMBER_HIGH = 0.012; /* of the height: half of its own */
static const double LARGER_OTHERS = 0.8; /* quantile */
enum { NUMBER_MIN_PX = 8, BESIDE_PX = 1, TICK_HIGH_PX = 3 };

/** Half of the height of a number beside a tick. */
static int number_high_px(const struct marks *marks, double spacing_px)
{
    return (int)lround(fmin(NUMBER_HIGH * marks->height_px, spacing_px / 3));
}

static bool is_stroke(const struct marks *marks, int x, int y)
{
    return x >= 0 && x < marks->width_px && y >= 0 && y < marks->height_px &&
           marks->strokes[(size_t)y * (size_t)marks->width_px + (size_t)x] != 0;
}

/** Does a stroke stand above or below a place, too far off to be a tick's? That of a number beside one is. */
static bool is_of_number(const struct marks *marks, int x, int y, int high_px)
{
    for (int away = TICK_HIGH_PX; away <= high_px; away++)
        if (is_stroke(marks, x, y - away) || is_stroke(marks, x, y + away))
            return true;
    return false;
}

/** What stands out at each place of a row, from its shortest mark's reach to its longest's, numbers left out:
 * ticks that were too faint for marks have a size as well. NAN where there is nothing. */
static void read_sizes(const struct lattice *lattice, const struct marks *marks, float *sizes)
{
    int high_px = number_high_px(marks, lattice->spacing_px);
    int left = marks->width_px;
    int right = 0;

    for (int k = 0; k < lattice->n_places; k++)
        if (lattice->members[k] != SIZE_MAX) {
            const struct mark *mark = &marks->items[lattice->members[k]];

            left = mark->left_px < left ? mark->left_px : left;
            right = mark->right_px > right ? mark->right_px : right;
        }
    for (int k = 0; k < lattice->n_places; k++) {
        double y_px = lattice->first_px + lattice->spacing_px * k;
        float sum = 0;

        for (int x = left - BESIDE_PX; x <= right + BESIDE_PX; x++)
            if (!is_of_number(marks, x, (int)lround(y_px), high_px))
                sum += marks_ridge_at(marks, x, y_px, 0, 1);
        sizes[k] = sum > 0 ? sum : NAN;
    }
}

/** Sizes at places k = phase (mod every), or at all others; returns how many. */
static size_t sizes_at(const float *sizes, int n_places, int every, int phase, bool is_at, float *picked)
{
    size_t n = 0;

    for (int k = 0; k < n_places; k++)
        if (isfinite(sizes[k]) && (k % every == phase) == is_at)
            picked[n++] = sizes[k];
    return n;
}

/** How often a size of the first list exceeds one of the second, ties counting half (0..1). */
static double share_longer(const float *at, size_t n_at, const float *others, size_t n_others)
{
    double wins = 0;

    for (size_t i = 0; i < n_at; i++)
        for (size_t j = 0; j < n_others; j++)
            wins += at[i] > others[j] ? 1 : at[i] < others[j] ? 0 : 0.5;
    return wins / (double)(n_at * n_others);
}

/** True when the marks at `phase` are larger than nearly all others, and by a good part than the larger of
 * these: among ticks of two lengths by turns some are always the largest. Tissue under a ruler may shorten
 * some. */
static bool stands_out(const float *sizes, int n_places, int every, int phase, float *typical)
{
    float at[2 * LATTICE_PLACES_MAX + 1];
    float others[2 * LATTICE_PLACES_MAX + 1];
    size_t n_at = sizes_at(sizes, n_places, every, phase, true, at);
    size_t n_others = sizes_at(sizes, n_places, every, phase, false, others);

    if (n_at < 2 || n_others < 2)
        return false;
    *typical = plane_quantile(at, n_at, n_at < 4 ? 0.2 : 0.5);
    return plane_quantile(at, n_at, 0.5) >=
               (float)SIZE_RATIO * plane_quantile(others, n_others, LARGER_OTHERS) &&
           share_longer(at, n_at, others, n_others) >= (n_at < 4 ? LONGER_SHARE_FEW : LONGER_SHARE);
}

int lattice_major_every(const struct lattice *lattice, const struct marks *marks)
{
    static const int tried[] = {10, 5, 2};
    float sizes[2 * LATTICE_PLACES_MAX + 1];

    read_sizes(lattice, marks, sizes);
    for (size_t i = 0; i < sizeof tried / sizeof tried[0]; i++)
        for (int phase = 0; phase < tried[i]; phase++) {
            float typical = 0;
            float half_way[2 * LATTICE_PLACES_MAX + 1];
            size_t n = 0;

            if (!stands_out(sizes, lattice->n_places, tried[i], phase, &typical))
                continue;
            if (tried[i] != 10)
                return tried[i];
            n = sizes_at(sizes, lattice->n_places, 10, (phase + 5) % 10, true, half_way);
            if (n == 0 || typical > 1.15F * plane_quantile(half_way, n, 0.5))
                return 10;
        }
    return 0;
}

/** Is there a number beside a mark: strokes at its height, a short way off, that do not go on as a line of
 * text? */
static bool has_number(const struct marks *marks, const struct mark *mark, double spacing_px)
{
    int gap = (int)lround(NUMBER_GAP * marks->width_px);
    int high = number_high_px(marks, spacing_px);

    for (int way = -1; way <= 1; way += 2) {
        int from = way < 0 ? mark->left_px : mark->right_px;
        int n_strokes = 0;

        for (int i = 3; i <= gap; i++)
            for (int y = (int)mark->y_px - high; y <= (int)mark->y_px + high; y++)
                n_strokes += is_stroke(marks, from + way * i, y);
        if (n_strokes >= NUMBER_MIN_PX && !marks_has_text_beside(marks, mark))
            return true;
    }
    return false;
}

int lattice_number_every(const struct lattice *lattice, const struct marks *marks)
{
    static const int tried[] = {1, 2, 5, 10};
    bool has[2 * LATTICE_PLACES_MAX + 1] = {false};
    int n_numbers = 0;

    for (int k = 0; k < lattice->n_places; k++) {
        has[k] = lattice->members[k] != SIZE_MAX &&
                 has_number(marks, &marks->items[lattice->members[k]], lattice->spacing_px);
        n_numbers += has[k];
    }
    for (size_t i = 0; i < sizeof tried / sizeof tried[0]; i++)
        for (int phase = 0; phase < tried[i]; phase++) {
            int n_at = 0;
            int n_with = 0;

            for (int k = phase; k < lattice->n_places; k += tried[i]) {
                n_at++;
                n_with += has[k];
            }
            if (n_with >= 2 && 4 * n_with >= 3 * n_at && 4 * (n_numbers - n_with) <= n_numbers)
                return tried[i];
        }
    return 0;
}
