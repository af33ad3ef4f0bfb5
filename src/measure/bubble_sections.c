#include "measure/bubble_sections.h"

#include "measure/drift_opinions.h"
#include "measure/drift_path.h"
#include "measure/instant.h"
#include "measure/length.h"
#include "measure/tip_sections.h"

#include <math.h>
#include <stdlib.h>

static const double NORMAL_95 = 1.96; /* standard errors on either side of a 95 % interval */
/* A distance from a fundus whose own end is told no better than that answers little: deposits are aimed at a
 * band of 15 to 20 mm (common practice, no source), of which such an interval covers two fifths. */
static const double MOST_HALF_MM = 1.0;
static const double BORNE_OUT_TRUST = 0.4; /* bubbles that come cannot bear out what is hardly a stripe */
static const double LOST_S = 5.0;          /* before the loop's end: worth a sentence */

static const struct stripe_end *fundal_end(const struct bubble_facts *facts)
{
    return facts->fundus_is_first ? &facts->stripe->fit.first : &facts->stripe->fit.last;
}

static double fundal_half_mm(const struct bubble_facts *facts)
{
    return NORMAL_95 * fundal_end(facts)->error_mm;
}

/* Whether the band that was taken may well not be the stripe, or another part of it. */
static bool is_hardly_trusted(const struct bubble_facts *facts)
{
    return !facts->fundus_given && facts->trust < BUBBLE_FACTS_LEAST_TRUST;
}

/* Whether the fundus is told too vaguely to measure from it; says so. */
static bool is_vague(const struct bubble_facts *facts, struct text_list *reasons)
{
    double half_mm = fundal_half_mm(facts);

    if (is_hardly_trusted(facts)) {
        (void)text_list_add(
            reasons,
            "that the stripe's fundus lies where it is told is trusted to %.2f of 1, too little for a "
            "distance from it; mark it with --fundus and --os",
            facts->trust);
        return true;
    }
    if (half_mm <= MOST_HALF_MM)
        return false;
    (void)text_list_add(
        reasons,
        "the fundal end of the stripe is told to within %.1f mm only, too vague for a distance "
        "from it; mark it with --fundus",
        half_mm);
    return true;
}

static struct point fundus_at(const struct bubble_facts *facts, size_t frame)
{
    return facts->follow->tip[2 * frame + (facts->fundus_is_first ? 0 : 1)];
}

static struct point place_at(const struct bubble_facts *facts, size_t frame, const struct bubble_sight *sight)
{
    return follow_place(facts->follow, facts->canvas, frame, sight->along_mm, sight->across_mm);
}

static double root_of_squares(const double *errors_mm, size_t n)
{
    double squares = 0.0;

    for (size_t i = 0; i < n; i++)
        squares += errors_mm[i] * errors_mm[i];
    return sqrt(squares);
}

/* How far a place lies outside the walls that the stripe was given; 0 between them. */
static double outside_mm(const struct bubble_facts *facts, const struct bubble_sight *sight)
{
    const struct stripe_fit *fit = &facts->stripe->fit;
    double at = fmin(fmax(sight->along_mm / FIT_STEP_MM, 0.0), (double)(fit->n - 1));

    return fit->n > 0 ? fmax(fabs(sight->across_mm) - fit->half_mm[(size_t)lround(at)], 0.0) : 0.0;
}

/* Bubbles lie in the stripe; where they do not, it was drawn in the wrong place. */
static void doubt_stripe(struct text_list *reasons, const struct bubble_facts *facts)
{
    double outside = outside_mm(facts, &facts->cluster->first.sight);

    if (outside > INSTANT_OUTSIDE_MM)
        (void)text_list_add(
            reasons,
            facts->stripe->is_marked
                ? "the bubbles lie outside the stripe that was marked; check the marks"
                : "the bubbles lie outside the band that was taken for the stripe; mark its ends with "
                  "--fundus and --os");
}

