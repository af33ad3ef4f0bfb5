/* What moves the walls and is no contraction: breathing and its harmonics, slow frames that fold them and the
 * pulse into the band, dropped frames and torn clocks, a probe that is rocked, freezes, bubbles that pass.
 * Hundreds of made wall traces of a quiet uterus, and one whole loop with all of it. None may be told as
 * contractions but by the test's own chance; and waves are told through them.
 *
 * Breathing 12 to 20 per min, pulse 60 to 110 per min: common practice, no source. Both are felt at all
 * places nearly at once (tissue carries them at metres a second). What is left of them between the walls in
 * made loops is below 0.1 mm; here it is up to 0.8 mm. */
#include "../support/folder_fixture.h"
#include "base/text.h"
#include "measure/contraction.h"
#include "measure/transfer.h"
#include "synth/dice.h"
#include "synth/synth.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { N_PLACES = 18, N_HARMONICS = 6, OVERLAP = 5 };
static const double PI = 3.14159265358979323846;
static const double SPACING_MM = 2.0;
static const double NOISE_MM = 0.05;  /* of a place and frame, as tracking leaves in made loops */
static const double WANDER_MM = 0.05; /* slow error that overlapping patches share */
static const double WALK_MM = 0.2;    /* of all places, in the whole trace */
static const double LAG_RAD = 0.01;   /* from place to place: breathing then runs at 150 mm/s and more */
static const double SECONDS = 100.0;

/* {0} is a quiet uterus at 4 frames a second. */
struct scene {
    double frames_per_s;
    double clock_jitter, dropped_share;
    double beats_per_min, beats_mm; /* breathing or the pulse */
    double harmonics_fall;          /* the k-th has this power of 1 / k */
    double rocking_per_min, rocking_mm, rocking_uneven_mm;
    double freeze_at_s, freeze_s, freeze_every_s; /* every 0: once */
    bool is_freeze_known;
    double bubbles_mm, bubbles_mm_per_s; /* what a passing cluster shows as motion of the wall beside it */
    double waves_per_min, waves_mm;
};

static double beat(const struct scene *scene, double turns)
{
    double sum = 0.0;

    for (int k = 1; k <= N_HARMONICS; k++)
        sum += pow(k, -scene->harmonics_fall) * cos(2.0 * PI * k * turns + 0.9 * k);
    return scene->beats_mm * sum;
}

static bool is_frozen(const struct scene *scene, double time_s)
{
    double since = time_s - scene->freeze_at_s;

    if (scene->freeze_every_s > 0.0)
        since = fmod(since + scene->freeze_every_s, scene->freeze_every_s);
    return since >= 0.0 && since < scene->freeze_s;
}

/* What one draw keeps for all of its frames. */
struct draw {
    struct dice dice;
    double phase;
    double uneven[N_PLACES]; /* neighbours alike */
    double error[N_PLACES + OVERLAP];
    double walk;
    double shown[N_PLACES];
};

static struct draw draw_make(long seed)
{
    struct draw draw = {.dice = dice_make(seed, 3)};
    double raw[N_PLACES + OVERLAP];

    for (int i = 0; i < N_PLACES + OVERLAP; i++)
        raw[i] = dice_normal(&draw.dice) / sqrt(OVERLAP);
    for (int p = 0; p < N_PLACES; p++)
        for (int k = 0; k < OVERLAP; k++)
            draw.uneven[p] += raw[p + k];
    draw.phase = dice_even(&draw.dice);
    return draw;
}

static double wall_at(const struct scene *scene, const struct draw *draw, double time_s, int place)
{
    double turns = scene->beats_per_min / 60.0 * time_s + draw->phase + LAG_RAD * place / (2.0 * PI);
    double rocked = cos(2.0 * PI * (scene->rocking_per_min / 60.0 * time_s + draw->phase));
    double along = SPACING_MM * place;
    double past = (along - 5.0 - scene->bubbles_mm_per_s * fmax(time_s - 20.0, 0.0)) / 2.0;
    double wave = 2.0 * PI * scene->waves_per_min / 60.0 * (time_s - along / 2.0); /* 2 mm/s */

    return beat(scene, turns) +
           (scene->rocking_mm + scene->rocking_uneven_mm * draw->uneven[place]) * rocked -
           (time_s > 20.0 ? scene->bubbles_mm * exp(-0.5 * past * past) : 0.0) + scene->waves_mm * cos(wave);
}

