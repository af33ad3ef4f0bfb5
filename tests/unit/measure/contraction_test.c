/* Contracts of measure/contraction.h on made traces. Against SciPy's traces:
 * tests/outside/contraction_test.c. Rates of 1.5 to 4.5 per min and velocities of 1 to 2 mm/s are those of
 * published recordings (docs/method.md); noise of 0.05 mm a place and frame is what tracking leaves in made
 * loops. */
#include "measure/contraction.h"

#include "synth/dice.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { N_PLACES = 18, N_BESIDE = 6 };
static const double PI = 3.14159265358979323846;
static const double SPACING_MM = 2.0;
static const double PATCH_SIGMA_MM = 1.3;
static const double AWAY_MM = 4.5;

enum way { TOWARD_FUNDUS, TOWARD_CERVIX, OPPOSING, PARTING, ALL_TOGETHER };

/* What a trace is made of; {0} is 120 s at 10 frames a second of noise. */
struct recipe {
    double duration_s; /* 0: 120 */
    double per_s;      /* frames a second; 0: 10 */
    double rate_per_min, amplitude_mm, velocity_mm_per_s;
    enum way way;
    double breathing_per_min, breathing_mm;
    double walk_mm;    /* common slow wander of all places, largest swing */
    double overlap_mm; /* slow error of a patch, of which the next two on either side see a part */
    double meeting_mm; /* of opposing waves, from the first place; 0: half way */
    double hole_from_s, hole_to_s;
    double half_mm, fade_mm; /* of the stripe and of what patches read; 0: walls are read as points */
    bool is_beside_lost;
    double lost_share; /* single values by lot that are not known */
    size_t
        seen_places; /* of the stripe; the others lie beyond its end toward the os; 0: all are the stripe's */
    bool is_still_beyond; /* there no wave comes */
    size_t new_one_in;    /* frames of which the first alone shows something new; 0: every one does */
    long seed;
};

struct made {
    struct wave_trace trace;
    double *time_s, *position_mm, *change_mm;
    float *trust;
    double half_mm[N_PLACES];
    size_t beside_position[N_BESIDE];
    double *beside_mm;
    float *beside_trust;
    double *on_mm;
    float *on_trust;
};

/* What a round patch, its Gaussian cut at two standard deviations, reads of a wall that moves by 1 mm: summed
 * over a fine grid. Inside the stripe the motion falls in a straight line through the middle, outside to 1/e.
 */
static double patch_reading(const struct recipe *recipe, double away_mm)
{
    const double step = 0.05;
    double sum = 0.0;
    double total = 0.0;

    if (recipe->fade_mm <= 0.0)
        return 1.0;
    for (double y = -2.0 * PATCH_SIGMA_MM; y <= 2.0 * PATCH_SIGMA_MM; y += step)
        for (double x = -2.0 * PATCH_SIGMA_MM; x <= 2.0 * PATCH_SIGMA_MM; x += step) {
            double weight = exp(-0.5 * (x * x + y * y) / (PATCH_SIGMA_MM * PATCH_SIGMA_MM));
            double from_middle = recipe->half_mm + away_mm + y;

            if (hypot(x, y) > 2.0 * PATCH_SIGMA_MM)
                continue;
            total += weight;
            sum += weight * (from_middle < recipe->half_mm
                                 ? from_middle / recipe->half_mm
                                 : exp((recipe->half_mm - from_middle) / recipe->fade_mm));
        }
    return sum / total;
}

