#include "image/mark_internal.h"
#include "image/plane_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source. */
static const double ALIGNED_PX = 1.6; /* marks of one row are lined up at an end or the middle within this */
static const double SPACING_MIN_PX = 4.0;
static const double SPACING_MAX_SHARE = 0.3; /* of the picture's depth */
static const double SPAN_SHARE = 0.4;        /* of the picture's depth that a ruler covers at least */
static const double MISSING_SHARE = 0.15;    /* of the places that may be without a mark */
static const double RESIDUAL_SHARE = 0.03;   /* of the spacing */
static const double RESIDUAL_MAX_PX = 0.8;   /* marks drawn on whole pixels leave 0.3 */
static const double TEXT_LONG = 0.05;  /* of the width: beside a tick stands a number at most, not a line */
static const double TEXT_GAP = 0.02;   /* of the width: between letters and words */
static const double SIZE_RATIO = 1.25; /* of a major tick to a minor one */
enum { HITS_MIN = 4, PLACES_MAX = 600, N_ALIGNMENTS = 3 };

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
            mark_near(column, y_px + way * step_px, fmin(1.2, 0.2 * spacing_px) + 0.02 * spacing_px);

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

/** How far strokes go on beside a mark, at its height: short for a number, long for a line of text. */
static int text_beside(const struct marks *marks, const struct mark *mark)
{
    int gap = (int)lround(TEXT_GAP * marks->width_px);
    int band = (int)lround(0.006 * marks->height_px) + 2;
    int y_from = (int)mark->y_px - band < 0 ? 0 : (int)mark->y_px - band;
    int y_to = (int)mark->y_px + band >= marks->height_px ? marks->height_px - 1 : (int)mark->y_px + band;
    int longest = 0;

    for (int way = -1; way <= 1; way += 2) {
        int last = way < 0 ? mark->left_px : mark->right_px;
        int start = last;

        for (int x = start + way; x >= 0 && x < marks->width_px && abs(x - last) <= gap; x += way) {
            bool is_stroke = false;

            for (int y = y_from; y <= y_to && !is_stroke; y++)
                is_stroke = marks->strokes[(size_t)y * (size_t)marks->width_px + (size_t)x] != 0;
            last = is_stroke ? x : last;
        }
        longest = abs(last - start) > longest ? abs(last - start) : longest;
    }
    return longest;
}

/** Lines of a list are evenly spaced too: then most marks have a line of text beside them. */
static bool is_text(const struct marks *marks, const struct mark *const *members, int n)
{
    int n_text = 0;
    int n_marks = 0;

    for (int k = 0; k < n; k++) {
        if (members[k] == NULL)
            continue;
        n_marks++;
        n_text += text_beside(marks, members[k]) > TEXT_LONG * marks->width_px;
    }
    return 5 * n_text > 2 * n_marks;
}

static bool is_ruler_like(const struct lattice *lattice, double depth_px)
{
    int n_missing = lattice->n_places - lattice->n_hits;
    double span_px = (lattice->n_places - 1) * lattice->spacing_px;

    return lattice->n_hits >= HITS_MIN && n_missing <= MISSING_SHARE * lattice->n_places &&
           lattice->residual_px <= fmin(RESIDUAL_MAX_PX, RESIDUAL_SHARE * lattice->spacing_px + 0.15) &&
           span_px >= SPAN_SHARE * depth_px;
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
    const struct mark *up[PLACES_MAX];
    const struct mark *members[2 * PLACES_MAX + 1];
    struct lattice found = {.x_px = x_px};
    double spacing_px = column->marks[j]->y_px - column->marks[i]->y_px;
    int n_up = walk(column, column->marks[i], spacing_px, -1, up, PLACES_MAX);
    int n = 0;

    for (int k = n_up; k-- > 0;)
        members[n++] = up[k];
    members[n++] = column->marks[i];
    n += walk(column, column->marks[i], spacing_px, 1, members + n, PLACES_MAX);
    fit_lattice(&found, members, n);
    if (is_ruler_like(&found, depth_px) && is_better(&found, best) && !is_text(marks, members, n))
        keep(best, &found, members, marks);
}

static void search_column(struct lattice *best, const struct marks *marks, struct column *column,
                          double depth_px, double x_px)
{
    qsort(column->marks, column->n, sizeof *column->marks, compare_by_y);
    for (size_t i = 0; i + 1 < column->n; i++)
        for (size_t j = i + 1; j < column->n; j++) {
            double spacing_px = column->marks[j]->y_px - column->marks[i]->y_px;

            if (spacing_px > SPACING_MAX_SHARE * depth_px)
                break;
            if (spacing_px >= SPACING_MIN_PX)
                try_pair(best, marks, column, i, j, depth_px, x_px);
        }
}

bool lattice_find(struct lattice *lattice, const struct marks *marks, double picture_top_px,
                  double picture_bottom_px, struct error **err)
{
    double depth_px = picture_bottom_px - picture_top_px + 1;
    struct column column = {.marks = malloc((marks->n + 1) * sizeof *column.marks)};

    *lattice = (struct lattice){.members = malloc((2 * PLACES_MAX + 1) * sizeof *lattice->members)};
    if (column.marks == NULL || lattice->members == NULL) {
        free(column.marks);
        lattice_free(lattice);
        return error_memory(err);
    }
    for (int alignment = 0; alignment < N_ALIGNMENTS; alignment++)
        for (int x = 0; x < marks->width_px; x++) {
            column.n = 0;
            for (size_t i = 0; i < marks->n; i++)
                if (fabs(anchor(&marks->items[i], alignment) - x) <= ALIGNED_PX &&
                    marks->items[i].y_px > picture_top_px - 0.15 * depth_px &&
                    marks->items[i].y_px < picture_bottom_px + 0.15 * depth_px)
                    column.marks[column.n++] = &marks->items[i];
            if (column.n >= HITS_MIN)
                search_column(lattice, marks, &column, depth_px, x);
        }
    free(column.marks);
    return true;
}

void lattice_free(struct lattice *lattice)
{
    if (lattice == NULL)
        return;
    free(lattice->members);
    *lattice = (struct lattice){0};
}

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

/** True when the marks at `phase` stand out by their length from nearly all others. */
static bool stands_out(const struct lattice *lattice, const struct marks *marks, int every, int phase,
                       float *typical)
{
    float at[2 * PLACES_MAX + 1];
    float others[2 * PLACES_MAX + 1];
    size_t n_at = sizes_at(lattice, marks, every, phase, true, at);
    size_t n_others = sizes_at(lattice, marks, every, phase, false, others);

    *typical = plane_quantile(at, n_at, 0.5);
    return n_at >= 2 && n_others >= 2 &&
           plane_quantile(at, n_at, 0.2) >= (float)SIZE_RATIO * plane_quantile(others, n_others, 0.8);
}

int lattice_major_every(const struct lattice *lattice, const struct marks *marks)
{
    static const int tried[] = {10, 5, 2};

    for (size_t i = 0; i < sizeof tried / sizeof tried[0]; i++)
        for (int phase = 0; phase < tried[i]; phase++) {
            float typical = 0;
            float half_way = 0;
            float sizes[2 * PLACES_MAX + 1];
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
