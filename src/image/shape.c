#include "image/picture_internal.h"
#include "image/plane_internal.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source. Pixels are reduced ones. */
static const double SIDE_WITHIN_PX = 1.5; /* an edge point this near lies on a side */
static const double OUTSIDE_SHARE = 0.04; /* of the edge points that may lie beyond a side */
static const double VOTES_SHARE = 0.22;   /* of the piece's height that a side must have */
enum { VOTES_MIN = 16, ARC_BINS = 48, ANGLE_STEPS = 178 };
static const double ANGLE_FIRST_DEG = -2.0; /* of a side to the vertical, apex above */
static const double ANGLE_STEP_DEG = 0.5;
static const double SECTOR_MIN_DEG = 8.0;   /* opening below which sides count as parallel */
static const double SECTOR_MAX_DEG = 172.0; /* beyond it the crossing is not sharp */
static const double LEAN_MAX_DEG = 30.0;    /* between the tilts of both sides: a sector stands upright */
static const double APEX_BELOW_TOP = 0.1;   /* of the height: an apex lies above the picture or at its top */
static const double SEEN_SHARE = 0.25;      /* of a side's length that has edge points */
static const double FILL_MIN = 0.30;        /* of the shape covered by evidence */
static const double SPILL_MAX = 0.05;       /* of the evidence outside the shape */
static const double RADIANS = 3.14159265358979323846 / 180.0;

struct edge_points {
    double *x;
    double *y;
    size_t n;
};

/** The outermost points of each row and column on the left and on top, leaving out those
 *  on the frame's border; for the right side with x negated, so that it is found as a left one. */
static bool edge_points_make(struct edge_points *points, const uint8_t *piece, int width, int height,
                             bool is_mirrored)
{
    points->x = malloc((size_t)(width + height) * sizeof *points->x);
    points->y = malloc((size_t)(width + height) * sizeof *points->y);
    points->n = 0;
    if (points->x == NULL || points->y == NULL)
        return false;
    for (int y = 1; y < height - 1; y++)
        for (int i = 0; i < width; i++) {
            int x = is_mirrored ? width - 1 - i : i;

            if (piece[(size_t)y * (size_t)width + (size_t)x] == 0)
                continue;
            if (i > 1) {
                points->x[points->n] = is_mirrored ? -x : x;
                points->y[points->n++] = y;
            }
            break;
        }
    for (int x = 1; x < width - 1; x++)
        for (int y = 0; y < height; y++) {
            if (piece[(size_t)y * (size_t)width + (size_t)x] == 0)
                continue;
            if (y > 1) {
                points->x[points->n] = is_mirrored ? -x : x;
                points->y[points->n++] = y;
            }
            break;
        }
    return true;
}

/** Best place of a line with a given outward normal: most points on it, few beyond. */
static int best_offset(const struct edge_points *points, double normal_x, double normal_y, double *sorted,
                       double *offset_px)
{
    size_t n = points->n;
    size_t low = 0;
    int best = 0;

    for (size_t i = 0; i < n; i++)
        sorted[i] = points->x[i] * normal_x + points->y[i] * normal_y;
    gsl_sort(sorted, 1, n);
    low = n;
    for (size_t high = n; high-- > 0;) {
        if ((double)(n - 1 - high) > OUTSIDE_SHARE * (double)n)
            break;
        while (low > 0 && sorted[low - 1] >= sorted[high] - 2 * SIDE_WITHIN_PX)
            low--;
        if ((int)(high - low + 1) > best) {
            best = (int)(high - low + 1);
            *offset_px = sorted[high] - SIDE_WITHIN_PX;
        }
    }
    return best;
}

