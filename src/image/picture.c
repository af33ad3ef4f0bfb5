#include "image/picture.h"

#include "image/picture_internal.h"
#include "image/plane_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source. */
static const double CLOSE_SHARE = 0.016;     /* of the longest side: gaps closed within the picture */
static const double PIECE_MIN_SHARE = 0.015; /* of the frame: a smaller piece is no picture */
static const double REGION_HOLDS = 0.5;      /* of the evidence that declared regions must hold to be used */
static const double REGION_OVERHANG = 0.02;  /* of the frame a region may reach outside */
static const double FLIPPED_BETTER = 0.03;   /* of likeness: an upright picture is the rule */
static const double FLIPPED_ALONE = 0.90;    /* of likeness, where no upright shape fits */
enum { SIDE_MIN_PX = 48 };                   /* a frame smaller than this is no picture */
static const double WHOLE_SHARE = 0.985;     /* of the frame: the picture fills it */

/** Planes of the search, in reduced pixels. */
struct search {
    struct evidence evidence;
    uint8_t *piece;   /* the chosen piece, closed */
    uint8_t *flipped; /* piece upside down */
    uint8_t *grain;   /* evidence upside down */
    int32_t *labels;
};

static void search_free(struct search *search)
{
    evidence_free(&search->evidence);
    free(search->piece);
    free(search->flipped);
    free(search->grain);
    free(search->labels);
    *search = (struct search){0};
}

static size_t plane_size(const struct search *search)
{
    return (size_t)search->evidence.width * (size_t)search->evidence.height;
}

static bool search_make(struct search *search, const struct survey *survey, struct error **err)
{
    size_t n = 0;

    if (!evidence_gather(&search->evidence, survey, err))
        return false;
    n = plane_size(search);
    search->piece = malloc(n);
    search->flipped = malloc(n);
    search->grain = malloc(n);
    search->labels = malloc(n * sizeof *search->labels);
    return (search->piece && search->flipped && search->grain && search->labels) || error_memory(err);
}

/** The box of a region in reduced pixels, or an empty one when it shows no plane of tissue or reaches too far
 * outside to be believed. */
static struct box region_box(const struct loop_region *region, const struct survey *survey, int reduction)
{
    struct box box = region->box;
    int slack_x = (int)(REGION_OVERHANG * survey->width_px) + 1;
    int slack_y = (int)(REGION_OVERHANG * survey->height_px) + 1;

    if (region->spatial_format != REGION_FORMAT_2D || region->data_type != REGION_TYPE_TISSUE ||
        box.left_px < -slack_x || box.top_px < -slack_y || box.right_px >= survey->width_px + slack_x ||
        box.bottom_px >= survey->height_px + slack_y)
        return (struct box){.right_px = -1, .bottom_px = -1};
    box.left_px = box.left_px < 0 ? 0 : box.left_px / reduction;
    box.top_px = box.top_px < 0 ? 0 : box.top_px / reduction;
    box.right_px = box.right_px / reduction;
    box.bottom_px = box.bottom_px / reduction;
    return box;
}

static bool box_holds(const struct box *box, int x, int y)
{
    return x >= box->left_px && x <= box->right_px && y >= box->top_px && y <= box->bottom_px;
}

static size_t evidence_in(const struct evidence *evidence, const struct box *box)
{
    size_t n = 0;

    for (int y = 0; y < evidence->height; y++)
        for (int x = 0; x < evidence->width; x++)
            n += box_holds(box, x, y) && evidence->mask[(size_t)y * (size_t)evidence->width + (size_t)x] != 0;
    return n;
}

/** Where tissue regions are declared and hold the evidence, keeps what lies in the fullest of them. */
static void keep_region(struct search *search, const struct survey *survey, const struct loop_facts *facts)
{
    struct evidence *evidence = &search->evidence;
    struct box best = {0};
    size_t n_best = 0;
    size_t n_regions = 0;
    size_t n_all = 0;

    for (size_t i = 0; i < plane_size(search); i++)
        n_all += evidence->mask[i] != 0;
    for (size_t i = 0; facts != NULL && i < facts->n_regions; i++) {
        struct box box = region_box(&facts->regions[i], survey, evidence->reduction);
        size_t n = evidence_in(evidence, &box);

        n_regions += n;
        if (n > n_best) {
            n_best = n;
            best = box;
        }
    }
    if (n_best == 0 || (double)n_regions < REGION_HOLDS * (double)n_all)
        return;
    for (int y = 0; y < evidence->height; y++)
        for (int x = 0; x < evidence->width; x++)
            if (!box_holds(&best, x, y))
                evidence->mask[(size_t)y * (size_t)evidence->width + (size_t)x] = 0;
}

