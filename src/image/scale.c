#include "image/scale.h"

#include <math.h>
#include <stddef.h>

static const double MM_PER_CM = 10.0;

/* From the contract of scale_choose. */
static const double DEEPEST_MM = 400.0;
static const double SHALLOWEST_MM = 10.0;
static const double RULER_WITHIN = 0.05;
static const double GIVEN_WITHIN = 0.02;

/* Common practice, no source. */
static const double OVERHANG_SHARE =
    0.005; /* of the frame's side: a box declared one past its end is meant inside */
static const double OVERHANG_MIN_PX = 3.0;
static const double HOLDS_SHARE = 0.5;     /* of the smaller of region and picture that they share */
static const double FITS_SHARE = 0.95;     /* of the picture within a region that was drawn for it */
static const double SIDES_RATIO_MAX = 4.0; /* of a pixel's sides */
/* Of a pixel's sides, beyond which one step is more likely mistaken than meant. Scanners' own frames are
 * square to some per cent; captured video has the pixels of Rec. ITU-R BT.601: 10:11 and 59:54, in wide
 * pictures of 525 lines 40:33 = 1.21; a 16:10 screen squeezed to 4:3 has 1.2. Above that common practice, no
 * source. */
static const double SIDES_RATIO_USUAL = 1.25;
static const double TICK_WITHIN = 0.03; /* that makes a distance one that rulers have */

/** A believed region, or none. */
struct candidate {
    const struct loop_region *region;
    double mm_per_px_x;
    double mm_per_px_y;
    double shared_px2; /* area shared with the picture's box */
    double fits;       /* share of the picture's outline within */
};

static double box_area(struct box box)
{
    if (box.right_px < box.left_px || box.bottom_px < box.top_px)
        return 0;
    return (double)(box.right_px - box.left_px + 1) * (double)(box.bottom_px - box.top_px + 1);
}

static int larger(int a, int b)
{
    return a > b ? a : b;
}

static int smaller(int a, int b)
{
    return a < b ? a : b;
}

static struct box box_common(struct box a, struct box b)
{
    return (struct box){.left_px = larger(a.left_px, b.left_px),
                        .top_px = larger(a.top_px, b.top_px),
                        .right_px = smaller(a.right_px, b.right_px),
                        .bottom_px = smaller(a.bottom_px, b.bottom_px)};
}

/** How far the box reaches beyond the frame, px; <= 0 inside. */
static double overhang(struct box box, const struct picture *picture)
{
    int most = larger(-box.left_px, -box.top_px);

    most = larger(most, box.right_px - (picture->width_px - 1));
    return larger(most, box.bottom_px - (picture->height_px - 1));
}

static bool is_inside(struct box box, const struct picture *picture)
{
    double side_px = larger(picture->width_px, picture->height_px);

    return overhang(box, picture) <= fmax(OVERHANG_MIN_PX, OVERHANG_SHARE * side_px) && box_area(box) > 0;
}

/** The share of the picture's outline that lies within a box. */
static double share_within(const struct picture *picture, struct box box)
{
    size_t n_all = 0;
    size_t n_in = 0;

    for (int y = 0; y < picture->height_px; y++)
        for (int x = 0; x < picture->width_px; x++) {
            if (picture->outline[(size_t)y * (size_t)picture->width_px + (size_t)x] == 0)
                continue;
            n_all++;
            n_in += x >= box.left_px && x <= box.right_px && y >= box.top_px && y <= box.bottom_px;
        }
    return n_all ? (double)n_in / (double)n_all : 0;
}

static double depth_mm(const struct picture *picture, const struct loop_region *region)
{
    struct box box = picture->is_found ? picture->box : region->box;

    return fabs(region->delta_y) * MM_PER_CM * (box.bottom_px - box.top_px + 1);
}