/** Least squares through the points near a side, twice. */
static void refine_side(struct side *side, const struct edge_points *points)
{
    for (int round = 0; round < 3; round++) {
        double n = 0;
        double mean_x = 0;
        double mean_y = 0;
        double xx = 0;
        double xy = 0;
        double yy = 0;
        double angle = 0;
        double normal_x = 0;
        double normal_y = 0;

        for (int pass = 0; pass < 2; pass++) {
            for (size_t i = 0; i < points->n; i++) {
                double x = points->x[i];
                double y = points->y[i];

                if (fabs(x * side->normal_x + y * side->normal_y - side->offset_px) > SIDE_WITHIN_PX)
                    continue;
                if (pass == 0) {
                    n++;
                    mean_x += x;
                    mean_y += y;
                } else {
                    xx += (x - mean_x) * (x - mean_x);
                    xy += (x - mean_x) * (y - mean_y);
                    yy += (y - mean_y) * (y - mean_y);
                }
            }
            if (n < 3)
                return;
            if (pass == 0) {
                mean_x /= n;
                mean_y /= n;
            }
        }
        angle = 0.5 * atan2(2 * xy, xx - yy); /* along the side */
        normal_x = -sin(angle);
        normal_y = cos(angle);
        if (normal_x * side->normal_x + normal_y * side->normal_y < 0) {
            normal_x = -normal_x;
            normal_y = -normal_y;
        }
        side->normal_x = normal_x;
        side->normal_y = normal_y;
        side->offset_px = mean_x * normal_x + mean_y * normal_y;
        side->votes = (int)n;
    }
}

/** Finds the straight left side (the right one of a mirrored piece): apex above. */
static bool find_side(struct side *side, const struct edge_points *points, double least_votes)
{
    double *sorted = malloc((points->n + 1) * sizeof *sorted);

    *side = (struct side){0};
    if (sorted == NULL)
        return false;
    for (int i = 0; i < ANGLE_STEPS; i++) {
        double angle = (ANGLE_FIRST_DEG + ANGLE_STEP_DEG * i) * RADIANS;
        double offset_px = 0;
        int votes = best_offset(points, -cos(angle), -sin(angle), sorted, &offset_px);

        if (votes <= side->votes)
            continue;
        *side = (struct side){
            .normal_x = -cos(angle), .normal_y = -sin(angle), .offset_px = offset_px, .votes = votes};
    }
    free(sorted);
    refine_side(side, points);
    side->is_found = side->votes >= VOTES_MIN && side->votes >= least_votes;
    return true;
}

/** The box of the rows and columns that hold at least three places. */
static struct box piece_box(const uint8_t *piece, int width, int height)
{
    struct box box = {.left_px = width, .top_px = height, .right_px = -1, .bottom_px = -1};

    for (int y = 0; y < height; y++) {
        int n = 0;

        for (int x = 0; x < width; x++)
            n += piece[(size_t)y * (size_t)width + (size_t)x] != 0;
        if (n < 3)
            continue;
        box.top_px = y < box.top_px ? y : box.top_px;
        box.bottom_px = y;
    }
    for (int x = 0; x < width; x++) {
        int n = 0;

        for (int y = 0; y < height; y++)
            n += piece[(size_t)y * (size_t)width + (size_t)x] != 0;
        if (n < 3)
            continue;
        box.left_px = x < box.left_px ? x : box.left_px;
        box.right_px = x;
    }
    return box;
}

/** Direction of a side from the apex, radians from straight down, positive to the right. */
static double left_direction(const struct shape *shape)
{
    return atan2(shape->left.normal_y, -shape->left.normal_x);
}

static double right_direction(const struct shape *shape)
{
    return atan2(-shape->right.normal_y, shape->right.normal_x);
}

static bool cross_sides(struct shape *shape)
{
    const struct side *a = &shape->left;
    const struct side *b = &shape->right;
    double cross = a->normal_x * b->normal_y - a->normal_y * b->normal_x;
    double opening_deg = (right_direction(shape) - left_direction(shape)) / RADIANS;
    double lean_deg = fabs(right_direction(shape) + left_direction(shape)) / RADIANS;

    if (!a->is_found || !b->is_found || opening_deg < SECTOR_MIN_DEG || opening_deg > SECTOR_MAX_DEG ||
        lean_deg > LEAN_MAX_DEG)
        return false;
    shape->apex_px.x_px = (a->offset_px * b->normal_y - a->normal_y * b->offset_px) / cross;
    shape->apex_px.y_px = (a->normal_x * b->offset_px - a->offset_px * b->normal_x) / cross;
    return shape->apex_px.y_px <=
           shape->box.top_px + APEX_BELOW_TOP * (shape->box.bottom_px - shape->box.top_px);
}