static void fill_deposit(struct deposit *deposit, const struct bubble_facts *facts)
{
    const struct cluster *cluster = facts->cluster;
    const struct follow *follow = facts->follow;
    const struct canvas *canvas = facts->canvas;
    const struct bubble_sight *first = &cluster->first.sight;
    size_t onset = cluster->onset;
    struct point place = place_at(facts, onset, first);
    double to_fundus = canvas_distance_mm(canvas, place, fundus_at(facts, onset));
    const double errors[4] = {fundal_end(facts)->error_mm, cluster->first.error_mm,
                              follow_carry_error_mm(follow, canvas, onset, first->along_mm),
                              outside_mm(facts, first)};
    double error = NORMAL_95 * root_of_squares(errors, 4);
    bool is_open = false;

    deposit->verdict = DEPOSIT_MEASURED;
    doubt_stripe(&deposit->reasons, facts);
    is_open = instant_fill(deposit, facts, outside_mm(facts, first));
    deposit->has_point = true;
    deposit->point_px = canvas_to_frame(canvas, place);
    if (is_open)
        return;
    if (!facts->is_sure_of_end) {
        (void)text_list_add(&deposit->reasons,
                            "which end of the stripe is the fundus cannot be told; mark it with --fundus");
        return;
    }
    if (is_vague(facts, &deposit->reasons))
        return;
    length_set(canvas, &deposit->to_fundus_mm, &deposit->to_fundus_px,
               quantity_within(to_fundus, fmax(to_fundus - error, 0.0), to_fundus + error));
    deposit->relative_depth =
        quantity_of(to_fundus / (facts->stripe->fit.length_mm + facts->stripe->tail.length_mm));
    tip_sections_fill(deposit, facts);
    if (canvas->is_nominal)
        (void)text_list_add(&deposit->reasons, "no scale is known, so distances are in pixels only");
}

static void fill_final(struct drift *drift, const struct bubble_facts *facts)
{
    const struct cluster *cluster = facts->cluster;
    const struct follow *follow = facts->follow;
    const struct cluster_end *last = &cluster->last;
    double lost_s = follow->time_s[follow->n_frames - 1] - follow->time_s[last->frame];

    if (!is_vague(facts, &drift->reasons))
        length_set(facts->canvas, &drift->final_to_fundus_mm, &drift->final_to_fundus_px,
                   quantity_of(canvas_distance_mm(facts->canvas, place_at(facts, last->frame, &last->sight),
                                                  fundus_at(facts, last->frame))));
    if (facts->cluster->other_s > 0.0)
        (void)text_list_add(
            &drift->reasons,
            "the bubbles were lost from sight at %.0f s; what is bright from %.0f s on, %.0f mm away, is "
            "not taken for them",
            facts->cluster->lost_s, facts->cluster->other_s, facts->cluster->other_away_mm);
    else if (lost_s > LOST_S)
        (void)text_list_add(&drift->reasons, "the bubbles were lost from sight %.0f s before the loop ends",
                            lost_s);
}

/* Mean drag of the patches about bubbles over a second and a half about a frame. */
static double drag_about_mm(const struct bubble_facts *facts, const struct cluster_end *end)
{
    const struct follow *follow = facts->follow;
    double sum = 0.0;
    double n = 0.0;

    for (size_t t = 0; t < follow->n_frames; t++)
        if (fabs(follow->time_s[t] - follow->time_s[end->frame]) <= 0.75) {
            sum += follow_drag_mm(follow, facts->canvas, t, end->sight.along_mm, end->sight.across_mm);
            n += 1.0;
        }
    return n > 0.0 ? sum / n : 0.0;
}

/* The way by the centre of the brightness beside that by the pattern; along and drag as fill_drift has them.
 */
static void fill_opinions(struct drift *drift, const struct bubble_facts *facts, double along_mm,
                          double drag_mm)
{
    const struct cluster_end *first = &facts->cluster->first;
    const struct cluster_end *last = &facts->cluster->last;
    const struct speckle_way *speckle = facts->speckle;
    double sign = facts->fundus_is_first ? -1.0 : 1.0;
    double speckle_mm =
        drag_mm + follow_way_mm(facts->follow, first->sight.along_mm, first->sight.along_mm + speckle->way_mm,
                                0.5 * (first->sight.across_mm + last->sight.across_mm));
    const double shared_mm[3] = {
        follow_carry_error_mm(facts->follow, facts->canvas, first->frame, first->sight.along_mm),
        follow_carry_error_mm(facts->follow, facts->canvas, last->frame, last->sight.along_mm),
        fmax(outside_mm(facts, &first->sight), outside_mm(facts, &last->sight))};
    const struct drift_opinions opinions = {.has_direction = facts->is_sure_of_end,
                                            .centre_mm = sign * along_mm,
                                            .centre_error_mm = facts->cluster->drift_error_mm,
                                            .speckle_mm = sign * speckle_mm,
                                            .speckle_error_mm = speckle->error_mm,
                                            .why_no_speckle = speckle->is_told ? NULL : speckle->why,
                                            .shared_error_mm = root_of_squares(shared_mm, 3)};

    drift_opinions_join(drift, facts->canvas, &opinions);
}

