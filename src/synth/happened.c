/* What really happened in a scene, worked out from where the tissue was. */
#include "synth/truth_internal.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

enum { PLACES = 14, MOST_WAVES = 1024 };
static const double STEP_S = 0.1;

/* A moment in which nothing but the waves moves tissue. */
static struct instant waves_only(const struct scene *scene, double time_s)
{
    struct instant instant;

    movement_at(scene->movement, time_s, &instant);
    instant.turn[0] = instant.turn[3] = 1.0;
    instant.turn[1] = instant.turn[2] = 0.0;
    instant.shift_x_mm = instant.shift_y_mm = 0.0;
    instant.pulse = instant.outside_x_mm = instant.outside_y_mm = 0.0f;
    return instant;
}

double truth_rate_per_min(const struct scene *scene, double from_s, double to_s)
{
    double middle = 0.5 * scene->recipe.length_mm, sum = 0.0;
    long n_steps = (long)ceil((to_s - from_s) / STEP_S);
    double step = (to_s - from_s) / (double)n_steps;
    struct wave wave;

    for (long i = 0; i < n_steps; i++) {
        double from = waves_phase(scene->waves, middle, from_s + step * (double)i);
        double to = waves_phase(scene->waves, middle, from_s + step * (double)(i + 1));

        if (waves_get(scene->waves, (size_t)lround(0.5 * (from + to)), &wave) && wave.amplitude_mm > 0.0)
            sum += to - from;
    }
    return 60.0 * sum / (to_s - from_s);
}

struct truth_waves truth_count_waves(const struct scene *scene)
{
    struct truth_waves found = {.flow = (enum flow)scene->recipe.direction};
    double middle = 0.5 * scene->recipe.length_mm;
    long of_flow[FLOW_MIXED + 1] = {0};
    struct wave wave;

    for (size_t i = 0; waves_get(scene->waves, i, &wave); i++) {
        double passes = waves_passes_s(scene->waves, i, middle);

        if (passes < 0.0 || passes > scene->recipe.duration_s || wave.amplitude_mm <= 0.0)
            continue;
        found.count++;
        of_flow[wave.flow]++;
    }
    if (of_flow[FLOW_CERVIX_TO_FUNDUS] == found.count)
        found.flow = FLOW_CERVIX_TO_FUNDUS;
    else if (of_flow[FLOW_FUNDUS_TO_CERVIX] == found.count)
        found.flow = FLOW_FUNDUS_TO_CERVIX;
    found.per_min = truth_rate_per_min(scene, 0.0, scene->recipe.duration_s);
    return found;
}

static double along_normal(const struct scene *scene, const struct instant *instant, double s_mm, int side)
{
    struct along along = {s_mm, side * anatomy_wall_mm(scene->anatomy, s_mm, side)};
    struct place rest = anatomy_place(scene->anatomy, along), now = scene_place(scene, instant, along);
    struct place normal = anatomy_normal(scene->anatomy, s_mm);

    return (now.x_mm - rest.x_mm) * normal.x_mm + (now.y_mm - rest.y_mm) * normal.y_mm;
}

/* Peak-to-peak changes of wave i at a place: of the distance between the walls and of the upper wall. */
static void swing(const struct scene *scene, size_t i, double s_mm, double *between_mm, double *upper_mm)
{
    double from = waves_passes_s(scene->waves, i, s_mm), to = waves_passes_s(scene->waves, i + 1, s_mm);
    double low = HUGE_VAL, high = -HUGE_VAL, upper_low = HUGE_VAL, upper_high = -HUGE_VAL;

    for (int k = 0; k <= 32; k++) {
        struct instant instant = waves_only(scene, from + (to - from) * k / 32.0);
        double upper = along_normal(scene, &instant, s_mm, 1);
        double between = upper - along_normal(scene, &instant, s_mm, -1);

        low = fmin(low, between);
        high = fmax(high, between);
        upper_low = fmin(upper_low, upper);
        upper_high = fmax(upper_high, upper);
    }
    *between_mm = high - low;
    *upper_mm = upper_high - upper_low;
}

double truth_amplitude_mm(const struct scene *scene, double *upper_share)
{
    static const double FROM = 0.15, TO = 0.80;
    double *swings = calloc(MOST_WAVES, sizeof *swings), sum = 0.0, upper_sum = 0.0, amplitude = 0.0;
    struct wave wave, next;
    size_t n = 0;

    *upper_share = scene->recipe.wall_share;
    for (size_t i = 0;
         swings != NULL && waves_get(scene->waves, i, &wave) && waves_get(scene->waves, i + 1, &next); i++) {
        double s = scene->recipe.length_mm * (FROM + (TO - FROM) * (double)(i % PLACES) / (PLACES - 1)),
               upper = 0.0;
        double passes = waves_passes_s(scene->waves, i, s);

        if (wave.amplitude_mm <= 0.0 || passes < 0.0 || passes > scene->recipe.duration_s || n >= MOST_WAVES)
            continue;
        swing(scene, i, s, &swings[n], &upper);
        sum += swings[n++];
        upper_sum += upper;
    }
    if (n > 0) {
        *upper_share = upper_sum / sum;
        gsl_sort(swings, 1, n);
        amplitude = 0.5 * gsl_stats_median_from_sorted_data(swings, 1, n);
    }
    free(swings);
    return amplitude;
}

/* Amplitude-weighted middle of the bubbles in stripe coordinates of the resting tissue. */
static struct along echoes_middle(const struct scene *scene, double time_s, double *spread_mm)
{
    double sum = 0.0, s = 0.0, n = 0.0, squares = 0.0;
    struct along middle = {0.0, 0.0};

