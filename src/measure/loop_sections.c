#include "measure/loop_sections.h"

#include "base/statistics.h"
#include "measure/contraction.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double SURE_OF_END =
    0.8; /* least chance that the fundus is the fundus for numbers that rest on it */
static const double EARLY_FROM_S =
    0.15; /* the cluster's first place: its median over this part of its first second */
static const double EARLY_TO_S = 1.2;
static const double LATE_S = 3.0; /* and its last place: over its last seconds */
static const double FROZEN_S = 0.5;
static const double QUIET_TRUST = 0.6; /* of the stripe, below which a quiet trace proves nothing */

double sections_fundus_odds(const struct stripe *stripe, const struct cluster *cluster)
{
    double odds = stripe->fundus_first;

    odds += cluster->catheter_odds; /* the catheter comes from the os */
    if (cluster->is_present && stripe->fit.length_mm > 0.0)
        for (size_t t = 0; t < cluster->n; t++)
            if (cluster->sight[t].is_seen) {
                /* Deposits are aimed at the upper half: Lambers et al., Fertil. Steril. 2007:
                 * 0.36 to 0.45 of the plate's length from the fundus. */
                odds +=
                    fmin(fmax(3.0 * (0.5 - cluster->sight[t].along_mm / stripe->fit.length_mm), -0.8), 0.8);
                break;
            }
    return odds;
}

/* Millimetre quantities in millimetres or, without a scale, withheld; and in pixels always. */
static void set_length(const struct canvas *canvas, struct quantity *mm, struct quantity *px,
                       struct quantity value_mm)
{
    double per_px = 0.5 * (canvas->mm_per_px_x + canvas->mm_per_px_y) / canvas->step_px;

    *mm = canvas->is_nominal ? (struct quantity){0} : value_mm;
    if (px != NULL)
        *px = quantity_scaled(value_mm, 1.0 / per_px);
}

static struct point frame_place(const struct canvas *canvas, const double place_mm[2])
{
    struct point place = {.x_px = place_mm[0] / canvas->mm_per_px_x - 0.5,
                          .y_px = place_mm[1] / canvas->mm_per_px_y - 0.5};

    return canvas_to_frame(canvas, place);
}

static double certainty(double odds)
{
    return 1.0 / (1.0 + exp(-fabs(odds)));
}

static void explain_cavity(struct cavity *cavity, const struct stripe *stripe, double sure)
{
    if (sure < SURE_OF_END)
        (void)text_list_add(&cavity->reasons,
                            "which end of the stripe is the fundus cannot be told; mark it with --fundus");
    if (stripe->trust < 0.6)
        (void)text_list_add(
            &cavity->reasons,
            "the stripe hardly stands out; check its ends by eye and mark them with --fundus and --os");
    if (stripe->fit.first.is_at_edge || stripe->fit.last.is_at_edge)
        (void)text_list_add(&cavity->reasons, "the stripe runs out of the picture");
}