static double wave_at(const struct recipe *recipe, double time_s, double from_fundus_mm)
{
    double length = SPACING_MM * (N_PLACES - 1);
    double late = 0.0; /* mm that the wave has run to get here */

    switch (recipe->way) {
    case TOWARD_CERVIX:
        late = from_fundus_mm;
        break;
    case TOWARD_FUNDUS:
        late = length - from_fundus_mm;
        break;
    case OPPOSING:
        late = recipe->meeting_mm > 0.0 ? -fabs(from_fundus_mm - recipe->meeting_mm)
                                        : fmin(from_fundus_mm, length - from_fundus_mm);
        break;
    case PARTING:
        late = fabs(from_fundus_mm - 0.5 * length);
        break;
    case ALL_TOGETHER:
        break;
    }
    if (recipe->amplitude_mm <= 0.0)
        return 0.0;
    if (recipe->way != ALL_TOGETHER)
        late /= recipe->velocity_mm_per_s;
    return recipe->amplitude_mm * cos(2.0 * PI * recipe->rate_per_min / 60.0 * (time_s - late));
}

/* The tissue beside every third place, read by patches of its own. */
static void add_beside(struct made *made, const struct recipe *recipe, size_t most, struct dice *dice)
{
    double reading = patch_reading(recipe, AWAY_MM);

    made->beside_mm = calloc(most * N_BESIDE, sizeof *made->beside_mm);
    made->beside_trust = calloc(most * N_BESIDE, sizeof *made->beside_trust);
    assert_true(made->beside_mm && made->beside_trust);
    for (size_t p = 0; p < N_PLACES; p++)
        made->half_mm[p] = recipe->half_mm;
    for (size_t i = 0; i < N_BESIDE; i++)
        made->beside_position[i] = 3 * i;
    for (size_t t = 0; t < made->trace.n_times; t++)
        for (size_t i = 0; i < N_BESIDE; i++) {
            made->beside_mm[t * N_BESIDE + i] =
                reading * wave_at(recipe, made->time_s[t], SPACING_MM * 3.0 * (double)i) +
                0.05 * dice_normal(dice);
            made->beside_trust[t * N_BESIDE + i] = recipe->is_beside_lost ? 0.0F : 0.9F;
        }
    made->trace.half_mm = made->half_mm;
    made->trace.patch_sigma_mm = PATCH_SIGMA_MM;
    made->trace.beside = (struct wave_beside){.n = N_BESIDE,
                                              .position = made->beside_position,
                                              .away_mm = AWAY_MM,
                                              .change_mm = made->beside_mm,
                                              .trust = made->beside_trust};
}

/* Ends the stripe after the places that are seen of it; the others lie beyond. */
static void cut_trace(struct made *made, const struct recipe *recipe)
{
    size_t n = made->trace.n_times;
    size_t seen = recipe->seen_places;
    size_t beyond = N_PLACES - seen;

    if (seen == 0)
        return;
    made->on_mm = calloc(n * beyond, sizeof *made->on_mm);
    made->on_trust = calloc(n * beyond, sizeof *made->on_trust);
    assert_true(made->on_mm && made->on_trust);
    for (size_t t = 0; t < n; t++) {
        memcpy(made->on_mm + t * beyond, made->change_mm + t * N_PLACES + seen, beyond * sizeof *made->on_mm);
        memcpy(made->on_trust + t * beyond, made->trust + t * N_PLACES + seen,
               beyond * sizeof *made->on_trust);
        memmove(made->change_mm + t * seen, made->change_mm + t * N_PLACES, seen * sizeof *made->change_mm);
        memmove(made->trust + t * seen, made->trust + t * N_PLACES, seen * sizeof *made->trust);
    }
    made->trace.n_positions = seen;
    made->trace.on = (struct wave_on){.n = beyond, .change_mm = made->on_mm, .trust = made->on_trust};
}

static struct made trace_make(const struct recipe *recipe)
{
    double per_s = recipe->per_s > 0.0 ? recipe->per_s : 10.0;
    double duration_s = recipe->duration_s > 0.0 ? recipe->duration_s : 120.0;
    size_t most = (size_t)(duration_s * per_s) + 1;
    struct made made = {.time_s = calloc(most, sizeof *made.time_s),
                        .position_mm = calloc(N_PLACES, sizeof *made.position_mm),
                        .change_mm = calloc(most * N_PLACES, sizeof *made.change_mm),
                        .trust = calloc(most * N_PLACES, sizeof *made.trust)};
    struct dice dice = dice_make(recipe->seed, 1);
    double walk = 0.0;
    double reading = patch_reading(recipe, 0.0);
    double error[N_PLACES + 4] = {0};
    size_t n = 0;

