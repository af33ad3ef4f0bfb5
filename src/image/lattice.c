#include "image/mark_internal.h"

#include <math.h>
#include <stdlib.h>

/* Common practice, no source. */
static const double ALIGNED_PX = 1.6; /* marks of one row are lined up at an end or the middle within this */
static const double SPACING_MIN_PX = 3.0;
static const double SPACING_MAX_SHARE = 0.3; /* of the picture's depth */
static const double FRAME_SHARE = 0.6;       /* of the frame: depth of a picture that is mostly dark */
enum { LATTICE_ALIGNMENTS = 3 };

struct column {
    const struct mark **marks; /* by y */
    size_t n;
};

static double anchor(const struct mark *mark, int alignment)
{
    if (alignment == 0)
        return mark->left_px;
    if (alignment == 1)
        return mark->right_px;
    return mark->x_px;
}

static int compare_by_y(const void *left, const void *right)
{
    const struct mark *a = *(const struct mark *const *)left;
    const struct mark *b = *(const struct mark *const *)right;

    if (a->y_px != b->y_px)
        return a->y_px < b->y_px ? -1 : 1;
    return (a > b) - (a < b);
}

/** The mark nearest to y among a column's, or NULL when none is within reach. */
static const struct mark *mark_near(const struct column *column, double y_px, double reach_px)
{
    size_t low = 0;
    size_t high = column->n;
    const struct mark *best = NULL;

    while (low < high) {
        size_t middle = (low + high) / 2;

        if (column->marks[middle]->y_px < y_px - reach_px)
            low = middle + 1;
        else
            high = middle;
    }
    for (; low < column->n && column->marks[low]->y_px <= y_px + reach_px; low++)
        if (best == NULL || fabs(column->marks[low]->y_px - y_px) < fabs(best->y_px - y_px))
            best = column->marks[low];
    return best;
}

/** Walks from one mark in steps of the spacing, correcting itself, until two places in a row are empty. */
static int walk(const struct column *column, const struct mark *from, double spacing_px, int way,
                const struct mark **found, int room)
{
    double y_px = from->y_px;
    double step_px = spacing_px;
    int n = 0;
    int n_missing = 0;
    int last = 0;

    while (n < room && n_missing < 2) {
        const struct mark *mark =
            mark_near(column, y_px + way * step_px, fmin(1.2, 0.33 * spacing_px) + 0.02 * spacing_px);

        found[n++] = mark;
        y_px = mark ? mark->y_px : y_px + way * step_px;
        n_missing = mark ? 0 : n_missing + 1;
        last = mark ? n : last;
        if (last > 2)
            step_px = 0.8 * step_px + 0.2 * fabs(y_px - from->y_px) / n;
    }
    return last;
}

/** Fits first and spacing by least squares; members holds NULL where a mark is missing. */
static void fit_lattice(struct lattice *lattice, const struct mark *const *members, int n)
{
    double sum = 0;
    double mean_k = 0;
    double mean_y = 0;
    double ky = 0;
    double kk = 0;
    double left = 0;

    for (int k = 0; k < n; k++)
        if (members[k] != NULL) {
            sum++;
            mean_k += k;
            mean_y += members[k]->y_px;
        }
    mean_k /= sum;
    mean_y /= sum;
    for (int k = 0; k < n; k++)
        if (members[k] != NULL) {
            ky += (k - mean_k) * (members[k]->y_px - mean_y);
            kk += (k - mean_k) * (k - mean_k);
        }
    lattice->n_hits = (int)sum;
    lattice->n_places = n;
    lattice->spacing_px = kk > 0 ? ky / kk : 0;
    lattice->first_px = mean_y - lattice->spacing_px * mean_k;
    for (int k = 0; k < n; k++)
        if (members[k] != NULL)
            left += pow(members[k]->y_px - lattice->first_px - lattice->spacing_px * k, 2);
    lattice->residual_px = sqrt(left / sum);
}

/** More marks are better; at the same number, the longer and then the straighter row. */
static bool is_better(const struct lattice *a, const struct lattice *b)
{
    if (a->n_hits != b->n_hits)
        return a->n_hits > b->n_hits;
    return a->residual_px < b->residual_px - 1e-9;
}

static void keep(struct lattice *best, const struct lattice *found, const struct mark *const *members,
                 const struct marks *marks)
{
    size_t *kept = best->members;

    *best = *found;
    best->members = kept;
    for (int k = 0; k < found->n_places; k++)
        best->members[k] = members[k] ? (size_t)(members[k] - marks->items) : SIZE_MAX;
}

static void try_pair(struct lattice *best, const struct marks *marks, const struct column *column, size_t i,
                     size_t j, double depth_px, double x_px)
{
    const struct mark *up[LATTICE_PLACES_MAX];
    const struct mark *members[2 * LATTICE_PLACES_MAX + 1];
    struct lattice found = {.x_px = x_px};
    double spacing_px = column->marks[j]->y_px - column->marks[i]->y_px;
    int n_up = walk(column, column->marks[i], spacing_px, -1, up, LATTICE_PLACES_MAX);
    int n = 0;

    for (int k = n_up; k-- > 0;)
        members[n++] = up[k];
    members[n++] = column->marks[i];
    n += walk(column, column->marks[i], spacing_px, 1, members + n, LATTICE_PLACES_MAX);
    fit_lattice(&found, members, n);
    if (is_better(&found, best) && lattice_is_ruler(&found, marks, members, depth_px))
        keep(best, &found, members, marks);
}

static void search_column(struct lattice *best, const struct marks *marks, struct column *column,
                          double depth_px, double x_px)
{
    /* NOLINTNEXTLINE(bugprone-sizeof-expression): pointers are sorted */
    qsort(column->marks, column->n, sizeof *column->marks, compare_by_y);
    for (size_t i = 0; i + 1 < column->n; i++)
        for (size_t j = i + 1; j < column->n; j++) {
            double spacing_px = column->marks[j]->y_px - column->marks[i]->y_px;

            if (spacing_px > SPACING_MAX_SHARE * fmax(depth_px, FRAME_SHARE * marks->height_px))
                break;
            if (spacing_px >= SPACING_MIN_PX)
                try_pair(best, marks, column, i, j, depth_px, x_px);
        }
}

bool lattice_find(struct lattice *lattice, const struct marks *marks, double depth_px, int left_px,
                  int end_px, struct error **err)
{
    /* NOLINTNEXTLINE(bugprone-sizeof-expression): a list of pointers */
    struct column column = {.marks = malloc((marks->n + 1) * sizeof *column.marks)};

    *lattice = (struct lattice){.members = malloc((2 * LATTICE_PLACES_MAX + 1) * sizeof *lattice->members)};
    if (column.marks == NULL || lattice->members == NULL) {
        free(column.marks);
        lattice_free(lattice);
        return error_memory(err);
    }
    for (int alignment = 0; alignment < LATTICE_ALIGNMENTS; alignment++)
        for (int x = left_px > 0 ? left_px : 0; x < marks->width_px && x < end_px; x++) {
            column.n = 0;
            for (size_t i = 0; i < marks->n; i++)
                if (fabs(anchor(&marks->items[i], alignment) - x) <= ALIGNED_PX)
                    column.marks[column.n++] = &marks->items[i];
            if (column.n > 3)
                search_column(lattice, marks, &column, depth_px, x);
        }
    free(column.marks);
    lattice_divide(lattice, marks);
    return true;
}

void lattice_free(struct lattice *lattice)
{
    if (lattice == NULL)
        return;
    free(lattice->members);
    *lattice = (struct lattice){0};
}
