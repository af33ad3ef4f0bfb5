#include "image/ruler.h"

#include "image/mark_internal.h"

#include <math.h>
#include <stdlib.h>

/* Common practice, no source: depths that ultrasound pictures have. */
static const double DEPTH_MIN_MM = 30.0;
static const double DEPTH_MAX_MM = 300.0;
static const double BESIDE_SHARE = 0.12; /* of the frame: an upright ruler mostly stands this near */
static const double NEAR_SHARE = 0.06;   /* of the picture: a lying ruler stands this near to it */

/** What the distance of neighbouring ticks may mean. */
struct meaning {
    double tick_mm;
    bool is_assumed;
    const char *why;
};

static bool is_plausible(double tick_mm, double spacing_px, double depth_px)
{
    double depth_mm = depth_px * tick_mm / spacing_px;

    return depth_mm >= DEPTH_MIN_MM && depth_mm <= DEPTH_MAX_MM;
}

/** With no longer ticks: centimetres, unless that makes an impossible picture. */
static struct meaning meaning_of_like_ticks(double spacing_px, double depth_px)
{
    if (is_plausible(10.0, spacing_px, depth_px))
        return (struct meaning){10.0, true, "all its ticks look alike: centimetre ticks are assumed"};
    if (is_plausible(5.0, spacing_px, depth_px))
        return (struct meaning){
            5.0, true,
            "all its ticks look alike and centimetres make too deep a picture: 5 mm ticks are assumed"};
    if (is_plausible(1.0, spacing_px, depth_px))
        return (struct meaning){
            1.0, true,
            "all its ticks look alike and centimetres make too deep a picture: 1 mm ticks are assumed"};
    return (struct meaning){0};
}

static struct meaning meaning_of_fifths(double spacing_px, double depth_px)
{
    bool is_cm_possible = is_plausible(10.0, spacing_px, depth_px);
    bool is_2_mm_possible = is_plausible(2.0, spacing_px, depth_px);
    bool is_1_mm_possible = is_plausible(1.0, spacing_px, depth_px);

    if (is_cm_possible)
        return (struct meaning){10.0, is_2_mm_possible,
                                "every fifth tick stands out: centimetre ticks, marked every 5 cm"};
    if (is_2_mm_possible)
        return (struct meaning){2.0, is_1_mm_possible,
                                "every fifth tick stands out: 2 mm ticks, marked every centimetre"};
    if (is_1_mm_possible)
        return (struct meaning){1.0, true,
                                "every fifth tick stands out: 1 mm ticks, marked every 5 mm, are assumed"};
    return (struct meaning){0};
}

/** What ticks mean by which of them are longer or bear a number, and by the depth that it makes. */
static struct meaning meaning_of(int major_every, int number_every, double spacing_px, double depth_px)
{
    /* numbers at every second tick are read by nobody here: 1 2 3 and 2 4 6 cm look alike */
    int every = major_every || number_every == 2 ? major_every : number_every;

    if (every == 10 && is_plausible(1.0, spacing_px, depth_px))
        return (struct meaning){1.0, false,
                                "every tenth tick stands out: millimetre ticks, marked every centimetre"};
    if (every == 5)
        return meaning_of_fifths(spacing_px, depth_px);
    if (every == 2 && is_plausible(5.0, spacing_px, depth_px))
        return (struct meaning){5.0, false, "every second tick stands out: half and whole centimetres"};
    if (every == 1 && is_plausible(10.0, spacing_px, depth_px))
        return (struct meaning){10.0, false, "every tick bears a number: centimetre ticks"};
    if (every > 0 && is_plausible(10.0, spacing_px, depth_px))
        return (struct meaning){10.0, true,
                                "some of its ticks stand out by no known rule: centimetre ticks are assumed"};
    return every > 0 ? (struct meaning){0} : meaning_of_like_ticks(spacing_px, depth_px);
}

static struct point place(const struct lattice *lattice, int k, bool is_vertical)
{
    double along_px = lattice->first_px + lattice->spacing_px * k;