/** Closes gaps and chooses the piece with the most evidence. False in *is_found: none is large enough. */
static bool choose_piece(struct search *search, bool *is_found, struct error **err)
{
    int width = search->evidence.width;
    int height = search->evidence.height;
    int radius = (int)lround(CLOSE_SHARE * (width > height ? width : height));
    size_t n = plane_size(search);
    size_t *weights = NULL;
    int n_pieces = 0;
    int best = 0;

    *is_found = false;
    if (!plane_grow(search->piece, search->evidence.mask, width, height, radius) ||
        !plane_shrink(search->piece, search->piece, width, height, radius))
        return error_memory(err);
    n_pieces = plane_label(search->labels, search->piece, width, height);
    weights = n_pieces >= 0 ? calloc((size_t)n_pieces + 1, sizeof *weights) : NULL;
    if (weights == NULL)
        return error_memory(err);
    for (size_t i = 0; i < n; i++)
        if (search->labels[i] > 0 && search->evidence.mask[i] != 0)
            weights[search->labels[i]]++;
    for (int i = 1; i <= n_pieces; i++)
        if (best == 0 || weights[i] > weights[best])
            best = i;
    *is_found = best > 0 && (double)weights[best] >= PIECE_MIN_SHARE * (double)n;
    free(weights);
    for (size_t i = 0; i < n; i++)
        search->piece[i] = best > 0 && search->labels[i] == best ? 255 : 0;
    return true;
}

static void flip(uint8_t *out, const uint8_t *mask, int width, int height)
{
    for (int y = 0; y < height; y++)
        memcpy(out + (size_t)y * (size_t)width, mask + (size_t)(height - 1 - y) * (size_t)width,
               (size_t)width);
}

static void flip_shape(struct shape *shape, int height)
{
    struct side *sides[2] = {&shape->left, &shape->right};
    int top = shape->box.top_px;

    for (int i = 0; i < 2; i++) {
        sides[i]->offset_px -= sides[i]->normal_y * (height - 1);
        sides[i]->normal_y = -sides[i]->normal_y;
    }
    shape->apex_px.y_px = height - 1 - shape->apex_px.y_px;
    shape->box.top_px = height - 1 - shape->box.bottom_px;
    shape->box.bottom_px = height - 1 - top;
}

/** Fits a shape with the apex above or, as some clinics show it, below. */
static bool fit(struct search *search, struct shape *shape, struct error **err)
{
    int width = search->evidence.width;
    int height = search->evidence.height;
    struct shape other = {0};

    if (!shape_fit(shape, search->piece, search->evidence.mask, width, height, err))
        return false;
    flip(search->flipped, search->piece, width, height);
    flip(search->grain, search->evidence.mask, width, height);
    if (!shape_fit(&other, search->flipped, search->grain, width, height, err))
        return false;
    if (other.is_good && other.has_apex &&
        other.likeness > (shape->is_good ? shape->likeness + FLIPPED_BETTER : FLIPPED_ALONE)) {
        flip_shape(&other, height);
        *shape = other;
    }
    return true;
}

/** A shape that touches the last whole reduced pixel reaches to the frame's border. */
static void open_box(struct shape *shape, int width, int height)
{
    shape->box.left_px -= shape->box.left_px == 0 ? 1 : 0;
    shape->box.top_px -= shape->box.top_px == 0 ? 1 : 0;
    shape->box.right_px += shape->box.right_px >= width - 1 ? 1 : 0;
    shape->box.bottom_px += shape->box.bottom_px >= height - 1 ? 1 : 0;
}

static void fill_outline(struct picture *picture, const struct search *search, const struct shape *shape)
{
    int by = search->evidence.reduction;
    int width = search->evidence.width;
    int height = search->evidence.height;

    for (int y = 0; y < picture->height_px; y++)
        for (int x = 0; x < picture->width_px; x++) {
            size_t i = (size_t)y * (size_t)picture->width_px + (size_t)x;
            int column = x / by < width ? x / by : width - 1;
            int row = y / by < height ? y / by : height - 1;
            bool is_in = shape->is_good ? shape_holds(shape, (x + 0.5) / by - 0.5, (y + 0.5) / by - 0.5)
                                        : search->piece[(size_t)row * (size_t)width + (size_t)column] != 0;

            picture->outline[i] = is_in ? 255 : 0;
        }
}