/** Tells in one sentence why a region that holds the picture is not believed; true: it is believed. */
static bool is_believed(struct scale *scale, const struct loop_region *region, const struct picture *picture)
{
    double ratio = fabs(region->delta_x / region->delta_y);
    double deep_mm = depth_mm(picture, region);

    if (!is_inside(region->box, picture)) {
        (void)text_list_add(
            &scale->reasons,
            "the region that the file calibrates reaches %.0f px outside the frame: its scale may be "
            "stale and is not believed",
            overhang(region->box, picture));
        return false;
    }
    if (!(deep_mm >= SHALLOWEST_MM && deep_mm <= DEEPEST_MM)) {
        (void)text_list_add(
            &scale->reasons,
            "the file's scale of %.3f mm a pixel would make the picture %.0f mm deep and is not "
            "believed",
            fabs(region->delta_y) * MM_PER_CM, deep_mm);
        return false;
    }
    if (!(ratio <= SIDES_RATIO_MAX && ratio >= 1 / SIDES_RATIO_MAX)) {
        (void)text_list_add(&scale->reasons,
                            "the file's scale makes pixels %.2f times as wide as high and is not believed",
                            ratio);
        return false;
    }
    return true;
}

/** A region in centimetres on both axes with non-zero steps. */
static bool is_calibrated(const struct loop_region *region)
{
    return region->units_x == REGION_UNITS_CM && region->units_y == REGION_UNITS_CM &&
           isfinite(region->delta_x) && isfinite(region->delta_y) && region->delta_x != 0 &&
           region->delta_y != 0;
}

static bool is_tissue(const struct loop_region *region)
{
    return region->spatial_format == REGION_FORMAT_2D && region->data_type == REGION_TYPE_TISSUE;
}

/** A colour box lies within the picture and has its scale; one that is larger than half of it may stand for
 * it. */
static bool is_colour_of(const struct loop_region *region, const struct picture *picture)
{
    return region->spatial_format == REGION_FORMAT_2D && region->data_type == REGION_TYPE_COLOUR_FLOW &&
           box_area(box_common(region->box, picture->box)) >= HOLDS_SHARE * box_area(picture->box);
}

static bool holds_picture(const struct loop_region *region, const struct picture *picture)
{
    double shared_px2 = box_area(box_common(region->box, picture->box));

    return shared_px2 > 0 && shared_px2 >= HOLDS_SHARE * fmin(box_area(region->box), box_area(picture->box));
}

/** The calibrated region that shares most with the picture, one of tissue before one of colour flow; region
 * NULL: none. */
static struct candidate region_of_picture(const struct loop_facts *facts, const struct picture *picture)
{
    struct candidate best = {0};

    for (size_t i = 0; i < facts->n_regions; i++) {
        const struct loop_region *region = &facts->regions[i];
        double shared_px2 = box_area(box_common(region->box, picture->box));
        bool is_better = best.region == NULL || (is_tissue(region) && !is_tissue(best.region)) ||
                         (is_tissue(region) == is_tissue(best.region) && shared_px2 > best.shared_px2);

        if (!is_calibrated(region) || !holds_picture(region, picture) || !is_better ||
            !(is_tissue(region) || is_colour_of(region, picture)))
            continue;
        best = (struct candidate){.region = region,
                                  .mm_per_px_x = fabs(region->delta_x) * MM_PER_CM,
                                  .mm_per_px_y = fabs(region->delta_y) * MM_PER_CM,
                                  .shared_px2 = shared_px2,
                                  .fits = share_within(picture, region->box)};
    }
    return best;
}

static const char *kind_of(const struct loop_region *region)
{
    static const char *const formats[] = {
        "nothing with an extent", "", "M-mode", "a spectrum", "a curve", "graphics"};
    size_t format = (size_t)region->spatial_format;

    if (region->spatial_format < 0 || format >= sizeof formats / sizeof formats[0])
        return "a format that is not known";
    return region->spatial_format == REGION_FORMAT_2D ? "something else than tissue" : formats[format];
}

