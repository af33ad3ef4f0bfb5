#include "image/mark_internal.h"
#include "image/plane_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source. */
static const double ALIGNED_PX = 1.6; /* marks of one row are lined up at an end or the middle within this */
static const double SPACING_MIN_PX = 3.0;
static const double SPACING_MAX_SHARE = 0.3; /* of the picture's depth */
static const double FRAME_SHARE = 0.6;       /* of the frame: depth of a picture that is mostly dark */
static const double SPAN_SHARE = 0.4;        /* of the picture's depth that a ruler covers at least */
static const double MISSING_SHARE = 0.15;    /* of the places that may be without a mark */
static const double RESIDUAL_SHARE = 0.03;   /* of the spacing */
static const double RESIDUAL_MAX_PX = 0.8;   /* marks drawn on whole pixels leave 0.3 */
static const double TEXT_LONG = 0.05;    /* of the width: beside a tick stands a number at most, not a line */
static const double TEXT_GAP = 0.02;     /* of the width: between letters and words */
static const double LONGER_SHARE = 0.85; /* of pairs of a major and a minor tick */
static const double LONGER_SHARE_FEW = 0.95;
static const double SIZE_RATIO = 1.25;    /* of a major tick to a minor one */
static const float CLUTTER_LEVEL = 20.0F; /* ridge of a stroke between two ticks */
static const double CLEAR_MIN_PX = 1.5;   /* from the middle of a tick: its own thickness */
static const double CLEAR_MAX_PX = 4.0;
static const double CLUTTER_MAX = 0.12;         /* of the length between ticks: a number or a focus mark */
static const double FEW_RESIDUAL_SHARE = 0.015; /* of the spacing, for a row of few marks */
static const double FAINT_SHARE = 0.15; /* of a found tick's ridge: ticks that escaped notice between them */
static const float FAINT_LEAST = 6.0F;
static const double ROUNDING_PX = 0.15;      /* that whole pixels add for close ticks */
static const double WHOLE_PIXELS_PX = 0.32;  /* a long row of marks drawn on whole pixels may leave this */
static const float CLASS_WITHIN = 0.15F;     /* of a length: ticks of one kind */
static const double ODD_LENGTHS_SHARE = 0.2; /* of the marks may be of neither kind */
static const double NUMBER_GAP = 0.03;       /* of the width: how far off a number stands */
static const double NUMBER_HIGH = 0.012;     /* of the height: half of its own */
enum { NUMBER_MIN_PX = 8 };
enum { HITS_MIN = 4, HITS_FEW = 6, HITS_MANY = 20, PLACES_MAX = 600, N_ALIGNMENTS = 3 };

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
    return 4 * n_text > 3 * n_marks; /* a ruler may stand beside a list of another spacing */
}

/** The strongest ridge near a place of the row. */
static float ridge_at(const struct marks *marks, double x_px, double y_px, int reach_x, int reach_y)
{
    float most = 0;

    for (int y = (int)lround(y_px) - reach_y; y <= (int)lround(y_px) + reach_y; y++)
        for (int x = (int)lround(x_px) - reach_x; x <= (int)lround(x_px) + reach_x; x++)
            if (x >= 0 && y >= 0 && x < marks->width_px && y < marks->height_px)
                most = fmaxf(most, marks->ridges[(size_t)y * (size_t)marks->width_px + (size_t)x]);
    return most;
}

static double middle_x(const struct mark *const *members, int n)
{
    double sum = 0;
    int n_marks = 0;

    for (int k = 0; k < n; k++)
        if (members[k] != NULL) {
            sum += (members[k]->left_px + members[k]->right_px) / 2.0;
            n_marks++;
        }
    return n_marks ? sum / n_marks : 0;
}

/** Between the ticks of a ruler there is nothing; between the letters of a word or of a list there are
 * strokes. */