/* One frame's places; a frozen one shows what was shown before. */
static void show(const struct scene *scene, struct draw *draw, double time_s, double step_s,
                 double *change_mm, float *trust)
{
    bool is_still = is_frozen(scene, time_s);

    draw->walk += WALK_MM * sqrt(step_s / SECONDS) * dice_normal(&draw->dice);
    for (int p = 0; p < N_PLACES + OVERLAP; p++) /* returns to nothing in 5 s */
        draw->error[p] +=
            sqrt(0.4 * step_s) * WANDER_MM * dice_normal(&draw->dice) - 0.2 * step_s * draw->error[p];
    for (int p = 0; p < N_PLACES; p++) {
        double now = wall_at(scene, draw, time_s, p) + draw->walk + NOISE_MM * dice_normal(&draw->dice);

        for (int k = 0; k < OVERLAP; k++)
            now += draw->error[p + k] / sqrt(OVERLAP);
        if (!is_still)
            draw->shown[p] = now;
        change_mm[p] = draw->shown[p];
        trust[p] = is_still && scene->is_freeze_known ? 0.0F : 0.9F;
    }
}

static struct wave_result measure(const struct scene *scene, long seed)
{
    double per_s = scene->frames_per_s > 0.0 ? scene->frames_per_s : 4.0;
    size_t most = (size_t)(SECONDS * per_s) + 1;
    double *time_s = calloc(most, sizeof *time_s);
    double *change_mm = calloc(most * N_PLACES, sizeof *change_mm);
    float *trust = calloc(most * N_PLACES, sizeof *trust);
    double position_mm[N_PLACES];
    struct draw draw = draw_make(seed);
    struct text_list reasons = {0};
    struct wave_result result;
    struct error *err = NULL;
    size_t n = 0;

    assert_true(time_s && change_mm && trust);
    for (int p = 0; p < N_PLACES; p++)
        position_mm[p] = SPACING_MM * p;
    for (size_t i = 0; i < most; i++) {
        if (i > 0 && dice_even(&draw.dice) < scene->dropped_share)
            continue;
        time_s[n] = ((double)i + scene->clock_jitter * (dice_even(&draw.dice) - 0.5)) / per_s;
        show(scene, &draw, time_s[n], 1.0 / per_s, change_mm + n * N_PLACES, trust + n * N_PLACES);
        n++;
    }
    assert_true(contraction_measure(&result, &reasons,
                                    &(struct wave_trace){.n_times = n,
                                                         .n_positions = N_PLACES,
                                                         .time_s = time_s,
                                                         .position_mm = position_mm,
                                                         .change_mm = change_mm,
                                                         .trust = trust},
                                    &err));
    assert_true(result.verdict == CONTRACTIONS_MEASURED || reasons.n > 0);
    text_list_free(&reasons);
    free(time_s);
    free(change_mm);
    free(trust);
    return result;
}

static int n_told(const char *of, const struct scene *scene, long n_draws)
{
    int n_measured = 0;
    int n_quiet = 0;

    for (long seed = 1; seed <= n_draws; seed++) {
        enum contractions_verdict verdict = measure(scene, seed).verdict;

        n_measured += verdict == CONTRACTIONS_MEASURED;
        n_quiet += verdict == CONTRACTIONS_QUIESCENT;
    }
    print_message("%s: %d of %ld told as contractions, %d as quiet\n", of, n_measured, n_draws, n_quiet);
    return n_measured;
}

static void breathing_at_4_frames_a_second_is_no_contraction(void **state)
{
    static const double sizes_mm[] = {0.1, 0.3, 0.8};
    int n_false = n_told("no breathing at all", &(struct scene){0}, 20);

    (void)state;
    for (double per_min = 12.0; per_min <= 20.0; per_min += 2.0)
        for (int i = 0; i < 3; i++)
            n_false += n_told(
                "breathing",
                &(struct scene){.beats_per_min = per_min, .beats_mm = sizes_mm[i], .harmonics_fall = 2.0}, 4);
    assert_int_equal(n_false, 0); /* of 80 */
}

/* At 2 frames a second the sixth harmonic of 19 to 21 per min folds to between 1 and 6 per min: k times the
 * rate lies that far from the frame rate. The k-th harmonic is a k-th of the first, as of a saw. */
static void breathing_whose_harmonics_fold_into_the_band_is_no_contraction(void **state)
{
    static const double folds_to_per_min[] = {1.2, 3.0, 6.0};
    int n_false = 0;
    int n_draws = 0;

    (void)state;
    for (int k = 3; k <= N_HARMONICS; k++)
        for (int i = 0; i < 6; i++) {
            double per_min = (120.0 + (i % 2 == 0 ? 1.0 : -1.0) * folds_to_per_min[i / 2]) / k;

            if (per_min < 12.0 || per_min > 21.0)
                continue;
            n_draws += 6;
            n_false += n_told(
                "a folded harmonic",
                &(struct scene){
                    .frames_per_s = 2.0, .beats_per_min = per_min, .beats_mm = 0.2, .harmonics_fall = 1.0},
                6);
        }
    assert_true(n_draws >= 24);
    assert_true(n_false <= 1);
}