/** Tells why none of the regions gives the scale. */
static void tell_no_region(struct scale *scale, const struct loop_facts *facts, const struct picture *picture)
{
    for (size_t i = 0; i < facts->n_regions; i++) {
        const struct loop_region *region = &facts->regions[i];

        if (!is_calibrated(region) || !holds_picture(region, picture) || is_tissue(region))
            continue;
        (void)text_list_add(
            &scale->reasons,
            "the region that the file calibrates over the picture shows %s by its own words (spatial format "
            "%d, data type %d), not a plane of tissue: its scale is not used",
            kind_of(region), region->spatial_format, region->data_type);
        return;
    }
    if (facts->n_regions > 0)
        (void)text_list_add(&scale->reasons,
                            "none of the %zu regions that the file calibrates is a tissue region in "
                            "centimetres that holds the picture",
                            facts->n_regions);
}

/** Distances of neighbouring ticks that rulers have; common practice, no source. */
static bool is_usual_tick(double tick_mm)
{
    static const double usual[] = {1.0, 2.0, 5.0, 10.0};

    for (size_t i = 0; i < sizeof usual / sizeof usual[0]; i++)
        if (fabs(tick_mm / usual[i] - 1) <= TICK_WITHIN)
            return true;
    return false;
}

/** Holds the region against the ruler; false: they contradict and the region is not believed. */
static bool agrees_with_ruler(struct scale *scale, const struct candidate *candidate,
                              const struct ruler *ruler)
{
    double from_region = ruler->is_vertical ? candidate->mm_per_px_y : candidate->mm_per_px_x;
    double ratio = from_region / ruler->mm_per_px;
    double tick_mm = from_region * ruler->spacing_px;
    double assumed_mm = ruler->mm_per_px * ruler->spacing_px;

    if (fabs(ratio - 1) <= GIVEN_WITHIN)
        return true;
    if (fabs(ratio - 1) <= RULER_WITHIN) {
        (void)text_list_add(&scale->reasons,
                            "the file's scale and the ruler in the picture differ by %.1f %%",
                            100 * fabs(ratio - 1));
        return true;
    }
    if (ruler->is_assumed && is_usual_tick(tick_mm) && candidate->fits >= FITS_SHARE) {
        scale->tick_ratio = ratio;
        (void)text_list_add(
            &scale->reasons,
            "the file's scale makes the ticks of the ruler in the picture %.3g mm apart, where %.3g mm would "
            "be assumed of such marks: if they are %.3g mm apart, the file's scale is wrong and every length "
            "with it; hold it against the depth that the machine shows, and give --scale",
            tick_mm, assumed_mm, assumed_mm);
        return true;
    }
    (void)text_list_add(
        &scale->reasons,
        "the file's scale of %.4f mm a pixel contradicts the ruler in the picture, %.4f mm a pixel: "
        "the file's is not believed",
        from_region, ruler->mm_per_px);
    return false;
}

static double aspect_of(const struct loop_facts *facts)
{
    return isfinite(facts->pixel_aspect) && facts->pixel_aspect > 0 ? facts->pixel_aspect : 1.0;
}

/** Tells pixels that are far from square, where the file says nothing of its pictures that agrees. */
static void doubt_pixels(struct scale *scale, const struct loop_facts *facts, const struct ruler *ruler)
{
    double ratio = scale->mm_per_px_x / scale->mm_per_px_y;

    if (fmax(ratio, 1 / ratio) <= SIDES_RATIO_USUAL || fabs(ratio / aspect_of(facts) - 1) <= RULER_WITHIN)
        return;
    scale->odd_pixels = ratio;
    (void)text_list_add(
        &scale->reasons,
        "the file's scale makes pixels %.2f times as wide as high, which %s: one of its two steps may be "
        "wrong, "
        "and lengths with it; hold it against the depth marks and give --scale, which is then taken for both",
        ratio,
        ruler->is_found ? "the ruler cannot bear out, since it tells one side only" : "nothing bears out");
}