    assert_true(made.time_s && made.position_mm && made.change_mm && made.trust);
    for (int p = 0; p < N_PLACES; p++)
        made.position_mm[p] = 3.0 + SPACING_MM * p;
    for (size_t t = 0; t < most; t++) {
        double time_s = (double)t / per_s;

        walk += recipe->walk_mm / sqrt(duration_s * per_s) * dice_normal(&dice);
        for (int p = 0; p < N_PLACES + 4; p++) /* returns to nothing in 5 s; standard deviation as told */
            error[p] +=
                (sqrt(0.4 / per_s) * recipe->overlap_mm * dice_normal(&dice) - error[p] / per_s * 0.2);
        if (time_s > recipe->hole_from_s && time_s < recipe->hole_to_s)
            continue;
        made.time_s[n] = time_s;
        for (int p = 0; p < N_PLACES; p++) {
            size_t at = n * N_PLACES + (size_t)p;

            made.change_mm[at] =
                (recipe->is_still_beyond && (size_t)p >= recipe->seen_places
                     ? 0.0
                     : reading * wave_at(recipe, time_s, SPACING_MM * p)) +
                walk + 0.05 * dice_normal(&dice) +
                recipe->breathing_mm * sin(2.0 * PI * recipe->breathing_per_min / 60.0 * time_s + 0.05 * p);
            for (int k = 0; k < 5; k++)
                made.change_mm[at] += error[p + k] / sqrt(5.0);
            made.trust[at] = 0.9F;
            if (recipe->new_one_in > 0 && t % recipe->new_one_in != 0)
                made.trust[at] = 0.0F;
            if (dice_even(&dice) < recipe->lost_share) {
                made.trust[at] = 0.0F;
                made.change_mm[at] = NAN;
            }
        }
        n++;
    }
    made.trace = (struct wave_trace){.n_times = n,
                                     .n_positions = N_PLACES,
                                     .time_s = made.time_s,
                                     .position_mm = made.position_mm,
                                     .change_mm = made.change_mm,
                                     .trust = made.trust};
    if (recipe->fade_mm > 0.0)
        add_beside(&made, recipe, most, &dice);
    cut_trace(&made, recipe);
    return made;
}

static void trace_free(struct made *made)
{
    free(made->time_s);
    free(made->position_mm);
    free(made->change_mm);
    free(made->trust);
    free(made->beside_mm);
    free(made->beside_trust);
    free(made->on_mm);
    free(made->on_trust);
}

/* made holds its own places: they are pointed to anew where it has moved to. */
static struct wave_result measure(const struct recipe *recipe, struct text_list *reasons)
{
    struct made made = trace_make(recipe);
    struct text_list own = {0};
    struct wave_result result;
    struct error *err = NULL;

    made.trace.half_mm = recipe->fade_mm > 0.0 ? made.half_mm : NULL;
    made.trace.beside.position = made.beside_position;
    if (!contraction_measure(&result, reasons != NULL ? reasons : &own, &made.trace, &err))
        fail_msg("%s", error_message(err));
    text_list_free(&own);
    trace_free(&made);
    return result;
}

static void check_direction(enum way way, enum wave_direction direction)
{
    static const double rates[] = {1.5, 2.6, 4.4};

    for (size_t i = 0; i < sizeof rates / sizeof rates[0]; i++) {
        struct wave_result result = measure(&(struct recipe){.rate_per_min = rates[i],
                                                             .amplitude_mm = 0.4,
                                                             .velocity_mm_per_s = 1.5,
                                                             .way = way,
                                                             .seed = (long)i},
                                            NULL);

        assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
        assert_int_equal(result.direction, direction);
        assert_true(fabs(result.frequency_per_min - rates[i]) < 0.05);
        assert_true(result.low_per_min <= rates[i] && result.high_per_min >= rates[i]);
        assert_true(fabs(result.amplitude - 0.4) < 0.08);
        assert_true(fabs(result.count - 2.0 * rates[i]) <= 1.0); /* in 120 s */
        assert_true(result.has_velocity);
        assert_true(fabs(result.velocity_per_s - 1.5) < 0.3);
        assert_true(result.false_alarm < 0.01);
    }
}

