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
enum { NUMBER_MIN_PX = 8 };

/** Sizes of the marks at places k = phase (mod every), or of all others; returns how many. */
static size_t sizes_at(const struct lattice *lattice, const struct marks *marks, int every, int phase,
                       bool is_at, float *sizes)
{
    size_t n = 0;

    for (int k = 0; k < lattice->n_places; k++)
        if (lattice->members[k] != SIZE_MAX && (k % every == phase) == is_at)
            sizes[n++] = (float)(marks->items[lattice->members[k]].right_px -
                                 marks->items[lattice->members[k]].left_px + 1);
    return n;
}

/** How often a length of the first list exceeds one of the second, ties counting half (0..1). */
static double share_longer(const float *at, size_t n_at, const float *others, size_t n_others)
{
    double wins = 0;

    for (size_t i = 0; i < n_at; i++)
        for (size_t j = 0; j < n_others; j++)
            wins += at[i] > others[j] ? 1 : at[i] < others[j] ? 0 : 0.5;
    return wins / (double)(n_at * n_others);
}

/** True when the marks at `phase` are longer than nearly all others; tissue under a ruler may shorten some.
 */
static bool stands_out(const struct lattice *lattice, const struct marks *marks, int every, int phase,
                       float *typical)
{
    float at[2 * LATTICE_PLACES_MAX + 1];
    float others[2 * LATTICE_PLACES_MAX + 1];
    size_t n_at = sizes_at(lattice, marks, every, phase, true, at);
    size_t n_others = sizes_at(lattice, marks, every, phase, false, others);

    *typical = plane_quantile(at, n_at, n_at < 4 ? 0.2 : 0.5);
    return n_at >= 2 && n_others >= 2 &&
           plane_quantile(at, n_at, 0.5) >= (float)SIZE_RATIO * plane_quantile(others, n_others, 0.5) &&
           share_longer(at, n_at, others, n_others) >= (n_at < 4 ? LONGER_SHARE_FEW : LONGER_SHARE);
}

int lattice_major_every(const struct lattice *lattice, const struct marks *marks)
{
    static const int tried[] = {10, 5, 2};

    for (size_t i = 0; i < sizeof tried / sizeof tried[0]; i++)
        for (int phase = 0; phase < tried[i]; phase++) {
            float typical = 0;
            float half_way = 0;
            float sizes[2 * LATTICE_PLACES_MAX + 1];
            size_t n = 0;

            if (!stands_out(lattice, marks, tried[i], phase, &typical))
                continue;
            if (tried[i] != 10)
                return tried[i];
            for (int k = 0; k < lattice->n_places; k++)
                if (k % 10 == (phase + 5) % 10 && lattice->members[k] != SIZE_MAX)
                    sizes[n++] = (float)(marks->items[lattice->members[k]].right_px -
                                         marks->items[lattice->members[k]].left_px + 1);
            half_way = plane_quantile(sizes, n, 0.5);
            if (typical > 1.15F * half_way)
                return 10;
        }
    return 0;
}

/** Is there a number beside a mark: strokes at its height, a short way off, that do not go on as a line of
 * text? */
static bool has_number(const struct marks *marks, const struct mark *mark, double spacing_px)
{
    int gap = (int)lround(NUMBER_GAP * marks->width_px);
    int high = (int)lround(fmin(NUMBER_HIGH * marks->height_px, spacing_px / 3));

    for (int way = -1; way <= 1; way += 2) {
        int from = way < 0 ? mark->left_px : mark->right_px;
        int n_strokes = 0;

        for (int i = 3; i <= gap; i++)
            for (int y = (int)mark->y_px - high; y <= (int)mark->y_px + high; y++) {
                int x = from + way * i;

                if (x >= 0 && x < marks->width_px && y >= 0 && y < marks->height_px)
                    n_strokes += marks->strokes[(size_t)y * (size_t)marks->width_px + (size_t)x] != 0;
            }
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
