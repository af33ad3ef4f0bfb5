#include "measure/loop_sections.h"

#include "measure/bubble_sections.h"
#include "measure/contraction.h"
#include "measure/course_sections.h"
#include "measure/direction.h"
#include "measure/length.h"

#include <math.h>
#include <stdlib.h>

static const double HARDLY_TRUST = 0.2; /* of a stripe, marked as it may be */
static const double FROZEN_S = 0.5;

enum { LEAST_ONE_WAY = 2 }; /* waves */

/* What is told from the fundus, or toward it, turns round with the marks. */
static void pass_doubt_on(struct loop_result *result)
{
    enum wave_direction direction = result->contractions.direction;

    if (!result->cavity.marks_doubted)
        return;
    if (result->contractions.verdict == CONTRACTIONS_MEASURED && direction_is_one_way(direction))
        (void)text_list_add(&result->contractions.reasons,
                            "the marks may be exchanged (see the cavity): the waves then run the other way");
    if (result->deposit.verdict == DEPOSIT_MEASURED)
        (void)text_list_add(&result->deposit.reasons,
                            "the marks may be exchanged (see the cavity): distances to "
                            "the fundus are then distances to the os");
    if (result->drift.verdict == DRIFT_MEASURED)
        (void)text_list_add(
            &result->drift.reasons,
            "the marks may be exchanged (see the cavity): toward the fundus is then away from it");
}

/* ---- contractions ---- */

/* Frames that belong to a freeze. */
static void mark_frozen(const struct survey *survey, bool *is_frozen)
{
    for (size_t i = 0; i < survey->n_frames;) {
        size_t end = i + 1;

        while (end < survey->n_frames && survey->is_repeat[end])
            end++;
        if (survey->time_s[end - 1] - survey->time_s[i] >= FROZEN_S)
            for (size_t k = i + 1; k < end; k++)
                is_frozen[k] = true;
        i = end;
    }
}

/* Change along the normal of the distance between two places, of which the second lies on the normal's side.
 */
static double parted_mm(const struct canvas *canvas, const double normal[2], const struct point place[2],
                        const struct point rest[2])
{
    double x = (place[1].x_px - place[0].x_px - rest[1].x_px + rest[0].x_px) * canvas->mm_per_px_x;
    double y = (place[1].y_px - place[0].y_px - rest[1].y_px + rest[0].y_px) * canvas->mm_per_px_y;

    return x * normal[0] + y * normal[1];
}

static bool fill_wall_motion(struct wall_motion *motion, const struct follow *follow,
                             const struct canvas *canvas, const struct survey *survey, double length_mm,
                             bool fundus_is_first)
{
    size_t m = follow->n_positions;
    size_t n = follow->n_frames;
    double per_px = 0.5 * (canvas->mm_per_px_x + canvas->mm_per_px_y) / canvas->step_px;
    bool *is_frozen = calloc(survey->n_frames + 1, sizeof *is_frozen);

    motion->n_positions = m;
    motion->n_times = n;
    motion->position_mm = calloc(m, sizeof *motion->position_mm);
    motion->position_px = calloc(m, sizeof *motion->position_px);
    motion->time_s = calloc(n, sizeof *motion->time_s);
    motion->change_mm = calloc(m * n, sizeof *motion->change_mm);
    motion->change_px = calloc(m * n, sizeof *motion->change_px);
    motion->trust = calloc(m * n, sizeof *motion->trust);
    if (!is_frozen || !motion->position_mm || !motion->position_px || !motion->time_s || !motion->change_mm ||
        !motion->change_px || !motion->trust) {
        free(is_frozen);
        return false;
    }
    mark_frozen(survey, is_frozen);
    for (size_t i = 0; i < m; i++) {
        size_t p = fundus_is_first ? i : m - 1 - i;

        motion->position_mm[i] =
            fundus_is_first ? follow->position_mm[p] : length_mm - follow->position_mm[p];
        motion->position_px[i] = motion->position_mm[i] / per_px;
        for (size_t t = 0; t < n; t++) {
            const struct point *wall = follow->wall + (t * m + p) * 2;
            const struct point *rest = follow->rest + 2 * p;
            const float *trust = follow->wall_trust + (t * m + p) * 2;
            double change = parted_mm(canvas, follow->normal + 2 * p, wall, rest);

            motion->time_s[t] = follow->time_s[t];
            motion->change_mm[t * m + i] = change;
            motion->change_px[t * m + i] = change / per_px;
            motion->trust[t * m + i] = is_frozen[follow->frame[t] < survey->n_frames ? follow->frame[t] : 0]
                                           ? 0.0F
                                           : fminf(trust[0], trust[1]);
        }
    }
    free(is_frozen);
    return true;
}