static void a_wave_from_cervix_to_fundus_is_told_from_one_away(void **state)
{
    (void)state;
    check_direction(TOWARD_FUNDUS, DIRECTION_CERVIX_TO_FUNDUS);
    check_direction(TOWARD_CERVIX, DIRECTION_FUNDUS_TO_CERVIX);
}

static void waves_from_both_ends_are_opposing(void **state)
{
    (void)state;
    check_direction(OPPOSING, DIRECTION_OPPOSING);
}

/* What moves everywhere at once has a rate but runs nowhere. */
static void check_velocity(const struct recipe *recipe, double within)
{
    double sum = 0.0;

    for (long seed = 1; seed <= 4; seed++) {
        struct recipe one = *recipe;
        struct wave_result result;

        one.seed = seed;
        result = measure(&one, NULL);
        assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
        assert_true(result.has_velocity);
        sum += log(result.velocity_per_s / one.velocity_mm_per_s) / 4.0;
    }
    assert_true(fabs(sum) < log(1.0 + within));
}

static void the_error_that_overlapping_patches_share_does_not_hasten_a_wave(void **state)
{
    (void)state;
    check_velocity(&(struct recipe){.rate_per_min = 2.6,
                                    .amplitude_mm = 0.4,
                                    .velocity_mm_per_s = 1.5,
                                    .way = TOWARD_FUNDUS,
                                    .overlap_mm = 0.2},
                   0.03);
}

static void waves_that_turn_back_near_an_end_are_not_told_as_one_way(void **state)
{
    (void)state;
    for (int end = 0; end < 2; end++)
        for (long seed = 1; seed <= 4; seed++) {
            struct recipe recipe = {.rate_per_min = 2.4,
                                    .amplitude_mm = 0.6,
                                    .velocity_mm_per_s = 1.5,
                                    .way = OPPOSING,
                                    .meeting_mm = end == 0 ? 8.0 : 26.0,
                                    .seed = seed};
            struct wave_result result = measure(&recipe, NULL);

            if (result.direction != DIRECTION_OPPOSING)
                fail_msg("meeting near end %d, seed %ld: direction %d", end, seed, (int)result.direction);
            assert_false(result.has_velocity);
        }
}

/* The stripe is lost from sight halfway, as behind a shadow. */
static void waves_that_meet_beyond_what_is_seen_of_the_stripe_are_opposing(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 6; seed++) {
        struct recipe recipe = {.rate_per_min = 2.4,
                                .amplitude_mm = 0.5,
                                .velocity_mm_per_s = 1.5,
                                .way = OPPOSING,
                                .meeting_mm = 18.0 + (double)seed,
                                .seen_places = 9,
                                .seed = seed};
        struct wave_result result = measure(&recipe, NULL);

        if (result.direction != DIRECTION_OPPOSING)
            fail_msg("seed %ld: direction %d", seed, (int)result.direction);
        assert_true(result.runs_on && !result.has_velocity);
    }
}

static void what_is_still_beyond_the_stripe_does_not_turn_its_waves(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 16; seed++) { /* half of them short waves: 9 mm from crest to crest */
        struct recipe recipe = {.rate_per_min = seed <= 8 ? 2.4 : 4.3,
                                .amplitude_mm = 0.5,
                                .velocity_mm_per_s = seed <= 8 ? 1.5 : 0.67,
                                .way = seed % 2 == 0 ? TOWARD_FUNDUS : TOWARD_CERVIX,
                                .seen_places = 11,
                                .is_still_beyond = true,
                                .walk_mm = 0.4,
                                .overlap_mm = 0.15,
                                .seed = seed};
        struct wave_result result = measure(&recipe, NULL);

        if (result.direction != (seed % 2 == 0 ? DIRECTION_CERVIX_TO_FUNDUS : DIRECTION_FUNDUS_TO_CERVIX))
            fail_msg("seed %ld: direction %d", seed, (int)result.direction);
        assert_true(result.has_velocity);
    }
}