static void fill_box(struct picture *picture)
{
    struct box box = {
        .left_px = picture->width_px, .top_px = picture->height_px, .right_px = -1, .bottom_px = -1};

    for (int y = 0; y < picture->height_px; y++)
        for (int x = 0; x < picture->width_px; x++) {
            if (picture->outline[(size_t)y * (size_t)picture->width_px + (size_t)x] == 0)
                continue;
            box.left_px = x < box.left_px ? x : box.left_px;
            box.right_px = x > box.right_px ? x : box.right_px;
            box.top_px = y < box.top_px ? y : box.top_px;
            box.bottom_px = y;
        }
    picture->box = box;
}

static bool trace_outline(struct picture *picture, struct search *search, struct error **err)
{
    struct shape shape = {0};
    int by = search->evidence.reduction;

    if (!fit(search, &shape, err))
        return false;
    if (!shape.is_good) {
        if (!shape_hull(search->flipped, search->piece, search->evidence.width, search->evidence.height, err))
            return false;
        memcpy(search->piece, search->flipped, plane_size(search));
    }
    open_box(&shape, search->evidence.width, search->evidence.height);
    fill_outline(picture, search, &shape);
    picture->has_apex = shape.is_good && shape.has_apex;
    if (picture->has_apex) {
        picture->apex_px.x_px = (shape.apex_px.x_px + 0.5) * by - 0.5;
        picture->apex_px.y_px = (shape.apex_px.y_px + 0.5) * by - 0.5;
    }
    return true;
}

static void take_whole_frame(struct picture *picture)
{
    memset(picture->outline, 255, (size_t)picture->width_px * (size_t)picture->height_px);
    picture->has_apex = false;
}

/** A picture cropped out of its screen fills the frame. */
static void widen_to_frame(struct picture *picture)
{
    size_t n = (size_t)picture->width_px * (size_t)picture->height_px;
    size_t n_in = 0;

    for (size_t i = 0; i < n; i++)
        n_in += picture->outline[i] != 0;
    if ((double)n_in >= WHOLE_SHARE * (double)n)
        take_whole_frame(picture);
}

static struct picture *picture_make(const struct survey *survey)
{
    struct picture *made = calloc(1, sizeof *made);
    size_t n = (size_t)survey->width_px * (size_t)survey->height_px;

    if (made == NULL)
        return NULL;
    made->width_px = survey->width_px;
    made->height_px = survey->height_px;
    made->mask = calloc(n, 1);
    made->outline = calloc(n, 1);
    if (made->mask == NULL || made->outline == NULL)
        picture_free(&made);
    return made;
}

/** Finds the outline and says whether there is one; else the outline is the whole frame. */
static bool find_outline(struct picture *picture, const struct survey *survey, const struct loop_facts *facts,
                         struct error **err)
{
    struct search search = {0};
    bool is_good = search_make(&search, survey, err);

    if (is_good) {
        keep_region(&search, survey, facts);
        is_good = choose_piece(&search, &picture->is_found, err);
    }
    if (is_good && picture->is_found) {
        is_good = trace_outline(picture, &search, err);
        widen_to_frame(picture);
    } else if (is_good) {
        take_whole_frame(picture);
    }
    search_free(&search);
    return is_good;
}

bool picture_find(struct picture **picture, const struct survey *survey, const struct loop_facts *facts,
                  struct error **err)
{
    CLEANUP(picture_free) struct picture *made = picture_make(survey);

    if (made == NULL)
        return error_memory(err);
    if (survey->width_px < SIDE_MIN_PX || survey->height_px < SIDE_MIN_PX)
        take_whole_frame(made);
    else if (!find_outline(made, survey, facts, err))
        return false; /* NOLINT(clang-analyzer-unix.Malloc): CLEANUP ends it */
    fill_box(made);
    memcpy(made->mask, made->outline, (size_t)made->width_px * (size_t)made->height_px);
    if (made->is_found && !picture_cut(made, survey, err))
        return false;
    *picture = made;
    made = NULL;
    return true;
}

void picture_free(struct picture **picture)
{
    if (picture == NULL || *picture == NULL)
        return;
    free((*picture)->mask);
    free((*picture)->outline);
    free(*picture);
    *picture = NULL;
}
