#include "image/mark_internal.h"
#include "image/plane_internal.h"

#include <math.h>
#include <stdlib.h>

/* Common practice, no source. */
static const double SPAN_SHARE = 0.4;      /* of the picture's depth that a ruler covers at least */
static const double MISSING_SHARE = 0.15;  /* of the places that may be without a mark */
static const double RESIDUAL_SHARE = 0.03; /* of the spacing */
static const double RESIDUAL_MAX_PX = 0.8; /* marks drawn on whole pixels leave 0.3 */
static const float CLUTTER_LEVEL = 20.0F;  /* ridge of a stroke between two ticks */
static const double CLEAR_MIN_PX = 1.5;    /* from the middle of a tick: its own thickness */
static const double CLEAR_MAX_PX = 4.0;
static const double CLUTTER_MAX = 0.12;         /* of the length between ticks: a number or a focus mark */
static const double FEW_RESIDUAL_SHARE = 0.015; /* of the spacing, for a row of few marks */
static const double FAINT_SHARE = 0.15; /* of a found tick's ridge: ticks that escaped notice between them */
static const float FAINT_LEAST = 6.0F;
static const double ROUNDING_PX = 0.15;      /* that whole pixels add for close ticks */
static const double WHOLE_PIXELS_PX = 0.32;  /* a long row of marks drawn on whole pixels may leave this */
static const float CLASS_WITHIN = 0.15F;     /* of a length: ticks of one kind */
static const double ODD_LENGTHS_SHARE = 0.2; /* of the marks may be of neither kind */
static const double PARTS_MIN_PX = 3.0;      /* between ticks that can be told apart */
enum { HITS_MIN = 4, HITS_FEW = 6, HITS_MANY = 20 };

/** Lines of a list are evenly spaced too: then most marks have a line of text beside them. */
static bool is_text(const struct marks *marks, const struct mark *const *members, int n)
{
    int n_text = 0;
    int n_marks = 0;

    for (int k = 0; k < n; k++) {
        if (members[k] == NULL)
            continue;
        n_marks++;
        n_text += marks_has_text_beside(marks, members[k]);
    }
    return 4 * n_text > 3 * n_marks; /* a ruler may stand beside a list of another spacing */
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
            n_cluttered += marks_ridge_at(marks, x_px, y, 1, 0) >= CLUTTER_LEVEL;
        }
    }
    return n ? (double)n_cluttered / n : 0;
}

/** How many places without a mark have not even a faint one. */
static int count_missing(const struct marks *marks, const struct lattice *lattice,
                         const struct mark *const *members)
{
    double x_px = middle_x(members, lattice->n_places);
    float ridges[2 * LATTICE_PLACES_MAX + 1];
    double least = 0;
    size_t n = 0;
    int n_missing = 0;

    for (int k = 0; k < lattice->n_places; k++)
        if (members[k] != NULL)
            ridges[n++] = marks_ridge_at(marks, x_px, members[k]->y_px, 2, 1);
    least = fmax((double)FAINT_LEAST, FAINT_SHARE * (double)plane_quantile(ridges, n, 0.5));
    for (int k = 0; k < lattice->n_places; k++)
        n_missing +=
            members[k] == NULL &&
            (double)marks_ridge_at(marks, x_px, lattice->first_px + lattice->spacing_px * k, 2, 1) < least;
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
    float lengths[2 * LATTICE_PLACES_MAX + 1];
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

bool lattice_is_ruler(const struct lattice *lattice, const struct marks *marks,
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

/** Median ridge at places k + share of the row, k = 0, 1, ... */
static double ridge_between(const struct marks *marks, const struct lattice *lattice, double x_px,
                            double share)
{
    float ridges[2 * LATTICE_PLACES_MAX + 1];
    size_t n = 0;

    for (int k = 0; k + 1 < lattice->n_places; k++)
        ridges[n++] =
            marks_ridge_at(marks, x_px, lattice->first_px + lattice->spacing_px * (k + share), 2, 1);
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
void lattice_divide(struct lattice *lattice, const struct marks *marks)
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

        if (lattice->spacing_px / parts < PARTS_MIN_PX || n_places > 2 * LATTICE_PLACES_MAX ||
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