static double clutter(const struct marks *marks, const struct lattice *lattice,
                      const struct mark *const *members)
{
    double x_px = middle_x(members, lattice->n_places);
    double clear_px = fmin(CLEAR_MAX_PX, fmax(CLEAR_MIN_PX, lattice->spacing_px / 4));
    int n = 0;
    int n_cluttered = 0;

    for (int k = 0; k + 1 < lattice->n_places; k++) {
        int from = (int)ceil(lattice->first_px + k * lattice->spacing_px + clear_px);
        int to = (int)floor(lattice->first_px + (k + 1) * lattice->spacing_px - clear_px);

        for (int y = from; y <= to; y++) {
            n++;
            n_cluttered += ridge_at(marks, x_px, y, 1, 0) >= CLUTTER_LEVEL;
        }
    }
    return n ? (double)n_cluttered / n : 0;
}

/** How many places without a mark have not even a faint one. */
static int count_missing(const struct marks *marks, const struct lattice *lattice,
                         const struct mark *const *members)
{
    double x_px = middle_x(members, lattice->n_places);
    float ridges[2 * PLACES_MAX + 1];
    double least = 0;
    size_t n = 0;
    int n_missing = 0;

    for (int k = 0; k < lattice->n_places; k++)
        if (members[k] != NULL)
            ridges[n++] = ridge_at(marks, x_px, members[k]->y_px, 2, 1);
    least = fmax((double)FAINT_LEAST, FAINT_SHARE * (double)plane_quantile(ridges, n, 0.5));
    for (int k = 0; k < lattice->n_places; k++)
        n_missing += members[k] == NULL &&
                     (double)ridge_at(marks, x_px, lattice->first_px + lattice->spacing_px * k, 2, 1) < least;
    return n_missing;
}

static float length_of(const struct mark *mark)
{
    return (float)(mark->right_px - mark->left_px + 1);
}

/** Takes the lengths near their median out of a list; returns how many remain. */
static size_t drop_class(float *lengths, size_t n)
{
    float middle = plane_quantile(lengths, n, 0.5);
    size_t n_left = 0;

    for (size_t i = 0; i < n; i++)
        if (fabsf(lengths[i] - middle) > fmaxf(1.0F, CLASS_WITHIN * middle))
            lengths[n_left++] = lengths[i];
    return n_left;
}

/** Ticks come in one or two lengths; strokes of letters in any. */
static bool are_alike(const struct mark *const *members, int n)
{
    float lengths[2 * PLACES_MAX + 1];
    size_t n_marks = 0;
    size_t n_left = 0;

    for (int k = 0; k < n; k++)
        if (members[k] != NULL)
            lengths[n_marks++] = length_of(members[k]);
    n_left = drop_class(lengths, n_marks);
    if (n_marks < HITS_FEW)
        return n_left <= 1;
    n_left = drop_class(lengths, n_left);
    return (double)n_left <= ODD_LENGTHS_SHARE * (double)n_marks;
}

static bool is_ruler_like(const struct lattice *lattice, const struct marks *marks,
                          const struct mark *const *members, double depth_px)
{
    double span_px = (lattice->n_places - 1) * lattice->spacing_px;
    bool is_few = lattice->n_hits < HITS_FEW;
    double share_px = RESIDUAL_SHARE * lattice->spacing_px;
    double residual_px =
        is_few ? FEW_RESIDUAL_SHARE * lattice->spacing_px : fmin(RESIDUAL_MAX_PX, share_px + ROUNDING_PX);

    if (lattice->n_hits >= HITS_MANY)
        residual_px = fmax(residual_px, WHOLE_PIXELS_PX);

    if (lattice->n_hits < HITS_MIN || 2 * lattice->n_hits < lattice->n_places ||
        span_px < SPAN_SHARE * depth_px || lattice->residual_px > residual_px ||
        !are_alike(members, lattice->n_places))
        return false;
    if (count_missing(marks, lattice, members) > (is_few ? 0 : MISSING_SHARE * lattice->n_places))
        return false;
    return !is_text(marks, members, lattice->n_places) &&
           clutter(marks, lattice, members) <= (is_few ? 0 : CLUTTER_MAX);
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
    if (is_better(&found, best) && is_ruler_like(&found, marks, members, depth_px))
        keep(best, &found, members, marks);
}

