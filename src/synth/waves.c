#include "synth/waves.h"

#include "synth/dice.h"

#include <gsl/gsl_interp.h>
#include <math.h>
#include <stdlib.h>

static const double TWO_PI = 6.283185307179586;

enum { PHASE, AMPLITUDE, TOWARD_FUNDUS, N_CURVES };

struct waves {
    struct recipe recipe;
    size_t n;
    double *start_s;
    double *curve[N_CURVES]; /* the count, the amplitude, the share of waves that run toward the fundus */
    gsl_interp *between[N_CURVES];
    struct wave *list;
};

static bool allocate(struct waves *w)
{
    w->start_s = calloc(w->n, sizeof(double));
    w->list = calloc(w->n, sizeof *w->list);
    if (w->start_s == NULL || w->list == NULL)
        return false;
    for (int i = 0; i < N_CURVES; i++) {
        w->curve[i] = calloc(w->n, sizeof(double));
        w->between[i] = gsl_interp_alloc(gsl_interp_steffen, w->n);
        if (w->curve[i] == NULL || w->between[i] == NULL)
            return false;
    }
    return true;
}

static enum flow flow_of(const struct recipe *recipe, size_t i, size_t *run, enum flow before,
                         struct dice *dice)
{
    if (recipe->direction != FLOW_MIXED)
        return (enum flow)recipe->direction;
    if (i > 0 && *run > 0) {
        (*run)--;
        return before;
    }
    *run = (size_t)(2.0 * dice_even(dice));
    if (i == 0)
        return dice_even(dice) < 0.5 ? FLOW_CERVIX_TO_FUNDUS : FLOW_FUNDUS_TO_CERVIX;
    return before == FLOW_CERVIX_TO_FUNDUS ? FLOW_FUNDUS_TO_CERVIX : FLOW_CERVIX_TO_FUNDUS;
}

/* Time from one wave to the next for one that begins at a time: which rate holds is told in the middle. */
static double interval_at(const struct recipe *recipe, double time_s)
{
    double passes_s = time_s + 0.5 * recipe->length_mm / recipe->velocity_mm_per_s;

    if (recipe->rate_later_per_min > 0.0 && passes_s >= recipe->rate_changes_s)
        return 60.0 / recipe->rate_later_per_min;
    return 60.0 / recipe->rate_per_min;
}

static void draw(struct waves *w, double from_s)
{
    const struct recipe *recipe = &w->recipe;
    double interval_s = interval_at(recipe, from_s);
    struct dice dice = dice_make(recipe->seed, 100);
    double time = from_s + interval_s * dice_even(&dice);
    enum flow flow = FLOW_CERVIX_TO_FUNDUS;
    size_t run = 0;

    for (size_t i = 0; i < w->n; i++) {
        double amplitude =
            recipe->amplitude_mm * fmax(0.25, 1.0 + recipe->amplitude_jitter * dice_normal(&dice));

        flow = flow_of(recipe, i, &run, flow, &dice);
        if (dice_even(&dice) < recipe->pause_share)
            amplitude = 0.0;
        w->start_s[i] = time;
        w->curve[PHASE][i] = (double)i;
        w->curve[AMPLITUDE][i] = amplitude;
        w->curve[TOWARD_FUNDUS][i] = flow == FLOW_CERVIX_TO_FUNDUS ? 1.0 : 0.0;
        w->list[i] = (struct wave){time, amplitude, flow};
        time += interval_at(recipe, time) * fmax(0.4, 1.0 + recipe->interval_jitter * dice_normal(&dice));
    }
}

bool waves_make(struct waves **waves, const struct recipe *recipe, struct error **err)
{
    struct waves *w = calloc(1, sizeof *w);
    double interval_s, shortest_s, before_s;

    if (w == NULL)
        return error_memory(err);
    w->recipe = *recipe;
    if (recipe->rate_per_min <= 0.0 || recipe->amplitude_mm <= 0.0) {
        *waves = w;
        return true;
    }
    interval_s = 60.0 / recipe->rate_per_min;
    before_s = 2.0 * (recipe->length_mm + 60.0) / recipe->velocity_mm_per_s + 6.0 * interval_s;
    shortest_s =
        recipe->rate_later_per_min > 0.0 ? fmin(interval_s, 60.0 / recipe->rate_later_per_min) : interval_s;
    w->n = (size_t)((2.0 * before_s + recipe->duration_s) / (0.8 * shortest_s)) + 12;
    if (!allocate(w)) {
        waves_free(&w);
        return error_memory(err);
    }
    draw(w, -before_s);
    for (int i = 0; i < N_CURVES; i++)
        (void)gsl_interp_init(w->between[i], w->start_s, w->curve[i], w->n);
    *waves = w;
    return true;
}