static void breathing_under_dropped_frames_and_a_torn_clock_is_no_contraction(void **state)
{
    int n_false =
        n_told("frames dropped",
               &(struct scene){
                   .dropped_share = 0.4, .beats_per_min = 15, .beats_mm = 0.4, .harmonics_fall = 2.0},
               20) +
        n_told("a torn clock",
               &(struct scene){.frames_per_s = 3,
                               .clock_jitter = 0.8,
                               .dropped_share = 0.2,
                               .beats_per_min = 17,
                               .beats_mm = 0.4,
                               .harmonics_fall = 2.0},
               20);

    (void)state;
    assert_true(n_false <= 1);
}

/* A harmonic of the pulse, 58 to 110 per min, folds to 3 per min; the second is half the first, the third a
 * third. */
static void the_pulse_folded_by_few_frames_is_no_contraction(void **state)
{
    static const double frames_per_s[] = {2.0, 2.5, 3.0, 4.0};
    int n_false = 0;
    int n_draws = 0;

    (void)state;
    for (int i = 0; i < 4; i++)
        for (int k = 2; k <= 3; k++) {
            double per_min = (60.0 * frames_per_s[i] + 3.0) / k;

            if (per_min < 58.0 || per_min > 110.0)
                continue;
            for (double mm = 0.1; mm < 0.35; mm += 0.1) {
                n_draws += 8;
                n_false += n_told("a folded pulse",
                                  &(struct scene){.frames_per_s = frames_per_s[i],
                                                  .beats_per_min = per_min,
                                                  .beats_mm = mm,
                                                  .harmonics_fall = 1.0},
                                  8);
            }
        }
    assert_true(n_draws >= 80);
    assert_true(n_false * 20 <= n_draws);
}

static void a_probe_rocked_3_times_a_minute_over_a_quiet_uterus_is_no_contraction(void **state)
{
    int n_false = 0;

    (void)state;
    for (double mm = 0.05; mm < 0.45; mm *= 2.0)
        n_false += n_told("rocked, all walls alike",
                          &(struct scene){.frames_per_s = 8, .rocking_per_min = 3, .rocking_mm = mm}, 10) +
                   n_told("rocked, some walls more than others",
                          &(struct scene){.frames_per_s = 8,
                                          .rocking_per_min = 3,
                                          .rocking_mm = mm,
                                          .rocking_uneven_mm = 0.3 * mm},
                          10);
    assert_true(n_false <= 4); /* of 80 */
}

static void a_freeze_is_no_contraction_and_hides_none(void **state)
{
    int n_false = n_told("one freeze, not noticed",
                         &(struct scene){.freeze_at_s = 50,
                                         .freeze_s = 4,
                                         .beats_per_min = 15,
                                         .beats_mm = 0.3,
                                         .harmonics_fall = 2.0},
                         10) +
                  n_told("three freezes a minute, not noticed",
                         &(struct scene){.freeze_at_s = 10,
                                         .freeze_s = 2.5,
                                         .freeze_every_s = 20,
                                         .beats_per_min = 15,
                                         .beats_mm = 0.3,
                                         .harmonics_fall = 2.0},
                         10) +
                  n_told("three freezes a minute",
                         &(struct scene){.freeze_at_s = 10,
                                         .freeze_s = 2.5,
                                         .freeze_every_s = 20,
                                         .is_freeze_known = true,
                                         .beats_per_min = 15,
                                         .beats_mm = 0.3,
                                         .harmonics_fall = 2.0},
                         10);

    (void)state;
    assert_int_equal(n_false, 0);
    for (long seed = 1; seed <= 5; seed++) {
        struct wave_result result = measure(&(struct scene){.frames_per_s = 8,
                                                            .freeze_at_s = 10,
                                                            .freeze_s = 2.5,
                                                            .freeze_every_s = 20,
                                                            .is_freeze_known = true,
                                                            .waves_per_min = 4.0,
                                                            .waves_mm = 0.3},
                                            seed);

        assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
        assert_true(fabs(result.frequency_per_min - 4.0) < 0.1);
        assert_int_equal(result.direction, DIRECTION_FUNDUS_TO_CERVIX);
    }
}

/* What walls seemed to do beside a bright cluster that ran past them in made loops was below 0.2 mm as a
 * rule. */