/* What the trace needs besides wall_motion; its positions run from the fundus. */
struct beside {
    double half_mm[FOLLOW_MOST_POSITIONS];
    size_t position[FOLLOW_MOST_POSITIONS];
    double *change_mm;
    float *trust;
};

static bool fill_beside(struct beside *beside, struct wave_trace *trace, const struct follow *follow,
                        const struct canvas *canvas, bool fundus_is_first)
{
    size_t m = follow->n_positions;
    size_t n = follow->n_beside;

    beside->change_mm = calloc(follow->n_frames * n + 1, sizeof *beside->change_mm);
    beside->trust = calloc(follow->n_frames * n + 1, sizeof *beside->trust);
    if (beside->change_mm == NULL || beside->trust == NULL)
        return false;
    for (size_t p = 0; p < m; p++)
        beside->half_mm[fundus_is_first ? p : m - 1 - p] =
            0.5 * canvas_distance_mm(canvas, follow->rest[2 * p], follow->rest[2 * p + 1]);
    for (size_t i = 0; i < n; i++) {
        size_t p = follow->beside_position[i];
        const struct point *rest = follow->rest + 2 * m + 2 + 2 * i;

        beside->position[i] = fundus_is_first ? p : m - 1 - p;
        for (size_t t = 0; t < follow->n_frames; t++) {
            size_t at = t * n + i;

            beside->change_mm[at] = parted_mm(canvas, follow->normal + 2 * p, follow->beside + 2 * at, rest);
            beside->trust[at] = fminf(follow->beside_trust[2 * at], follow->beside_trust[2 * at + 1]);
        }
    }
    trace->half_mm = beside->half_mm;
    trace->patch_sigma_mm = TISSUE_POINT_SIGMA_MM;
    trace->beside = (struct wave_beside){.n = n,
                                         .position = beside->position,
                                         .away_mm = FOLLOW_BESIDE_MM,
                                         .change_mm = beside->change_mm,
                                         .trust = beside->trust};
    return true;
}

/* The walls led on beyond the os, where that is the end beyond which they were followed and it was not
 * marked. */
struct led_on {
    double *change_mm;
    float *trust;
};

static bool fill_on(struct led_on *on, struct wave_trace *trace, const struct follow *follow,
                    const struct canvas *canvas, bool fundus_is_first)
{
    size_t n = follow->n_on;

    on->change_mm = calloc(follow->n_frames * n + 1, sizeof *on->change_mm);
    on->trust = calloc(follow->n_frames * n + 1, sizeof *on->trust);
    if (on->change_mm == NULL || on->trust == NULL)
        return false;
    for (size_t i = 0; i < follow->n_frames * n; i++) {
        on->change_mm[i] = parted_mm(canvas, follow->on_normal + 2 * (i % n), follow->on + 2 * i,
                                     follow->on_rest + 2 * (i % n));
        on->trust[i] = fminf(follow->on_trust[2 * i], follow->on_trust[2 * i + 1]);
    }
    if (follow->on_is_last == fundus_is_first)
        trace->on = (struct wave_on){.n = n, .change_mm = on->change_mm, .trust = on->trust};
    return true;
}

/* The walls, the tissue beside them and what is led on beyond the os. It may not be moved. */
struct walls {
    struct wave_trace trace;
    struct beside beside;
    struct led_on on;
};

static void walls_free(struct walls *walls)
{
    free(walls->beside.change_mm);
    free(walls->beside.trust);
    free(walls->on.change_mm);
    free(walls->on.trust);
}

/* Borrows from result; end with walls_free, also on failure. False when memory ran out. */
static bool walls_make(struct walls *walls, const struct loop_result *result,
                       const struct bubble_facts *facts)
{
    const struct wall_motion *motion = &result->motion;

    *walls = (struct walls){.trace = {.n_times = motion->n_times,
                                      .n_positions = motion->n_positions,
                                      .time_s = motion->time_s,
                                      .position_mm = motion->position_mm,
                                      .change_mm = motion->change_mm,
                                      .trust = motion->trust}};
    if (!fill_beside(&walls->beside, &walls->trace, facts->follow, facts->canvas, facts->fundus_is_first) ||
        !fill_on(&walls->on, &walls->trace, facts->follow, facts->canvas, facts->fundus_is_first))
        return false;
    if (result->cavity.os_given)
        walls->trace.on.n = 0;
    return true;
}