static bool take_region(struct scale *scale, const struct loop_facts *facts, const struct picture *picture,
                        const struct ruler *ruler)
{
    struct candidate candidate = region_of_picture(facts, picture);

    if (candidate.region == NULL) {
        tell_no_region(scale, facts, picture);
        return false;
    }
    if (!is_believed(scale, candidate.region, picture))
        return false;
    if (ruler->is_found && !agrees_with_ruler(scale, &candidate, ruler))
        return false;
    scale->source = SCALE_DICOM_REGION;
    scale->mm_per_px_x = candidate.mm_per_px_x;
    scale->mm_per_px_y = candidate.mm_per_px_y;
    doubt_pixels(scale, facts, ruler);
    if (overhang(candidate.region->box, picture) > 0)
        (void)text_list_add(&scale->reasons,
                            "the calibrated region reaches %.0f px outside the frame and was clipped",
                            overhang(candidate.region->box, picture));
    return true;
}

static bool take_ruler(struct scale *scale, const struct loop_facts *facts, const struct ruler *ruler)
{
    double aspect = aspect_of(facts);

    for (size_t i = 0; i < ruler->reasons.n; i++)
        (void)text_list_add(&scale->reasons, "%s", ruler->reasons.items[i]);
    if (!ruler->is_found || !(ruler->mm_per_px > 0))
        return false;
    scale->source = SCALE_RULER;
    scale->mm_per_px_x = ruler->is_vertical ? ruler->mm_per_px * aspect : ruler->mm_per_px;
    scale->mm_per_px_y = ruler->is_vertical ? ruler->mm_per_px : ruler->mm_per_px / aspect;
    if (facts->is_aspect_assumed)
        (void)text_list_add(
            &scale->reasons,
            "the file does not tell the shape of its pixels, so they are taken to be square: the "
            "ruler measures %s only, and if the picture was stretched, lengths %s are wrong",
            ruler->is_vertical ? "depth" : "width", ruler->is_vertical ? "across" : "in depth");
    return true;
}

/** A scale that was given wins; what it contradicts is told. */
static void take_given(struct scale *scale, const struct loop_facts *facts, double given_mm_per_px)
{
    bool has_own = scale->source != SCALE_NONE;
    bool has_aspect = has_own && !(scale->odd_pixels > 0);
    double aspect = has_aspect ? scale->mm_per_px_x / scale->mm_per_px_y : aspect_of(facts);

    if (has_own && fabs(given_mm_per_px / scale->mm_per_px_y - 1) > GIVEN_WITHIN)
        (void)text_list_add(
            &scale->reasons,
            "the given scale of %.4f mm a pixel contradicts %s, %.4f mm a pixel; the given one is used",
            given_mm_per_px, scale->source == SCALE_RULER ? "the ruler in the picture" : "the file",
            scale->mm_per_px_y);
    scale->source = SCALE_GIVEN;
    scale->odd_pixels = 0;
    scale->tick_ratio = 0;
    scale->mm_per_px_x = given_mm_per_px * aspect;
    scale->mm_per_px_y = given_mm_per_px;
}

void scale_choose(struct scale *scale, const struct loop_facts *facts, const struct picture *picture,
                  const struct ruler *ruler, double given_mm_per_px)
{
    *scale = (struct scale){0};
    if (!take_region(scale, facts, picture, ruler))
        (void)take_ruler(scale, facts, ruler);
    if (isfinite(given_mm_per_px) && given_mm_per_px > 0)
        take_given(scale, facts, given_mm_per_px);
    if (scale->source == SCALE_NONE)
        (void)text_list_add(&scale->reasons,
                            "no scale is known: lengths are given in pixels; --scale can give one");
}

void scale_free(struct scale *scale)
{
    if (scale == NULL)
        return;
    text_list_free(&scale->reasons);
    *scale = (struct scale){0};
}
