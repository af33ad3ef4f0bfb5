#include "train_fixture.h"

#include "synth/dice.h"

#include <math.h>
#include <stdlib.h>

static const double PI = 3.14159265358979323846;
static const double FRAMES_PER_S = 10.0;
static const double NOISE_MM = 0.05;
static const double WANDER_MM = 0.2;

static void *sure(void *memory)
{
    if (memory == NULL)
        abort();
    return memory;
}

void train_fixture_add(struct train_recipe *recipe, double from_s, double to_s, double rate_per_min,
                       enum train_way way)
{
    for (double at = from_s; at < to_s && recipe->n < TRAIN_FIXTURE_MOST; at += 60.0 / rate_per_min)
        recipe->wave[recipe->n++] =
            (struct train_wave){.middle_s = at, .lasts_s = 60.0 / rate_per_min, .way = way};
}

double train_fixture_crest_s(const struct train_recipe *recipe, size_t wave, double place)
{
    double velocity = recipe->velocity_mm_per_s > 0.0 ? recipe->velocity_mm_per_s : 1.5;
    double away_mm = TRAIN_FIXTURE_SPACING_MM * (place - 0.5 * (TRAIN_FIXTURE_PLACES - 1));
    double later_s = 0.0;

    switch (recipe->wave[wave].way) {
    case TRAIN_TO_FUNDUS:
        later_s = -away_mm / velocity;
        break;
    case TRAIN_TO_CERVIX:
        later_s = away_mm / velocity;
        break;
    case TRAIN_OPPOSING:
        later_s = -fabs(away_mm) / velocity;
        break;
    case TRAIN_AT_ONCE:
        break;
    }
    return recipe->wave[wave].middle_s + later_s;
}

double train_fixture_lasts_s(const struct train_recipe *recipe, size_t wave)
{
    if (recipe->wave[wave].lasts_s > 0.0)
        return recipe->wave[wave].lasts_s;
    return wave + 1 < recipe->n ? recipe->wave[wave + 1].middle_s - recipe->wave[wave].middle_s : 20.0;
}

static double change_at(const struct train_recipe *recipe, double time_s, double place)
{
    double change = 0.0;

    for (size_t i = 0; i < recipe->n; i++) {
        double x = (time_s - train_fixture_crest_s(recipe, i, place)) / train_fixture_lasts_s(recipe, i);
        double height_mm = recipe->wave[i].height_mm > 0.0 ? recipe->wave[i].height_mm : 0.8;

        if (fabs(x) < 0.5)
            change -= 0.5 * height_mm * (1.0 + cos(2.0 * PI * x));
    }
    return change;
}

double train_fixture_waves(const struct train_recipe *recipe, double from_s, double to_s)
{
    double parts[2] = {0};

    for (int end = 0; end < 2; end++) {
        double at = end == 0 ? from_s : to_s;
        size_t i = 0;

        while (i + 2 < recipe->n && recipe->wave[i + 1].middle_s <= at)
            i++;
        parts[end] = (double)i + (at - recipe->wave[i].middle_s) /
                                     (recipe->wave[i + 1].middle_s - recipe->wave[i].middle_s);
    }
    return parts[1] - parts[0];
}

struct train_fixture train_fixture_make(const struct train_recipe *recipe)
{
    double duration_s = recipe->duration_s > 0.0 ? recipe->duration_s : 120.0;
    size_t n = (size_t)(duration_s * FRAMES_PER_S) + 1;
    size_t m = TRAIN_FIXTURE_PLACES;
    struct train_fixture made = {.time_s = sure(calloc(n, sizeof *made.time_s)),
                                 .position_mm = sure(calloc(m, sizeof *made.position_mm)),
                                 .change_mm = sure(calloc(n * m, sizeof *made.change_mm)),
                                 .trust = sure(calloc(n * m, sizeof *made.trust))};
    struct dice dice = dice_make(recipe->seed, 1);
    double wander = 0.0;

    for (size_t p = 0; p < m; p++)
        made.position_mm[p] = 3.0 + TRAIN_FIXTURE_SPACING_MM * (double)p;
    for (size_t t = 0; t < n; t++) {
        double time_s = (double)t / FRAMES_PER_S;
        bool is_lost = time_s > recipe->lost_from_s && time_s < recipe->lost_to_s;

        wander += WANDER_MM / sqrt((double)n) * dice_normal(&dice);
        made.time_s[t] = time_s;
        for (size_t p = 0; p < m; p++) {
            made.change_mm[t * m + p] =
                change_at(recipe, time_s, (double)p) + wander + NOISE_MM * dice_normal(&dice);
            made.trust[t * m + p] = is_lost ? 0.0F : 0.9F;
        }
    }
    made.trace = (struct wave_trace){.n_times = n,
                                     .n_positions = m,
                                     .time_s = made.time_s,
                                     .position_mm = made.position_mm,
                                     .change_mm = made.change_mm,
                                     .trust = made.trust};
    return made;
}

void train_fixture_free(struct train_fixture *made)
{
    free(made->time_s);
    free(made->position_mm);
    free(made->change_mm);
    free(made->trust);
    *made = (struct train_fixture){0};
}