/* A direction rests on where the stripe ends, on which of its ends is the fundus, and on more than one wave:
 * one does not tell how the others run. */
static void withhold_direction(struct contractions *contractions, const struct bubble_facts *facts,
                               const struct wave_result *wave)
{
    bool is_one_way = direction_is_one_way(wave->direction);

    if ((wave->runs_on || wave->meets_aside) && !facts->fundus_given &&
        facts->trust < BUBBLE_FACTS_LEAST_TRUST) { /* the stripe may go on where it was taken to end */
        contractions->direction = DIRECTION_UNDETERMINED;
        (void)text_list_add(
            &contractions->reasons,
            "waves meet near an end of the stripe or beyond it, but that it ends there is trusted "
            "to %.2f of 1 only: their direction is not told",
            facts->trust);
        return;
    }
    if (is_one_way && wave->n_this_way < LEAST_ONE_WAY) {
        contractions->direction = DIRECTION_UNDETERMINED;
        (void)text_list_add(
            &contractions->reasons,
            "fewer than %d waves were each clearly seen to run one way, which does not tell how the "
            "others run",
            LEAST_ONE_WAY);
    } else if (is_one_way && wave->has_either_way) {
        contractions->direction = DIRECTION_UNDETERMINED;
        (void)text_list_add(&contractions->reasons,
                            "the waves run one way, but for one that may as well run the other");
    }
    if (is_one_way && !facts->is_sure_of_end) {
        contractions->direction = DIRECTION_UNDETERMINED;
        (void)text_list_add(&contractions->reasons,
                            "the waves run one way, but which end is the fundus cannot be told");
    }
}

static bool fill_contractions(struct loop_result *result, const struct bubble_facts *facts,
                              const struct wave_trace *trace, struct wave_result *measured,
                              struct error **err)
{
    const struct canvas *canvas = facts->canvas;
    struct contractions *contractions = &result->contractions;
    struct wave_result wave = {0};

    if (!contraction_measure(measured, &contractions->reasons, trace, err))
        return false;
    wave = *measured;
    contractions->verdict = wave.verdict;
    contractions->assessed_s = wave.assessed_s;
    if (wave.verdict != CONTRACTIONS_NOT_ASSESSABLE)
        contractions->false_alarm = quantity_of(wave.false_alarm);
    if (wave.verdict != CONTRACTIONS_MEASURED)
        return true;
    contractions->frequency_per_min =
        quantity_within(wave.frequency_per_min, fmax(wave.low_per_min, 0.0), wave.high_per_min);
    contractions->count = quantity_of(wave.count);
    if (wave.has_pauses)
        (void)text_list_add(&contractions->reasons,
                            "the waves pause: the frequency is how many came over the whole time, pauses "
                            "included");
    length_set(canvas, &contractions->amplitude_mm, &contractions->amplitude_px,
               wave.is_at_walls
                   ? quantity_within(wave.amplitude, fmax(wave.amplitude_low, 0.0), wave.amplitude_high)
                   : quantity_of(wave.amplitude));
    if (!wave.is_at_walls)
        (void)text_list_add(
            &contractions->reasons,
            "how the motion fades beside the walls cannot be seen, so the amplitude is the one "
            "averaged over tissue beside them, which moves less");
    if (wave.has_velocity)
        length_set(canvas, &contractions->velocity_mm_per_s, &contractions->velocity_px_per_s,
                   isfinite(wave.velocity_high)
                       ? quantity_within(wave.velocity_per_s, wave.velocity_low, wave.velocity_high)
                       : quantity_of(wave.velocity_per_s));
    else
        (void)text_list_add(
            &contractions->reasons,
            wave.is_passing    ? "waves from both ends run on through one another, so no velocity can be told"
            : wave.meets_aside ? "waves from both ends meet near one end of the stripe or beyond it, so no "
                                 "velocity can be told"
            : wave.is_parting
                ? "the waves begin in the middle of the stripe and run toward both its ends, "
                  "so neither one direction nor a velocity can be told"
                : "the walls move together all along the stripe, so no velocity or direction can be told");
    if (wave.has_velocity && !isfinite(wave.velocity_high))
        (void)text_list_add(
            &contractions->reasons,
            "too few waves were seen, or they differ too much, for an interval of the velocity");
    if (canvas->is_nominal)
        (void)text_list_add(&contractions->reasons,
                            "no scale is known, so amplitude and velocity are in pixels only");
    contractions->direction = wave.direction;
    if (wave.runs_on)
        (void)text_list_add(
            &result->cavity.reasons,
            "waves run on beyond the end that was taken for the internal os: the stripe may reach "
            "farther than is told; mark it with --os");
    withhold_direction(contractions, facts, &wave);
    return true;
}