static void opposing_waves_may_meet_anywhere_near_the_middle(void **state)
{
    (void)state;
    for (double meeting_mm = 12.0; meeting_mm < 25.0; meeting_mm += 3.0)
        check_velocity(&(struct recipe){.rate_per_min = 2.6,
                                        .amplitude_mm = 0.4,
                                        .velocity_mm_per_s = 1.5,
                                        .way = OPPOSING,
                                        .meeting_mm = meeting_mm},
                       0.03);
}

static void the_amplitude_is_that_of_the_wall_and_not_of_the_patch_on_it(void **state)
{
    static const double halves_mm[] = {2.5, 4.5, 7.0};
    static const double fades_mm[] = {5.0, 9.0, 25.0};

    (void)state;
    for (int i = 0; i < 9; i++) {
        struct recipe recipe = {.rate_per_min = 2.6,
                                .amplitude_mm = 0.5,
                                .velocity_mm_per_s = 1.5,
                                .half_mm = halves_mm[i / 3],
                                .fade_mm = fades_mm[i % 3]};
        struct wave_result result = measure(&recipe, NULL);

        assert_true(patch_reading(&recipe, 0.0) < 0.93);
        assert_true(result.is_at_walls);
        assert_true(fabs(result.amplitude / recipe.amplitude_mm - 1.0) < 0.03);
        assert_true(result.amplitude_low < recipe.amplitude_mm &&
                    result.amplitude_high > recipe.amplitude_mm);
        assert_true(result.amplitude_high - result.amplitude_low < 0.5 * recipe.amplitude_mm);
    }
}

static void without_the_tissue_beside_the_walls_the_amplitude_is_told_as_read(void **state)
{
    struct recipe recipe = {.rate_per_min = 2.6,
                            .amplitude_mm = 0.5,
                            .velocity_mm_per_s = 1.5,
                            .half_mm = 4.5,
                            .fade_mm = 8.0,
                            .is_beside_lost = true};
    struct wave_result result = measure(&recipe, NULL);

    (void)state;
    assert_false(result.is_at_walls);
    assert_true(fabs(result.amplitude / (0.5 * patch_reading(&recipe, 0.0)) - 1.0) < 0.03);
}

static void the_interval_of_the_velocity_holds_it(void **state)
{
    int n_held = 0;

    (void)state;
    for (long seed = 1; seed <= 20; seed++) {
        struct recipe recipe = {.rate_per_min = 2.6,
                                .amplitude_mm = 0.4,
                                .velocity_mm_per_s = 1.5,
                                .way = TOWARD_CERVIX,
                                .overlap_mm = 0.2,
                                .seed = seed};
        struct wave_result result = measure(&recipe, NULL);

        assert_true(result.velocity_high < 2.0 * result.velocity_low);
        n_held += result.velocity_low <= 1.5 && result.velocity_high >= 1.5;
    }
    assert_true(n_held >= 18); /* at 95 % fewer than 18 of 20 have a chance of 8 % */
}

static void waves_that_part_in_the_middle_have_no_direction(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 4; seed++) {
        struct wave_result result = measure(&(struct recipe){.rate_per_min = 2.4,
                                                             .amplitude_mm = 0.5,
                                                             .velocity_mm_per_s = 1.5,
                                                             .way = PARTING,
                                                             .seed = seed},
                                            NULL);

        assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
        assert_true(fabs(result.frequency_per_min - 2.4) < 0.05);
        assert_int_equal(result.direction, DIRECTION_UNDETERMINED);
        assert_true(result.is_parting && !result.has_velocity);
    }
}