void sections_fill_cavity(struct cavity *cavity, const struct stripe *stripe, const struct cluster *cluster,
                          const struct canvas *canvas, const struct keys *keys,
                          const struct loop_request *request)
{
    const struct stripe_fit *fit = &stripe->fit;
    double odds = stripe->is_found ? sections_fundus_odds(stripe, cluster) : 0.0;
    double sure = request->has_fundus || request->has_os ? 1.0 : certainty(odds);
    bool is_first = odds >= 0.0;

    for (size_t i = 0; i < stripe->reasons.n; i++)
        (void)text_list_add(&cavity->reasons, "%s", stripe->reasons.items[i]);
    cavity->frame = keys->frame[0];
    cavity->time_s = keys->time_s[0];
    cavity->fundus_given = request->has_fundus;
    cavity->os_given = request->has_os;
    cavity->trust = stripe->trust * sure;
    if (!stripe->is_found)
        return;
    cavity->verdict = request->has_fundus && request->has_os ? CAVITY_GIVEN : CAVITY_FOUND;
    cavity->centre_line = calloc(fit->n, sizeof *cavity->centre_line);
    if (cavity->centre_line != NULL) {
        cavity->n_centre_line = fit->n;
        for (size_t i = 0; i < fit->n; i++)
            cavity->centre_line[i] = frame_place(canvas, fit->place_mm[is_first ? i : fit->n - 1 - i]);
    }
    cavity->has_points = true;
    cavity->fundus_px = request->has_fundus ? request->fundus_px
                                            : frame_place(canvas, fit->place_mm[is_first ? 0 : fit->n - 1]);
    cavity->os_px =
        request->has_os ? request->os_px : frame_place(canvas, fit->place_mm[is_first ? fit->n - 1 : 0]);
    set_length(canvas, &cavity->length_mm, &cavity->length_px, quantity_of(fit->length_mm));
    if (fit->thickness_mm > 0.0)
        set_length(canvas, &cavity->thickness_mm, &cavity->thickness_px, quantity_of(fit->thickness_mm));
    else
        (void)text_list_add(&cavity->reasons, "the walls cannot be made out, so there is no thickness");
    if (canvas->is_nominal)
        (void)text_list_add(&cavity->reasons, "no scale is known, so lengths are in pixels only");
    explain_cavity(cavity, stripe, sure);
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
            double x = (wall[1].x_px - wall[0].x_px - rest[1].x_px + rest[0].x_px) * canvas->mm_per_px_x;
            double y = (wall[1].y_px - wall[0].y_px - rest[1].y_px + rest[0].y_px) * canvas->mm_per_px_y;
            double change = x * follow->normal[2 * p] + y * follow->normal[2 * p + 1];

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

static bool fill_contractions(struct loop_result *result, const struct canvas *canvas, bool is_sure_of_end,
                              struct error **err)
{
    struct contractions *contractions = &result->contractions;
    const struct wall_motion *motion = &result->motion;
    struct wave_trace trace = {.n_times = motion->n_times,
                               .n_positions = motion->n_positions,
                               .time_s = motion->time_s,
                               .position_mm = motion->position_mm,
                               .change_mm = motion->change_mm,
                               .trust = motion->trust};
    struct wave_result wave = {0};

    if (!contraction_measure(&wave, &contractions->reasons, &trace, err))
        return false;
    contractions->verdict = wave.verdict;
    contractions->assessed_s = wave.assessed_s;
    if (wave.verdict != CONTRACTIONS_NOT_ASSESSABLE)
        contractions->false_alarm = quantity_of(wave.false_alarm);
    if (wave.verdict != CONTRACTIONS_MEASURED)
        return true;
    contractions->frequency_per_min =
        quantity_within(wave.frequency_per_min, fmax(wave.low_per_min, 0.0), wave.high_per_min);
    contractions->count = quantity_of(wave.count);
    set_length(canvas, &contractions->amplitude_mm, &contractions->amplitude_px, quantity_of(wave.amplitude));
    if (wave.has_velocity)
        set_length(canvas, &contractions->velocity_mm_per_s, &contractions->velocity_px_per_s,
                   quantity_of(wave.velocity_per_s));
    else
        (void)text_list_add(
            &contractions->reasons,
            "the walls move together all along the stripe, so no velocity or direction can be told");
    if (canvas->is_nominal)
        (void)text_list_add(&contractions->reasons,
                            "no scale is known, so amplitude and velocity are in pixels only");
    contractions->direction = wave.direction;
    if (!is_sure_of_end &&
        (wave.direction == DIRECTION_CERVIX_TO_FUNDUS || wave.direction == DIRECTION_FUNDUS_TO_CERVIX)) {
        contractions->direction = DIRECTION_UNDETERMINED;
        (void)text_list_add(&contractions->reasons,
                            "the waves run one way, but which end is the fundus cannot be told");
    }
    return true;
}

/* A quiet trace says that the uterus is quiet only where it is surely the stripe's. */
static void withhold_quiet(struct contractions *contractions, double trust)
{
    if (contractions->verdict != CONTRACTIONS_QUIESCENT || trust >= QUIET_TRUST)
        return;
    contractions->verdict = CONTRACTIONS_NOT_ASSESSABLE;
    contractions->false_alarm = (struct quantity){0};
    (void)text_list_add(&contractions->reasons,
                        "nothing moves rhythmically where the stripe was taken to be, but it "
                        "may not be the stripe; mark its ends with --fundus and --os");
}

/* ---- deposit and drift ---- */

/* Arc length from the fundus. */
struct ruler_along {
    double length_mm;
    bool fundus_is_first;
};

static double from_fundus(const struct ruler_along *along, double at_mm)
{
    return along->fundus_is_first ? at_mm : along->length_mm - at_mm;
}

/* Middle place of the cluster over the frames within [from_s, to_s]; how many frames. */
static size_t middle_sight(const struct cluster *cluster, const struct follow *follow, size_t first,
                           double from_s, double to_s, struct bubble_sight *middle)
{
    double along[128], across[128], spread[128], pieces[128];
    size_t n = 0;

    for (size_t t = first; t < cluster->n && n < 128 && follow->time_s[t] <= to_s; t++)
        if (cluster->sight[t].is_seen && follow->time_s[t] >= from_s) {
            along[n] = cluster->sight[t].along_mm;
            across[n] = cluster->sight[t].across_mm;
            spread[n] = cluster->sight[t].spread_mm;
            pieces[n++] = cluster->sight[t].pieces;
        }
    if (n > 0) {
        middle->is_seen = true;
        middle->along_mm = statistics_median(along, n);
        middle->across_mm = statistics_median(across, n);
        middle->spread_mm = statistics_median(spread, n);
        middle->pieces = (int)lround(statistics_median(pieces, n));
    }
    return n;
}

static double distance_mm(const struct canvas *canvas, struct point a, struct point b)
{
    return canvas_distance_mm(canvas, a, b);
}

struct course_of_cluster {
    size_t first, last; /* analysed frames in which it was first and last seen */
    struct bubble_sight early, late;
};

static bool find_course(struct course_of_cluster *course, const struct cluster *cluster,
                        const struct follow *follow)
{
    double from_s = 0.0;
    double last_s = 0.0;

    course->first = cluster->has_onset ? cluster->onset : 0;
    while (course->first < cluster->n && !cluster->sight[course->first].is_seen)
        course->first++;
    course->last = cluster->n;
    while (course->last > 0 && !cluster->sight[course->last - 1].is_seen)
        course->last--;
    if (course->last == 0 || course->first >= course->last)
        return false;
    course->last--;
    from_s = follow->time_s[course->first];
    last_s = follow->time_s[course->last];
    if (middle_sight(cluster, follow, course->first, from_s + EARLY_FROM_S, from_s + EARLY_TO_S,
                     &course->early) == 0 &&
        middle_sight(cluster, follow, course->first, from_s, from_s + 5.0, &course->early) == 0)
        return false;
    return middle_sight(cluster, follow, course->first, fmax(last_s - LATE_S, from_s), last_s,
                        &course->late) > 0;
}

static void fill_deposit(struct loop_result *result, const struct cluster *cluster,
                         const struct follow *follow, const struct canvas *canvas,
                         const struct stripe *stripe, bool fundus_is_first, bool is_sure_of_end,
                         const struct course_of_cluster *course)
{
    struct deposit *deposit = &result->deposit;
    size_t onset = cluster->onset;
    const struct stripe_end *end = fundus_is_first ? &stripe->fit.first : &stripe->fit.last;
    struct ruler_along along = {.length_mm = stripe->fit.length_mm, .fundus_is_first = fundus_is_first};
    struct point place = follow_place(follow, canvas, onset, course->early.along_mm, course->early.across_mm);
    struct point fundus = follow->tip[2 * onset + (fundus_is_first ? 0 : 1)];
    double to_fundus = distance_mm(canvas, place, fundus);
    double error = sqrt(end->error_mm * end->error_mm + 0.25 * 0.25);
    double tip[64];
    size_t n_tip = 0;

    deposit->verdict = DEPOSIT_MEASURED;
    deposit->time_s = quantity_of(follow->time_s[onset]);
    deposit->has_frame = true;
    deposit->frame = follow->frame[onset];
    deposit->has_point = true;
    deposit->point_px = canvas_to_frame(canvas, place);
    if (!is_sure_of_end) {
        (void)text_list_add(&deposit->reasons,
                            "which end of the stripe is the fundus cannot be told; mark it with --fundus");
        return;
    }
    set_length(canvas, &deposit->to_fundus_mm, &deposit->to_fundus_px,
               quantity_within(to_fundus, fmax(to_fundus - 1.96 * error, 0.0), to_fundus + 1.96 * error));
    deposit->relative_depth = quantity_of(to_fundus / stripe->fit.length_mm);
    for (size_t t = onset; t-- > 0 && n_tip < 64 && follow->time_s[onset] - follow->time_s[t] < 1.5;)
        if (cluster->sight[t].has_tip)
            tip[n_tip++] = from_fundus(&along, cluster->sight[t].tip_along_mm);
    if (n_tip > 0)
        set_length(canvas, &deposit->tip_to_fundus_mm, &deposit->tip_to_fundus_px,
                   quantity_of(fabs(statistics_median(tip, n_tip))));
    else
        (void)text_list_add(&deposit->reasons, "the catheter's tip was not seen just before the deposit");
    if (canvas->is_nominal)
        (void)text_list_add(&deposit->reasons, "no scale is known, so distances are in pixels only");
}

/* Length of the way and its farthest place, over medians of two seconds. */
static void trace_way(const struct cluster *cluster, const struct follow *follow,
                      const struct course_of_cluster *course, double *path_mm, double *farthest_mm,
                      double *seen_s)
{
    struct bubble_sight before = course->early;

    *path_mm = *farthest_mm = *seen_s = 0.0;
    for (double from = follow->time_s[course->first] + EARLY_TO_S; from < follow->time_s[course->last];
         from += 2.0) {
        struct bubble_sight now = {0};

        if (middle_sight(cluster, follow, course->first, from, from + 2.0, &now) == 0)
            continue;
        *path_mm += fmax(hypot(now.along_mm - before.along_mm, now.across_mm - before.across_mm) - 0.1, 0.0);
        *farthest_mm = fmax(*farthest_mm, hypot(now.along_mm - course->early.along_mm,
                                                now.across_mm - course->early.across_mm));
        before = now;
    }
    for (size_t t = course->first; t + 1 <= course->last; t++)
        if (cluster->sight[t].is_seen && cluster->sight[t + 1].is_seen)
            *seen_s += follow->time_s[t + 1] - follow->time_s[t];
}

static void fill_drift(struct loop_result *result, const struct cluster *cluster, const struct follow *follow,
                       const struct canvas *canvas, const struct stripe *stripe, bool fundus_is_first,
                       bool is_sure_of_end, const struct course_of_cluster *course)
{
    struct drift *drift = &result->drift;
    struct ruler_along along = {.length_mm = stripe->fit.length_mm, .fundus_is_first = fundus_is_first};
    double toward = from_fundus(&along, course->early.along_mm) - from_fundus(&along, course->late.along_mm);
    double net = hypot(course->late.along_mm - course->early.along_mm,
                       course->late.across_mm - course->early.across_mm);
    double path = 0.0;
    double farthest = 0.0;
    double seen_s = 0.0;
    const double error = 0.3;
    struct point place =
        follow_place(follow, canvas, course->last, course->late.along_mm, course->late.across_mm);
    struct point fundus = follow->tip[2 * course->last + (fundus_is_first ? 0 : 1)];

    trace_way(cluster, follow, course, &path, &farthest, &seen_s);
    drift->verdict = DRIFT_MEASURED;
    set_length(canvas, &drift->net_mm, &drift->net_px, quantity_of(net));
    set_length(canvas, &drift->path_mm, &drift->path_px, quantity_of(path));
    set_length(canvas, &drift->farthest_mm, &drift->farthest_px, quantity_of(fmax(farthest, net)));
    set_length(canvas, &drift->spread_mm, &drift->spread_px, quantity_of(course->late.spread_mm));
    drift->followed_s = quantity_of(seen_s);
    drift->pieces = quantity_of(course->late.pieces);
    if (canvas->is_nominal)
        (void)text_list_add(&drift->reasons, "no scale is known, so distances are in pixels only");
    if (!is_sure_of_end) {
        (void)text_list_add(
            &drift->reasons,
            "which end of the stripe is the fundus cannot be told, so drift has no direction");
        return;
    }
    set_length(canvas, &drift->toward_fundus_mm, &drift->toward_fundus_px,
               quantity_within(toward, toward - 1.96 * error, toward + 1.96 * error));
    set_length(canvas, &drift->final_to_fundus_mm, &drift->final_to_fundus_px,
               quantity_of(distance_mm(canvas, place, fundus)));
    if (follow->time_s[follow->n_frames - 1] - follow->time_s[course->last] > 5.0)
        (void)text_list_add(&drift->reasons, "the bubbles were lost from sight %.0f s before the loop ends",
                            follow->time_s[follow->n_frames - 1] - follow->time_s[course->last]);
}

/* ---- series ---- */

static void fill_row(struct series_row *row, size_t t, const struct follow *follow,
                     const struct cluster *cluster, const struct canvas *canvas,
                     const struct ruler_along *along, bool is_sure_of_end)
{
    const struct bubble_sight *sight = &cluster->sight[t];
    struct point fundus = follow->tip[2 * t + (along->fundus_is_first ? 0 : 1)];
    struct point shown = canvas_to_frame(canvas, fundus);

    row->frame = follow->frame[t];
    row->time_s = follow->time_s[t];
    row->trust = (double)follow->trust[t];
    row->rigid_x_px = quantity_of(follow->shift_px[2 * t] * canvas->step_px);
    row->rigid_y_px = quantity_of(follow->shift_px[2 * t + 1] * canvas->step_px);
    row->rigid_turn_deg = quantity_of(follow->turn_rad[t] * 180.0 / 3.14159265358979);
    if (is_sure_of_end) {
        row->fundus_x_px = quantity_of(shown.x_px);
        row->fundus_y_px = quantity_of(shown.y_px);
    }
    if (sight->has_tip) {
        struct point tip = canvas_to_frame(
            canvas, follow_place(follow, canvas, t, sight->tip_along_mm, sight->tip_across_mm));

        row->tip_x_px = quantity_of(tip.x_px);
        row->tip_y_px = quantity_of(tip.y_px);
    }
    if (sight->is_seen) {
        struct point place = follow_place(follow, canvas, t, sight->along_mm, sight->across_mm);
        struct point centre = canvas_to_frame(canvas, place);

        row->bubble_x_px = quantity_of(centre.x_px);
        row->bubble_y_px = quantity_of(centre.y_px);
        if (is_sure_of_end) {
            set_length(canvas, &row->to_fundus_mm, &row->to_fundus_px,
                       quantity_of(distance_mm(canvas, place, fundus)));
            set_length(canvas, &row->along_stripe_mm, &row->along_stripe_px,
                       quantity_of(from_fundus(along, sight->along_mm)));
        }
    }
}

static bool fill_series(struct loop_result *result, const struct follow *follow,
                        const struct cluster *cluster, const struct canvas *canvas,
                        const struct ruler_along *along, bool is_sure_of_end)
{
    result->series = calloc(follow->n_frames + 1, sizeof *result->series);
    if (result->series == NULL)
        return false;
    result->n_series = follow->n_frames;
    for (size_t t = 0; t < follow->n_frames; t++) {
        size_t n_good = 0;

        fill_row(&result->series[t], t, follow, cluster, canvas, along, is_sure_of_end);
        for (size_t p = 0; p < result->motion.n_positions; p++)
            n_good += result->motion.trust[t * result->motion.n_positions + p] >= 0.4F;
        result->series[t].is_usable = 2 * n_good >= result->motion.n_positions;
    }
    return true;
}

static void copy_reasons(struct text_list *to, const struct text_list *from)
{
    for (size_t i = 0; i < from->n; i++)
        (void)text_list_add_once(to, "%s", from->items[i]);
}

bool sections_fill_motion(struct loop_result *result, const struct follow *follow,
                          const struct cluster *cluster, const struct stripe *stripe,
                          const struct canvas *canvas, const struct survey *survey, struct error **err)
{
    double odds = sections_fundus_odds(stripe, cluster);
    struct ruler_along along = {.length_mm = stripe->fit.length_mm, .fundus_is_first = odds >= 0.0};
    bool is_sure = certainty(odds) >= SURE_OF_END;
    struct course_of_cluster course = {0};

    if (follow->n_frames < 2) {
        (void)text_list_add(&result->contractions.reasons, "the loop has too few frames");
        return true;
    }
    if (!fill_wall_motion(&result->motion, follow, canvas, survey, along.length_mm, along.fundus_is_first) ||
        !fill_series(result, follow, cluster, canvas, &along, is_sure))
        return error_memory(err);
    if (!fill_contractions(result, canvas, is_sure, err))
        return false;
    withhold_quiet(&result->contractions, stripe->trust);
    if (canvas->is_nominal) {
        free(result->motion.position_mm);
        free(result->motion.change_mm);
        result->motion.position_mm = result->motion.change_mm = NULL;
    }
    if (!cluster->is_present || !find_course(&course, cluster, follow)) {
        result->deposit.verdict = DEPOSIT_NONE_SEEN;
        result->drift.verdict = DRIFT_NONE_SEEN;
        (void)text_list_add(&result->deposit.reasons, "no cluster of bubbles stands out in the stripe");
        (void)text_list_add(&result->drift.reasons, "no cluster of bubbles stands out in the stripe");
        return true;
    }
    if (cluster->has_onset)
        fill_deposit(result, cluster, follow, canvas, stripe, along.fundus_is_first, is_sure, &course);
    fill_drift(result, cluster, follow, canvas, stripe, along.fundus_is_first, is_sure, &course);
    if (!cluster->has_onset)
        copy_reasons(&result->drift.reasons, &result->deposit.reasons);
    return true;
}