    for (size_t i = 0; i < bubbles_count(scene->bubbles); i++) {
        struct bubble bubble = bubbles_at(scene->bubbles, i, time_s);
        double weight = bubble.strength * pow(10.0, bubble.peak_db / 20.0);

        sum += weight;
        s += weight * bubble.along.s_mm;
        n += weight * bubble.along.n_mm;
        squares += weight * (bubble.along.s_mm * bubble.along.s_mm + bubble.along.n_mm * bubble.along.n_mm);
    }
    if (sum > 0.0)
        middle = (struct along){s / sum, n / sum};
    *spread_mm = sum > 0.0
                     ? sqrt(fmax(squares / sum - middle.s_mm * middle.s_mm - middle.n_mm * middle.n_mm, 0.0))
                     : 0.0;
    return middle;
}

static double apart(struct place a, struct place b)
{
    return hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm);
}

/* Brings a place of the picture back to the resting tissue; three steps leave less than 1 um. */
static struct along at_rest(const struct scene *scene, const struct instant *instant, struct place seen)
{
    struct along guess = anatomy_locate(scene->anatomy, seen);

    for (int i = 0; i < 6; i++) {
        struct place now = scene_place(scene, instant, guess), rest = anatomy_place(scene->anatomy, guess);

        rest.x_mm += seen.x_mm - now.x_mm;
        rest.y_mm += seen.y_mm - now.y_mm;
        guess = anatomy_locate(scene->anatomy, rest);
    }
    return guess;
}

static bool first_full_frame(const struct truth *t, size_t *frame)
{
    for (size_t i = 0; i < t->schedule->n; i++)
        if (t->frames[i].cluster.is_seen &&
            bubbles_are_seen(t->scene->bubbles, t->schedule->moments[i].scene_s)) {
            *frame = i;
            return true;
        }
    return false;
}

struct truth_deposit truth_deposit(const struct truth *t)
{
    const struct scene *scene = t->scene;
    struct truth_deposit found = {.time_s = scene->recipe.deposit_s, .tip_to_fundus_mm = NAN};
    struct along fundus = {0.0, 0.0};
    struct instant instant;
    struct catheter catheter;
    double spread;

    if (!first_full_frame(t, &found.frame))
        return found;
    found.is_there = true;
    movement_at(scene->movement, t->schedule->moments[found.frame].scene_s, &instant);
    catheter = catheter_at(&scene->recipe, scene->anatomy, instant.time_s);
    found.to_fundus_mm = apart(t->frames[found.frame].cluster.middle, scene_place(scene, &instant, fundus));
    found.to_fundus_by_echoes_mm =
        apart(scene_place(scene, &instant, echoes_middle(scene, instant.time_s, &spread)),
              scene_place(scene, &instant, fundus));
    if (catheter.is_there)
        found.tip_to_fundus_mm = apart(scene_place(scene, &instant, (struct along){catheter.tip_s_mm, 0.0}),
                                       scene_place(scene, &instant, fundus));
    return found;
}

/* Mean position along the stripe of the luma-weighted middle over the frames within 1 s. */
static double seen_mm(const struct truth *t, size_t frame)
{
    double middle = t->schedule->moments[frame].scene_s, sum = 0.0, n = 0.0;

    for (size_t i = 0; i < t->schedule->n; i++) {
        struct instant instant;

        if (!t->frames[i].cluster.is_seen || fabs(t->schedule->moments[i].scene_s - middle) > 1.0 ||
            !bubbles_are_seen(t->scene->bubbles, t->schedule->moments[i].scene_s))
            continue;
        movement_at(t->scene->movement, t->schedule->moments[i].scene_s, &instant);
        sum += at_rest(t->scene, &instant, t->frames[i].cluster.middle).s_mm;
        n += 1.0;
    }
    return sum / n;
}

struct truth_drift truth_drift(const struct truth *t)
{
    const struct scene *scene = t->scene;
    struct truth_drift found = {0};
    struct along first, now;
    struct place start, before;
    struct instant instant;
    size_t frame = 0;
    double spread;

    if (!first_full_frame(t, &frame))
        return found;
    found.is_there = true;
    first = now = echoes_middle(scene, t->schedule->moments[frame].scene_s, &spread);
    start = before = anatomy_place(scene->anatomy, first);
    for (size_t i = frame; i < t->schedule->n; i++) {
        const struct moment *moment = &t->schedule->moments[i];
        struct place place;

        if (!t->frames[i].cluster.is_seen || !bubbles_are_seen(scene->bubbles, moment->scene_s))
            continue;
        now = echoes_middle(scene, moment->scene_s, &found.spread_mm);
        place = anatomy_place(scene->anatomy, now);
        found.path_mm += apart(place, before);
        found.farthest_mm = fmax(found.farthest_mm, apart(place, start));
        found.net_mm = apart(place, start);
        found.final_frame = i;
        found.followed_s += i > frame && moment->stamp_s - t->schedule->moments[i - 1].stamp_s < 1.0
                                ? moment->stamp_s - t->schedule->moments[i - 1].stamp_s
                                : 0.0;
        before = place;
    }
    found.toward_fundus_mm = first.s_mm - now.s_mm;
    found.toward_fundus_as_seen_mm = seen_mm(t, frame) - seen_mm(t, found.final_frame);
    movement_at(scene->movement, t->schedule->moments[found.final_frame].scene_s, &instant);
    found.final_to_fundus_mm = apart(t->frames[found.final_frame].cluster.middle,
                                     scene_place(scene, &instant, (struct along){0.0, 0.0}));
    return found;
}