static void search_column(struct lattice *best, const struct marks *marks, struct column *column,
                          double depth_px, double x_px)
{
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

/** Median ridge at places k + share of the row, k = 0, 1, ... */
static double ridge_between(const struct marks *marks, const struct lattice *lattice, double x_px,
                            double share)
{
    float ridges[2 * PLACES_MAX + 1];
    size_t n = 0;

    for (int k = 0; k + 1 < lattice->n_places; k++)
        ridges[n++] = ridge_at(marks, x_px, lattice->first_px + lattice->spacing_px * (k + share), 2, 1);
    return (double)plane_quantile(ridges, n, 0.35);
}

/** Are there fainter ticks at all parts of the spacing, and nothing halfway between them? */
static bool has_faint_ticks(const struct marks *marks, const struct lattice *lattice, double x_px, int parts)
{
    double full = ridge_between(marks, lattice, x_px, 0);
    double least = fmax((double)FAINT_LEAST, FAINT_SHARE * full);

    for (int i = 1; i < parts; i++)
        if (ridge_between(marks, lattice, x_px, (double)i / parts) < least)
            return false;
    for (int i = 0; i < parts; i++)
        if (ridge_between(marks, lattice, x_px, (i + 0.5) / parts) > least / 2)
            return false;
    return true;
}

/** A row of which only every second or fifth tick was strong enough is divided: else the scale were a
 * multiple. */
static void divide(struct lattice *lattice, const struct marks *marks)
{
    static const int tried[] = {10, 5, 4, 3, 2};
    double x_px = 0;
    int n = 0;

    for (int k = 0; k < lattice->n_places; k++)
        if (lattice->members[k] != SIZE_MAX) {
            x_px += marks->items[lattice->members[k]].x_px;
            n++;
        }
    x_px = n ? x_px / n : 0;
    for (size_t i = 0; n > 0 && i < sizeof tried / sizeof tried[0]; i++) {
        int parts = tried[i];
        int n_places = (lattice->n_places - 1) * parts + 1;

        if (lattice->spacing_px / parts < SPACING_MIN_PX || n_places > 2 * PLACES_MAX ||
            !has_faint_ticks(marks, lattice, x_px, parts))
            continue;
        for (int k = n_places; k-- > 0;)
            lattice->members[k] = k % parts ? SIZE_MAX : lattice->members[k / parts];
        lattice->n_places = n_places;
        lattice->n_hits = n_places;
        lattice->spacing_px /= parts;
        return;
    }
}

bool lattice_find(struct lattice *lattice, const struct marks *marks, double depth_px, int left_px,
                  int end_px, struct error **err)
{
    struct column column = {.marks = malloc((marks->n + 1) * sizeof *column.marks)};

    *lattice = (struct lattice){.members = malloc((2 * PLACES_MAX + 1) * sizeof *lattice->members)};
    if (column.marks == NULL || lattice->members == NULL) {
        free(column.marks);
        lattice_free(lattice);
        return error_memory(err);
    }
    for (int alignment = 0; alignment < N_ALIGNMENTS; alignment++)
        for (int x = left_px > 0 ? left_px : 0; x < marks->width_px && x < end_px; x++) {
            column.n = 0;
            for (size_t i = 0; i < marks->n; i++)
                if (fabs(anchor(&marks->items[i], alignment) - x) <= ALIGNED_PX)
                    column.marks[column.n++] = &marks->items[i];
            if (column.n >= HITS_MIN)
                search_column(lattice, marks, &column, depth_px, x);
        }
    free(column.marks);
    divide(lattice, marks);
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
    float at[2 * PLACES_MAX + 1];
    float others[2 * PLACES_MAX + 1];
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
        if (n_strokes >= NUMBER_MIN_PX && text_beside(marks, mark) <= TEXT_LONG * marks->width_px)
            return true;
    }
    return false;
}

int lattice_number_every(const struct lattice *lattice, const struct marks *marks)
{
    static const int tried[] = {1, 2, 5, 10};
    bool has[2 * PLACES_MAX + 1];
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