static void doubt_counted(struct drift *drift, const struct bubble_facts *facts)
{
    if (facts->cluster->elsewhere_mm > 0.0)
        (void)text_list_add(
            &drift->reasons,
            "something shines like the bubbles %.0f mm from where they were last seen, and did "
            "not before they came: it may be a part of them",
            facts->cluster->elsewhere_mm);
}

static void fill_drift(struct drift *drift, const struct bubble_facts *facts)
{
    const struct bubble_sight *first = &facts->cluster->first.sight;
    const struct bubble_sight *last = &facts->cluster->last.sight;
    const struct canvas *canvas = facts->canvas;
    double drag = drag_about_mm(facts, &facts->cluster->last) - drag_about_mm(facts, &facts->cluster->first);
    double along = drag + follow_way_mm(facts->follow, first->along_mm, last->along_mm,
                                        0.5 * (first->across_mm + last->across_mm));
    double net = hypot(along, last->across_mm - first->across_mm);
    struct drift_path path = drift_path_trace(facts->follow, facts->cluster);
    double since_s = 0.0;

    doubt_stripe(&drift->reasons, facts);
    if (facts->cluster->has_onset &&
        instant_is_open(facts, outside_mm(facts, first), &drift->reasons, &since_s)) {
        drift->verdict = DRIFT_NOT_ASSESSABLE;
        return;
    }
    drift->verdict = DRIFT_MEASURED;
    length_set(canvas, &drift->net_mm, &drift->net_px, quantity_of(net));
    length_set(canvas, &drift->path_mm, &drift->path_px, quantity_of(fmax(path.length_mm, net)));
    length_set(canvas, &drift->farthest_mm, &drift->farthest_px, quantity_of(fmax(path.farthest_mm, net)));
    length_set(canvas, &drift->spread_mm, &drift->spread_px, quantity_of(last->spread_mm));
    drift->followed_s = quantity_of(path.seen_s);
    drift->pieces = quantity_of(last->pieces);
    if (canvas->is_nominal)
        (void)text_list_add(&drift->reasons, "no scale is known, so distances are in pixels only");
    if (!facts->is_sure_of_end) {
        (void)text_list_add(
            &drift->reasons,
            "which end of the stripe is the fundus cannot be told, so drift has no direction");
        doubt_counted(drift, facts);
        fill_opinions(drift, facts, along, drag);
        drift->toward_fundus_mm = drift->toward_fundus_px = (struct quantity){0};
        drift->by_speckle_mm = drift->by_speckle_px = (struct quantity){0};
        return;
    }
    if (!facts->fundus_given && facts->stripe->trust < BORNE_OUT_TRUST) {
        (void)text_list_add(&drift->reasons,
                            "the stripe is told with little trust (%.2f of 1), too little for a drift along "
                            "it; mark it with --fundus and --os",
                            facts->stripe->trust);
        return;
    }
    fill_final(drift, facts);
    doubt_counted(drift, facts);
    fill_opinions(drift, facts, along, drag);
}

/* Bubbles that were seen to come bear the stripe out; that none were, or that something bright was always
 * there, says nothing where the band may not be the stripe. */
static bool withhold_bubbles(struct loop_result *result, const struct bubble_facts *facts)
{
    const char *why =
        facts->stripe->is_marked
            ? "what lies between the marks may not be the stripe, so nothing is told of bubbles in "
              "it; check the marks"
            : "what was taken for the stripe may not be it, so nothing is told of bubbles in "
              "it; mark its ends with --fundus and --os";

    if (stripe_is_sure(facts->stripe) ||
        (facts->cluster->is_present && facts->cluster->has_onset && facts->stripe->trust > BORNE_OUT_TRUST))
        return false;
    result->deposit.verdict = DEPOSIT_NOT_ASSESSABLE;
    result->drift.verdict = DRIFT_NOT_ASSESSABLE;
    (void)text_list_add(&result->deposit.reasons, "%s", why);
    (void)text_list_add(&result->drift.reasons, "%s", why);
    return true;
}

/* Too few frames a second. */
static bool withhold_sparse(struct loop_result *result, const struct cluster *cluster)
{
    struct text_list *reasons[2] = {&result->deposit.reasons, &result->drift.reasons};

    if (!cluster->is_too_sparse)
        return false;
    result->deposit.verdict = DEPOSIT_NOT_ASSESSABLE;
    result->drift.verdict = DRIFT_NOT_ASSESSABLE;
    for (int i = 0; i < 2; i++)
        (void)text_list_add(
            reasons[i], "%.1f frames a second are too few to follow bubbles and tell them from the catheter",
            cluster->frames_per_s);
    return true;
}