/* As under a probe that is rocked: neither contractions nor a quiet uterus. */
static void walls_that_move_all_together_are_not_told_as_contracting(void **state)
{
    struct text_list reasons = {0};
    struct wave_result result =
        measure(&(struct recipe){.rate_per_min = 2.5, .amplitude_mm = 0.4, .way = ALL_TOGETHER}, &reasons);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_NOT_ASSESSABLE);
    assert_int_equal(reasons.n, 1);
    assert_non_null(strstr(reasons.items[0], "everywhere along the stripe at once"));
    assert_int_equal(result.direction, DIRECTION_UNDETERMINED);
    assert_false(result.has_velocity);
    text_list_free(&reasons);
}

/* Breathing at 12 to 20 per min: common practice, no source. Two samples a breath would be 0.7 frames a
 * second; 4 a second is what a slow recorder gives. */
static void breathing_is_not_a_contraction(void **state)
{
    (void)state;
    for (double per_min = 12.0; per_min <= 20.0; per_min += 2.0)
        for (long seed = 1; seed <= 3; seed++) {
            struct wave_result result = measure(
                &(struct recipe){
                    .per_s = 4.0, .breathing_per_min = per_min, .breathing_mm = 0.4, .seed = seed},
                NULL);

            if (result.verdict != CONTRACTIONS_QUIESCENT)
                fail_msg("breathing at %g per min, seed %ld: verdict %d, %.2f per min", per_min, seed,
                         (int)result.verdict, result.frequency_per_min);
        }
}

static void waves_are_measured_through_breathing(void **state)
{
    struct wave_result result = measure(&(struct recipe){.rate_per_min = 3.1,
                                                         .amplitude_mm = 0.3,
                                                         .velocity_mm_per_s = 1.5,
                                                         .way = TOWARD_FUNDUS,
                                                         .breathing_per_min = 15.0,
                                                         .breathing_mm = 0.3,
                                                         .per_s = 4.0},
                                        NULL);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
    assert_int_equal(result.direction, DIRECTION_CERVIX_TO_FUNDUS);
    assert_true(fabs(result.frequency_per_min - 3.1) < 0.05);
}

/* The probe's walk moves both walls alike; what is left of it between them wanders slowly and everywhere at
 * once. At most one of 40 may pass for waves: the test's own level is 0.3 %. */
static void a_quiet_uterus_under_common_motion_is_quiescent(void **state)
{
    int n_false = 0;

    (void)state;
    for (long seed = 1; seed <= 40; seed++)
        n_false +=
            measure(&(struct recipe){.walk_mm = seed % 2 == 0 ? 1.0 : 0.3, .seed = seed}, NULL).verdict !=
            CONTRACTIONS_QUIESCENT;
    if (n_false > 1)
        fail_msg("%d of 40 quiet ones called contracting", n_false);
}

/* Patches that wander each by themselves hide weak waves: what is then told of a rhythm must be right. */
static void waves_that_hardly_agree_along_the_stripe_are_not_told(void **state)
{
    int n_withheld = 0;
    int n_wrong = 0;

    (void)state;
    for (long seed = 1; seed <= 24; seed++) {
        const struct recipe recipe = {.rate_per_min = 2.0,
                                      .amplitude_mm = 0.1,
                                      .velocity_mm_per_s = 1.5,
                                      .overlap_mm = 0.1 + 0.05 * (double)(seed % 4),
                                      .seed = seed};
        struct wave_result result = measure(&recipe, NULL);

        n_withheld += result.verdict == CONTRACTIONS_NOT_ASSESSABLE;
        if (result.verdict == CONTRACTIONS_MEASURED && result.has_frequency &&
            !(result.low_per_min <= 2.0 && 2.0 <= result.high_per_min) &&
            fabs(result.frequency_per_min - 2.0) > 0.3)
            n_wrong++;
    }
    if (n_wrong > 2 || n_withheld < 6)
        fail_msg("%d of 24 wrong and sure, %d withheld", n_wrong, n_withheld);
}