/* Why what moves, or does not, is not told: NULL where it is. A quiet trace says that the uterus is quiet
 * only where it is surely the stripe's, and waves of something that is hardly a stripe are not the uterus's.
 */
static const char *why_withheld(const struct contractions *contractions, const struct stripe *stripe,
                                const struct wave_result *measured)
{
    if (contractions->verdict == CONTRACTIONS_MEASURED && stripe->trust < HARDLY_TRUST)
        return "what lies there hardly looks like an endometrium, so what moves in it is not told; check the "
               "marks";
    if (contractions->verdict == CONTRACTIONS_MEASURED && !stripe->is_marked &&
        stripe->trust < BUBBLE_FACTS_LEAST_TRUST && measured->direction == DIRECTION_UNDETERMINED)
        return "something moves rhythmically, but runs neither way along what was taken for the stripe, "
               "which is little trusted: it may be other tissue; mark its ends with --fundus and --os";
    if (contractions->verdict != CONTRACTIONS_QUIESCENT || stripe_is_sure(stripe))
        return NULL;
    return stripe->is_marked ? "nothing moves rhythmically between the marks, but what lies there may not be "
                               "the stripe; check the marks"
                             : "nothing moves rhythmically where the stripe was taken to be, but it may not "
                               "be the stripe; mark its ends with --fundus and --os";
}

static void withhold_waves(struct contractions *contractions, const struct stripe *stripe,
                           const struct wave_result *measured)
{
    const char *why = why_withheld(contractions, stripe, measured);
    struct contractions withheld = {.verdict = CONTRACTIONS_NOT_ASSESSABLE,
                                    .assessed_s = contractions->assessed_s,
                                    .reasons = contractions->reasons};

    if (why == NULL)
        return;
    *contractions = withheld;
    (void)text_list_add(&contractions->reasons, "%s", why);
}

/* Contractions, bubbles, and how the contractions went in time, which the deposit parts. */
static bool fill_waves(struct loop_result *result, const struct bubble_facts *facts, struct error **err)
{
    struct walls walls;
    struct wave_result measured = {0};
    bool is_made = walls_make(&walls, result, facts);

    if (!is_made)
        (void)error_memory(err);
    is_made = is_made && fill_contractions(result, facts, &walls.trace, &measured, err);
    if (is_made) {
        withhold_waves(&result->contractions, facts->stripe, &measured);
        bubble_sections_fill(result, facts);
        is_made = course_sections_fill(result, facts, &walls.trace, &measured, err);
    }
    walls_free(&walls);
    return is_made;
}

bool sections_fill_motion(struct loop_result *result, const struct follow *follow,
                          const struct cluster *cluster, const struct stripe *stripe,
                          const struct canvas *canvas, const struct survey *survey, struct error **err)
{
    double odds = sections_fundus_odds(stripe, cluster);
    struct speckle_way speckle = {0};
    struct bubble_facts bubbles = {.follow = follow,
                                   .cluster = cluster,
                                   .speckle = &speckle,
                                   .stripe = stripe,
                                   .canvas = canvas,
                                   .fundus_is_first = odds >= 0.0,
                                   .fundus_given = result->cavity.fundus_given,
                                   .trust = sections_trust_along(stripe, odds),
                                   .is_sure_of_end = sections_certainty(odds) >= SECTIONS_SURE_OF_END};

    if (follow->n_frames < 2) {
        (void)text_list_add(&result->contractions.reasons, "the loop has too few frames");
        return true;
    }
    if (!fill_wall_motion(&result->motion, follow, canvas, survey, stripe->fit.length_mm,
                          bubbles.fundus_is_first) ||
        !bubble_sections_fill_series(result, &bubbles))
        return error_memory(err);
    if (cluster->is_present && cluster->first.sight.is_seen && cluster->last.sight.is_seen &&
        !speckle_way_measure(&speckle, follow, cluster))
        return error_memory(err);
    if (!fill_waves(result, &bubbles, err))
        return false;
    if (canvas->is_nominal) {
        free(result->motion.position_mm);
        free(result->motion.change_mm);
        result->motion.position_mm = result->motion.change_mm = NULL;
    }
    pass_doubt_on(result);
    return true;
}