static void bubbles_that_pass_along_the_wall_are_no_contraction(void **state)
{
    int n_false = 0;

    (void)state;
    for (double mm_per_s = 0.1; mm_per_s < 1.0; mm_per_s *= 2.0)
        n_false +=
            n_told("bubbles pass",
                   &(struct scene){.frames_per_s = 8, .bubbles_mm = 0.1, .bubbles_mm_per_s = mm_per_s}, 8);
    n_false += n_told("bubbles leap",
                      &(struct scene){.frames_per_s = 8, .bubbles_mm = 0.4, .bubbles_mm_per_s = 10.0}, 8);
    assert_true(n_false <= 1);
}

static void waves_are_told_through_all_of_it(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 6; seed++) {
        struct wave_result result = measure(&(struct scene){.frames_per_s = 4,
                                                            .clock_jitter = 0.4,
                                                            .dropped_share = 0.1,
                                                            .beats_per_min = 12.0 + 1.5 * (double)seed,
                                                            .beats_mm = 0.3,
                                                            .harmonics_fall = 2.0,
                                                            .rocking_per_min = 1.3,
                                                            .rocking_mm = 0.1,
                                                            .waves_per_min = 3.0,
                                                            .waves_mm = 0.3},
                                            seed);

        assert_int_equal(result.verdict, CONTRACTIONS_MEASURED);
        assert_true(fabs(result.frequency_per_min - 3.0) < 0.1);
        assert_int_equal(result.direction, DIRECTION_FUNDUS_TO_CERVIX);
    }
}

/* A whole loop: a quiet uterus at 4 frames a second under a probe that is rocked 3 times a minute, breathing,
 * pulse, a freeze, and bright bubbles that run 15 mm along the stripe. */
static void a_quiet_loop_with_all_of_it_is_not_told_as_contracting(void **state)
{
    struct recipe recipe = recipe_default();
    char *folder = folder_fixture_make();
    char *path = text_format("%s/loop.mp4", folder);
    const char *paths[] = {path};
    struct synth_request made = {.path = path};
    struct transfer_request request = {.paths = paths, .n_paths = 1};
    struct transfer *transfer = NULL;
    struct error *err = NULL;

    (void)state;
    recipe.seed = 721;
    recipe.width_px = 480;
    recipe.height_px = 360;
    recipe.frames_per_s = 4;
    recipe.duration_s = 90;
    recipe.scatterers_per_mm2 = 8;
    recipe.rate_per_min = 0;
    recipe.rocking_mm = 1.2;
    recipe.rocking_deg = 1.0;
    recipe.rocking_per_min = 3;
    recipe.breathing_mm = 1.0;
    recipe.breathing_per_min = 19;
    recipe.pulse_mm = 0.2;
    recipe.bubbles = 14;
    recipe.bubble_db = 22;
    recipe.blooming = 2;
    recipe.drift_mm = -15;
    recipe.drift_s = 40;
    recipe.freeze_at_s = 84;
    recipe.freeze_s = 3;
    made.recipe = recipe;
    assert_non_null(path);
    if (!synth_make(&made, &err) || !transfer_measure(&transfer, &request, &err))
        fail_msg("%s", error_message(err));
    print_message("verdict %d, %.0f s assessed, cavity trust %.2f, drift %.1f mm\n",
                  (int)transfer->contractions.verdict, transfer->contractions.assessed_s,
                  transfer->cavity.trust, transfer->drift.toward_fundus_mm.value);
    assert_int_equal(transfer->cavity.verdict, CAVITY_FOUND);
    assert_int_equal(transfer->contractions.verdict, CONTRACTIONS_QUIESCENT);
    assert_true(transfer->drift.toward_fundus_mm.value < -10.0); /* the bubbles did run */
    transfer_free(&transfer);
    free(path);
    folder_fixture_remove(&folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(breathing_at_4_frames_a_second_is_no_contraction),
        cmocka_unit_test(breathing_whose_harmonics_fold_into_the_band_is_no_contraction),
        cmocka_unit_test(breathing_under_dropped_frames_and_a_torn_clock_is_no_contraction),
        cmocka_unit_test(the_pulse_folded_by_few_frames_is_no_contraction),
        cmocka_unit_test(a_probe_rocked_3_times_a_minute_over_a_quiet_uterus_is_no_contraction),
        cmocka_unit_test(a_freeze_is_no_contraction_and_hides_none),
        cmocka_unit_test(bubbles_that_pass_along_the_wall_are_no_contraction),
        cmocka_unit_test(waves_are_told_through_all_of_it),
        cmocka_unit_test(a_quiet_loop_with_all_of_it_is_not_told_as_contracting),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