static void less_than_a_minute_is_not_assessable(void **state)
{
    struct text_list reasons = {0};
    struct recipe recipe = {
        .duration_s = 55.0, .rate_per_min = 4.0, .amplitude_mm = 0.5, .velocity_mm_per_s = 1.5};
    struct wave_result result = measure(&recipe, &reasons);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_NOT_ASSESSABLE);
    assert_true(fabs(result.assessed_s - 55.0) < 0.2);
    assert_int_equal(reasons.n, 1);
    assert_non_null(strstr(reasons.items[0], "60 s"));
    text_list_free(&reasons);
    recipe.duration_s = 60.0; /* the last frame is shown as long as the others */
    assert_int_equal(measure(&recipe, NULL).verdict, CONTRACTIONS_MEASURED);
}

static void a_short_hole_is_bridged_and_a_long_one_ends_the_stretch(void **state)
{
    struct recipe recipe = {.duration_s = 150.0,
                            .rate_per_min = 2.6,
                            .amplitude_mm = 0.4,
                            .velocity_mm_per_s = 1.5,
                            .hole_from_s = 40.0,
                            .hole_to_s = 42.0};
    struct wave_result result = measure(&recipe, NULL);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
    assert_true(fabs(result.assessed_s - 150.0) < 0.3);
    assert_true(fabs(result.frequency_per_min - 2.6) < 0.05);
    recipe.hole_to_s = 52.0;
    result = measure(&recipe, NULL);
    assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
    assert_true(fabs(result.assessed_s - 98.0) < 0.3);
    assert_true(fabs(result.frequency_per_min - 2.6) < 0.05);
}

static void values_that_are_not_known_are_not_used(void **state)
{
    struct wave_result result = measure(&(struct recipe){.rate_per_min = 3.3,
                                                         .amplitude_mm = 0.4,
                                                         .velocity_mm_per_s = 1.5,
                                                         .way = TOWARD_CERVIX,
                                                         .lost_share = 0.3},
                                        NULL);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
    assert_int_equal(result.direction, DIRECTION_FUNDUS_TO_CERVIX);
    assert_true(fabs(result.frequency_per_min - 3.3) < 0.05);
}

static void one_frame_a_second_is_too_few(void **state)
{
    struct text_list reasons = {0};
    struct wave_result result = measure(
        &(struct recipe){.per_s = 1.0, .rate_per_min = 3.0, .amplitude_mm = 0.5, .velocity_mm_per_s = 1.5},
        &reasons);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_NOT_ASSESSABLE);
    assert_int_equal(reasons.n, 1);
    assert_non_null(strstr(reasons.items[0], "too few"));
    text_list_free(&reasons);
}

/* The pulse is faster than half the frame rate, and passes for what is slower: 98 beats a minute in 96 frames
 * for two waves. */
static void a_frame_rate_at_which_the_pulse_passes_for_waves_is_too_few(void **state)
{
    struct text_list reasons = {0};
    struct wave_result result =
        measure(&(struct recipe){.per_s = 1.6, .breathing_per_min = 98.0, .breathing_mm = 0.3}, &reasons);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_NOT_ASSESSABLE);
    assert_non_null(strstr(reasons.items[0], "pulse"));
    text_list_free(&reasons);
}

/* As a video of 10 frames a second of which one a second is new. */
static void frames_that_show_nothing_new_do_not_count(void **state)
{
    struct text_list reasons = {0};
    struct recipe recipe = {
        .new_one_in = 10, .rate_per_min = 3.0, .amplitude_mm = 0.5, .velocity_mm_per_s = 1.5};
    struct wave_result result = measure(&recipe, &reasons);

    (void)state;
    assert_int_equal(result.verdict, CONTRACTIONS_NOT_ASSESSABLE);
    assert_non_null(strstr(reasons.items[0], "too few"));
    text_list_free(&reasons);
    recipe.new_one_in = 3;
    assert_int_equal(measure(&recipe, NULL).verdict, CONTRACTIONS_MEASURED);
}