/** Radii of the arcs: per direction from the apex the nearest and the farthest evidence. */
static void fit_arcs(struct shape *shape, const uint8_t *piece, int width, int height)
{
    float nearest[ARC_BINS];
    float farthest[ARC_BINS];
    float near_kept[ARC_BINS];
    float far_kept[ARC_BINS];
    size_t n_near = 0;
    size_t n_far = 0;
    double first = left_direction(shape);
    double last = right_direction(shape);

    for (int i = 0; i < ARC_BINS; i++) {
        nearest[i] = 1e9F;
        farthest[i] = -1.0F;
    }
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            double u = x - shape->apex_px.x_px;
            double v = y - shape->apex_px.y_px;
            int bin = 0;
            float radius = 0;

            if (piece[(size_t)y * (size_t)width + (size_t)x] == 0)
                continue;
            bin = (int)floor((atan2(u, v) - first) / (last - first) * ARC_BINS);
            if (bin < 0 || bin >= ARC_BINS)
                continue;
            radius = (float)hypot(u, v);
            nearest[bin] = fminf(nearest[bin], radius);
            farthest[bin] = fmaxf(farthest[bin], radius);
        }
    for (int i = 0; i < ARC_BINS; i++) {
        if (farthest[i] < 0)
            continue;
        near_kept[n_near++] = nearest[i];
        far_kept[n_far++] = farthest[i];
    }
    shape->near_px = (double)plane_quantile(near_kept, n_near, 0.10);
    shape->far_px = (double)plane_quantile(far_kept, n_far, 0.92);
}

bool shape_holds(const struct shape *shape, double x_px, double y_px)
{
    double radius = 0;

    if (x_px < shape->box.left_px - 0.5 || x_px > shape->box.right_px + 0.5 ||
        y_px < shape->box.top_px - 0.5 || y_px > shape->box.bottom_px + 0.5)
        return false;
    if (shape->left.is_found &&
        shape->left.normal_x * x_px + shape->left.normal_y * y_px > shape->left.offset_px + 0.5)
        return false;
    if (shape->right.is_found &&
        shape->right.normal_x * x_px + shape->right.normal_y * y_px > shape->right.offset_px + 0.5)
        return false;
    if (!shape->has_apex)
        return true;
    radius = hypot(x_px - shape->apex_px.x_px, y_px - shape->apex_px.y_px);
    return radius >= shape->near_px - 0.5 && radius <= shape->far_px + 0.5;
}

/** How much of a side bounds the shape, reduced pixels. */
static double side_length(const struct shape *shape, const struct side *side)
{
    double along_x = -side->normal_y;
    double along_y = side->normal_x;
    double reach_px =
        hypot(shape->box.right_px - shape->box.left_px, shape->box.bottom_px - shape->box.top_px) * 3;
    double length = 0;

    for (long i = 0; (double)i < 2.0 * reach_px; i++) {
        double at = (double)i - reach_px;

        length += shape_holds(shape, side->normal_x * side->offset_px + along_x * at,
                              side->normal_y * side->offset_px + along_y * at);
    }
    return length;
}

/** The sides of a sector are seen over a good part of their length, or they are no sides. */
static bool is_seen(const struct shape *shape, const struct side *side)
{
    return !side->is_found || side->votes >= SEEN_SHARE * side_length(shape, side);
}