    return is_vertical ? (struct point){lattice->x_px, along_px} : (struct point){along_px, lattice->x_px};
}

static bool describe(struct ruler *ruler, const struct lattice *lattice, const struct marks *marks,
                     bool is_vertical, double depth_px)
{
    int major_every = lattice_major_every(lattice, marks);
    int number_every = lattice_number_every(lattice, marks);
    struct meaning meaning = meaning_of(major_every, number_every, lattice->spacing_px, depth_px);

    if (meaning.why == NULL)
        return text_list_add(
            &ruler->reasons,
            "a row of %d even marks %.1f px apart is no depth ruler: neither 1, 5 nor 10 mm ticks "
            "make a picture %.0f to %.0f mm deep",
            lattice->n_hits, lattice->spacing_px, DEPTH_MIN_MM, DEPTH_MAX_MM);
    ruler->is_found = true;
    ruler->is_vertical = is_vertical;
    ruler->spacing_px = lattice->spacing_px;
    ruler->major_spacing_px = major_every * lattice->spacing_px;
    ruler->n_ticks = lattice->n_hits;
    ruler->mm_per_px = meaning.tick_mm / lattice->spacing_px;
    ruler->is_assumed = meaning.is_assumed;
    ruler->first_px = place(lattice, 0, is_vertical);
    ruler->last_px = place(lattice, lattice->n_places - 1, is_vertical);
    return text_list_add(&ruler->reasons, "a ruler of %d ticks %.2f px apart was found; %s", lattice->n_hits,
                         lattice->spacing_px, meaning.why);
}

/** Looks for a row beside or over the picture. A lying row counts only right at the picture: time
 *  marks of a trace lie farther off. */
static bool look_along(struct ruler *ruler, const struct survey *survey, const struct picture *picture,
                       bool is_vertical, struct error **err)
{
    struct marks marks = {0};
    struct lattice lattice = {0};
    const struct box *box = &picture->box;
    double depth_px = box->bottom_px - box->top_px + 1;
    double along_px = is_vertical ? depth_px : box->right_px - box->left_px + 1;
    int reach_px = (int)lround(is_vertical ? BESIDE_SHARE * picture->width_px : NEAR_SHARE * depth_px);
    int from_px = (is_vertical ? box->left_px : box->top_px) - reach_px;
    int end_px = (is_vertical ? box->right_px : box->bottom_px) + reach_px + 1;
    bool is_good = marks_find(&marks, survey, picture, !is_vertical, err) &&
                   lattice_find(&lattice, &marks, along_px, from_px, end_px, err);

    if (is_good && is_vertical &&
        lattice.n_hits == 0) { /* none beside the picture: anywhere, if it is the only one */
        lattice_free(&lattice);
        is_good = lattice_find(&lattice, &marks, along_px, 0, marks.width_px, err);
    }

    if (is_vertical) /* a picture that is mostly dark is at least as deep as its ruler */
        depth_px = fmax(depth_px, (lattice.n_places - 1) * lattice.spacing_px);
    if (is_good && lattice.n_hits > 0)
        is_good = describe(ruler, &lattice, &marks, is_vertical, depth_px) || error_memory(err);
    lattice_free(&lattice);
    marks_free(&marks);
    return is_good;
}

bool ruler_find(struct ruler *ruler, const struct survey *survey, const struct picture *picture,
                struct error **err)
{
    *ruler = (struct ruler){0};
    if (!look_along(ruler, survey, picture, true, err))
        return false;
    if (!ruler->is_found && !look_along(ruler, survey, picture, false, err))
        return false;
    if (!ruler->is_found && ruler->reasons.n == 0 &&
        !text_list_add(&ruler->reasons, "no row of evenly spaced, still ticks was found beside the picture"))
        return error_memory(err);
    return true;
}

void ruler_free(struct ruler *ruler)
{
    if (ruler == NULL)
        return;
    text_list_free(&ruler->reasons);
    *ruler = (struct ruler){0};
}