/* Faster than contractions are looked for and slower than breathing: neither a frequency of contractions nor
 * a quiet uterus. */
static void waves_above_the_band_are_neither_contractions_nor_quiet(void **state)
{
    const double rates[] = {9.0, 10.0, 11.0};

    (void)state;
    for (size_t i = 0; i < sizeof rates / sizeof rates[0]; i++)
        for (int walk = 0; walk < 2; walk++) {
            struct text_list reasons = {0};
            struct wave_result result = measure(&(struct recipe){.rate_per_min = rates[i],
                                                                 .amplitude_mm = 0.5,
                                                                 .velocity_mm_per_s = 5.0,
                                                                 .walk_mm = 0.3 * walk,
                                                                 .seed = (long)i},
                                                &reasons);

            assert_int_equal(result.verdict, CONTRACTIONS_NOT_ASSESSABLE);
            assert_int_equal(reasons.n, 1);
            assert_non_null(strstr(reasons.items[0], "more often than 8 times a minute"));
            text_list_free(&reasons);
        }
    assert_int_equal(
        measure(&(struct recipe){.rate_per_min = 7.0, .amplitude_mm = 0.5, .velocity_mm_per_s = 5.0}, NULL)
            .verdict,
        CONTRACTIONS_MEASURED);
}

static void the_same_trace_gives_the_same_answer(void **state)
{
    const struct recipe recipe = {.rate_per_min = 2.2, .amplitude_mm = 0.3, .velocity_mm_per_s = 1.2};
    struct wave_result one = measure(&recipe, NULL);
    struct wave_result other = measure(&recipe, NULL);

    (void)state;
    assert_true(one.frequency_per_min == other.frequency_per_min && one.low_per_min == other.low_per_min &&
                one.amplitude == other.amplitude && one.velocity_per_s == other.velocity_per_s &&
                one.false_alarm == other.false_alarm && one.coherence == other.coherence);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_wave_from_cervix_to_fundus_is_told_from_one_away),
        cmocka_unit_test(waves_from_both_ends_are_opposing),
        cmocka_unit_test(the_error_that_overlapping_patches_share_does_not_hasten_a_wave),
        cmocka_unit_test(waves_that_turn_back_near_an_end_are_not_told_as_one_way),
        cmocka_unit_test(waves_that_meet_beyond_what_is_seen_of_the_stripe_are_opposing),
        cmocka_unit_test(what_is_still_beyond_the_stripe_does_not_turn_its_waves),
        cmocka_unit_test(opposing_waves_may_meet_anywhere_near_the_middle),
        cmocka_unit_test(the_amplitude_is_that_of_the_wall_and_not_of_the_patch_on_it),
        cmocka_unit_test(without_the_tissue_beside_the_walls_the_amplitude_is_told_as_read),
        cmocka_unit_test(the_interval_of_the_velocity_holds_it),
        cmocka_unit_test(waves_that_part_in_the_middle_have_no_direction),
        cmocka_unit_test(walls_that_move_all_together_are_not_told_as_contracting),
        cmocka_unit_test(breathing_is_not_a_contraction),
        cmocka_unit_test(waves_are_measured_through_breathing),
        cmocka_unit_test(a_quiet_uterus_under_common_motion_is_quiescent),
        cmocka_unit_test(waves_that_hardly_agree_along_the_stripe_are_not_told),
        cmocka_unit_test(less_than_a_minute_is_not_assessable),
        cmocka_unit_test(a_short_hole_is_bridged_and_a_long_one_ends_the_stretch),
        cmocka_unit_test(values_that_are_not_known_are_not_used),
        cmocka_unit_test(one_frame_a_second_is_too_few),
        cmocka_unit_test(a_frame_rate_at_which_the_pulse_passes_for_waves_is_too_few),
        cmocka_unit_test(frames_that_show_nothing_new_do_not_count),
        cmocka_unit_test(waves_above_the_band_are_neither_contractions_nor_quiet),
        cmocka_unit_test(the_same_trace_gives_the_same_answer),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