void waves_free(struct waves **waves)
{
    if (waves == NULL || *waves == NULL)
        return;
    for (int i = 0; i < N_CURVES; i++) {
        free((*waves)->curve[i]);
        gsl_interp_free((*waves)->between[i]);
    }
    free((*waves)->start_s);
    free((*waves)->list);
    free(*waves);
    *waves = NULL;
}

/* Way from the end where a wave begins; the meeting of opposing waves is rounded over 2 mm. */
static double travel_mm(const struct recipe *recipe, enum flow flow, double s_mm)
{
    double to_os = recipe->length_mm - s_mm;

    if (flow == FLOW_CERVIX_TO_FUNDUS)
        return to_os;
    if (flow == FLOW_FUNDUS_TO_CERVIX)
        return s_mm;
    return 0.5 * (s_mm + to_os - sqrt((s_mm - to_os) * (s_mm - to_os) + 4.0) +
                  sqrt(recipe->length_mm * recipe->length_mm + 4.0) - recipe->length_mm);
}

static double curve_at(const struct waves *w, int curve, double time_s)
{
    double time = fmin(fmax(time_s, w->start_s[0]), w->start_s[w->n - 1]);

    return gsl_interp_eval(w->between[curve], w->start_s, w->curve[curve], time, NULL);
}

static struct wave_effect one_way(const struct waves *w, enum flow flow, double s_mm, double time_s)
{
    double time = time_s - travel_mm(&w->recipe, flow, s_mm) / w->recipe.velocity_mm_per_s;
    double angle = TWO_PI * curve_at(w, PHASE, time);
    double amplitude = curve_at(w, AMPLITUDE, time);
    double narrow = pow(0.5 * (1.0 + cos(angle)), w->recipe.sharpness);
    double toward = flow == FLOW_CERVIX_TO_FUNDUS ? -1.0 : 1.0;

    if (flow == FLOW_OPPOSING)
        toward = tanh((0.5 * w->recipe.length_mm - s_mm) / 4.0);
    return (struct wave_effect){
        amplitude * (1.0 - 2.0 * narrow),
        toward * w->recipe.lengthwise_mm * amplitude / w->recipe.amplitude_mm * sin(angle),
    };
}

/* Full along the stripe, a little less at its ends, fading beyond them. */
static double reach(const struct recipe *recipe, double s_mm)
{
    double beyond = fmax(fmax(-s_mm, s_mm - recipe->length_mm), 0.0);
    double end = fmax(fmin(s_mm, recipe->length_mm - s_mm), 0.0);

    return (1.0 - 0.3 * exp(-end / 2.5)) * exp(-beyond / 8.0);
}

struct wave_effect waves_at(const struct waves *w, double s_mm, double time_s)
{
    struct wave_effect effect = {0.0, 0.0};
    double strength = reach(&w->recipe, s_mm);

    if (w->n == 0)
        return effect;
    if (w->recipe.direction != FLOW_MIXED) {
        effect = one_way(w, (enum flow)w->recipe.direction, s_mm, time_s);
    } else {
        struct wave_effect toward = one_way(w, FLOW_CERVIX_TO_FUNDUS, s_mm, time_s);
        struct wave_effect away = one_way(w, FLOW_FUNDUS_TO_CERVIX, s_mm, time_s);
        double middle = time_s - 0.5 * w->recipe.length_mm / w->recipe.velocity_mm_per_s;
        double share = curve_at(w, TOWARD_FUNDUS, middle);

        effect.change_mm = share * toward.change_mm + (1.0 - share) * away.change_mm;
        effect.lengthwise_mm = share * toward.lengthwise_mm + (1.0 - share) * away.lengthwise_mm;
    }
    effect.change_mm *= strength;
    effect.lengthwise_mm *= strength;
    return effect;
}

double waves_phase(const struct waves *w, double s_mm, double time_s)
{
    enum flow flow =
        w->recipe.direction == FLOW_MIXED ? FLOW_CERVIX_TO_FUNDUS : (enum flow)w->recipe.direction;

    if (w->n == 0)
        return 0.0;
    return curve_at(w, PHASE, time_s - travel_mm(&w->recipe, flow, s_mm) / w->recipe.velocity_mm_per_s);
}

bool waves_get(const struct waves *w, size_t i, struct wave *wave)
{
    if (i >= w->n)
        return false;
    *wave = w->list[i];
    return true;
}

double waves_passes_s(const struct waves *w, size_t i, double s_mm)
{
    return w->start_s[i] + travel_mm(&w->recipe, w->list[i].flow, s_mm) / w->recipe.velocity_mm_per_s;
}