/** Does the shape explain the evidence: is most of it within, and most of the shape covered? */
static bool explains(struct shape *shape, const uint8_t *grain, const uint8_t *piece, int width, int height)
{
    size_t n_shape = 0;
    size_t n_covered = 0;
    size_t n_spilled = 0;
    size_t n_piece = 0;

    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            size_t i = (size_t)y * (size_t)width + (size_t)x;
            bool is_evidence = grain[i] != 0 && piece[i] != 0;
            bool is_within = shape_holds(shape, x, y);

            n_shape += is_within;
            n_piece += piece[i] != 0;
            n_covered += is_within && piece[i] != 0;
            n_spilled += is_evidence && !is_within;
        }
    if (n_covered == 0)
        return false;
    shape->likeness = (double)n_covered / (double)(n_shape + n_piece - n_covered);
    return (double)n_covered >= FILL_MIN * (double)n_shape &&
           (double)n_spilled <= SPILL_MAX * (double)(n_covered + n_spilled) && is_seen(shape, &shape->left) &&
           is_seen(shape, &shape->right);
}

bool shape_fit(struct shape *shape, const uint8_t *piece, const uint8_t *grain, int width, int height,
               struct error **err)
{
    struct edge_points points = {0};
    struct side *sides[2] = {&shape->left, &shape->right};
    bool is_good = true;
    double least_votes = 0;

    *shape = (struct shape){.box = piece_box(piece, width, height)};
    least_votes = VOTES_SHARE * (shape->box.bottom_px - shape->box.top_px + 1);
    for (int i = 0; is_good && i < 2; i++) {
        is_good = edge_points_make(&points, piece, width, height, i == 1) &&
                  find_side(sides[i], &points, least_votes);
        free(points.x);
        free(points.y);
    }
    if (!is_good)
        return error_memory(err);
    shape->right.normal_x = -shape->right.normal_x;
    shape->has_apex = cross_sides(shape);
    if (shape->has_apex)
        fit_arcs(shape, piece, width, height);
    shape->is_good = explains(shape, grain, piece, width, height);
    return true;
}

static double turn(const int *a, const int *b, int x, int y)
{
    return (double)(b[0] - a[0]) * (double)(y - a[1]) - (double)(b[1] - a[1]) * (double)(x - a[0]);
}

/** Upper (sign -1) or lower (sign +1) border of the hull: for each column the row. */
static void hull_border(const uint8_t *mask, int width, int height, int sign, int (*chain)[2], float *border)
{
    int n = 0;

    for (int x = 0; x < width; x++) {
        int found = -1;

        for (int i = 0; i < height && found < 0; i++) {
            int y = sign < 0 ? i : height - 1 - i;

            if (mask[(size_t)y * (size_t)width + (size_t)x] != 0)
                found = y;
        }
        border[x] = -1.0F;
        if (found < 0)
            continue;
        while (n >= 2 && turn(chain[n - 2], chain[n - 1], x, found) * sign >= 0)
            n--;
        chain[n][0] = x;
        chain[n][1] = found;
        n++;
    }
    for (int i = 0; i < n; i++) {
        int next = i + 1 < n ? i + 1 : i;

        for (int x = chain[i][0]; x <= chain[next][0]; x++) {
            int across = chain[next][0] - chain[i][0];
            float share = across ? (float)(x - chain[i][0]) / (float)across : 0.0F;

            border[x] = (float)chain[i][1] + share * (float)(chain[next][1] - chain[i][1]);
        }
    }
}

bool shape_hull(uint8_t *out, const uint8_t *mask, int width, int height, struct error **err)
{
    int(*chain)[2] = malloc((size_t)width * sizeof *chain);
    float *upper = malloc((size_t)width * sizeof *upper);
    float *lower = malloc((size_t)width * sizeof *lower);
    bool is_good = chain && upper && lower;

    if (is_good) {
        hull_border(mask, width, height, -1, chain, upper);
        hull_border(mask, width, height, 1, chain, lower);
        for (int y = 0; y < height; y++)
            for (int x = 0; x < width; x++)
                out[(size_t)y * (size_t)width + (size_t)x] =
                    upper[x] >= 0 && (float)y >= upper[x] - 0.01F && (float)y <= lower[x] + 0.01F ? 255 : 0;
    }
    free(chain);
    free(upper);
    free(lower);
    return is_good || error_memory(err);
}