void bubble_sections_fill(struct loop_result *result, const struct bubble_facts *facts)
{
    const struct cluster *cluster = facts->cluster;

    if (withhold_sparse(result, cluster))
        return;
    if (withhold_bubbles(result, facts))
        return;
    if (cluster->is_doubtful) {
        result->deposit.verdict = DEPOSIT_NOT_ASSESSABLE;
        result->drift.verdict = DRIFT_NOT_ASSESSABLE;
        for (size_t i = 0; i < result->deposit.reasons.n; i++)
            (void)text_list_add_once(&result->drift.reasons, "%s", result->deposit.reasons.items[i]);
        return;
    }
    if (!cluster->is_present || !cluster->first.sight.is_seen || !cluster->last.sight.is_seen) {
        result->deposit.verdict = DEPOSIT_NONE_SEEN;
        result->drift.verdict = DRIFT_NONE_SEEN;
        (void)text_list_add(&result->deposit.reasons, "no cluster of bubbles stands out in the stripe");
        (void)text_list_add(&result->drift.reasons, "no cluster of bubbles stands out in the stripe");
        return;
    }
    if (cluster->has_onset)
        fill_deposit(&result->deposit, facts);
    fill_drift(&result->drift, facts);
    if (!cluster->has_onset)
        for (size_t i = 0; i < result->deposit.reasons.n; i++)
            (void)text_list_add_once(&result->drift.reasons, "%s", result->deposit.reasons.items[i]);
}

/* ---- series ---- */

static void fill_row(struct series_row *row, size_t t, bool is_tip_told, const struct bubble_facts *facts)
{
    const struct follow *follow = facts->follow;
    const struct canvas *canvas = facts->canvas;
    const struct bubble_sight *sight = &facts->cluster->sight[t];
    struct point fundus = fundus_at(facts, t);
    struct point shown = canvas_to_frame(canvas, fundus);

    row->frame = follow->frame[t];
    row->time_s = follow->time_s[t];
    row->trust = (double)follow->trust[t];
    row->rigid_x_px = quantity_of(follow->shift_px[2 * t] * canvas->step_px);
    row->rigid_y_px = quantity_of(follow->shift_px[2 * t + 1] * canvas->step_px);
    row->rigid_turn_deg = quantity_of(follow->turn_rad[t] * 180.0 / 3.14159265358979);
    if (facts->is_sure_of_end) {
        row->fundus_x_px = quantity_of(shown.x_px);
        row->fundus_y_px = quantity_of(shown.y_px);
    }
    if (sight->has_tip && is_tip_told) {
        struct point tip = canvas_to_frame(
            canvas, follow_place(follow, canvas, t, sight->tip_along_mm, sight->tip_across_mm));

        row->tip_x_px = quantity_of(tip.x_px);
        row->tip_y_px = quantity_of(tip.y_px);
    }
    if (sight->is_seen) {
        struct point place = place_at(facts, t, sight);
        struct point centre = canvas_to_frame(canvas, place);

        row->bubble_x_px = quantity_of(centre.x_px);
        row->bubble_y_px = quantity_of(centre.y_px);
        if (facts->is_sure_of_end && fundal_half_mm(facts) <= MOST_HALF_MM && !is_hardly_trusted(facts)) {
            length_set(canvas, &row->to_fundus_mm, &row->to_fundus_px,
                       quantity_of(canvas_distance_mm(canvas, place, fundus)));
            length_set(canvas, &row->along_stripe_mm, &row->along_stripe_px,
                       quantity_of(bubble_facts_from_fundus(facts, sight->along_mm)));
        }
    }
}

bool bubble_sections_fill_series(struct loop_result *result, const struct bubble_facts *facts)
{
    const struct follow *follow = facts->follow;
    bool is_tip_told = true;

    result->series = calloc(follow->n_frames + 1, sizeof *result->series);
    if (result->series == NULL)
        return false;
    result->n_series = follow->n_frames;
    is_tip_told = tip_sections_are_told(facts);
    for (size_t t = 0; t < follow->n_frames; t++) {
        size_t n_good = 0;

        fill_row(&result->series[t], t, is_tip_told, facts);
        for (size_t p = 0; p < result->motion.n_positions; p++)
            n_good += result->motion.trust[t * result->motion.n_positions + p] >= 0.4F;
        result->series[t].is_usable = 2 * n_good >= result->motion.n_positions;
    }
    return true;
}
