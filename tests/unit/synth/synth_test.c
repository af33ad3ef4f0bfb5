#include "synth/synth.h"

#include "../../support/folder_fixture.h"
#include "base/text.h"
#include "synth/schedule.h"

#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* A few seconds of a coarse picture: quick to make. */
static struct recipe small(void)
{
    struct recipe recipe = recipe_default();

    recipe.width_px = 200;
    recipe.height_px = 150;
    recipe.duration_s = 6;
    recipe.frames_per_s = 4;
    recipe.scatterers_per_mm2 = 1.5;
    recipe.rate_per_min = 12;
    recipe.deposit_s = 2;
    recipe.drift_delay_s = 1;
    recipe.drift_s = 2;
    recipe.drift_mm = 4;
    return recipe;
}

static bool make(const struct recipe *recipe, const char *folder, const char *name, struct error **err)
{
    struct synth_request request = {.recipe = *recipe, .existing = OUTPUT_KEEP};
    char *path = text_format("%s/%s", folder, name);
    bool is_good;

    assert_non_null(path);
    request.path = path;
    is_good = synth_make(&request, err);
    free(path);
    return is_good;
}

static void must_make(const struct recipe *recipe, const char *folder, const char *name)
{
    struct error *err = NULL;

    if (!make(recipe, folder, name, &err))
        fail_msg("%s", error_message(err));
}

static json_t *truth_of(const char *folder, const char *name)
{
    char *text = folder_fixture_get(folder, name);
    json_t *truth = text == NULL ? NULL : json_loads(text, 0, NULL);

    free(text);
    assert_non_null(truth);
    return truth;
}

static double at(const json_t *truth, const char *section, const char *key)
{
    const json_t *value = json_object_get(json_object_get(truth, section), key);

    assert_true(json_is_number(value));
    return json_number_value(value);
}

static const char *word(const json_t *truth, const char *section, const char *key)
{
    const char *value = json_string_value(json_object_get(json_object_get(truth, section), key));

    return value == NULL ? "" : value;
}

static bool is_same_file(const char *folder, const char *one, const char *other)
{
    char *command = text_format("cmp -s '%s/%s' '%s/%s'", folder, one, folder, other);
    bool is_same;

    assert_non_null(command);
    is_same = system(command) == 0;
    free(command);
    return is_same;
}

static void same_seed_same_bytes_in_every_format_and_for_any_number_of_threads(void **state)
{
    static const char *const suffixes[] = {"mp4", "avi", "mkv", "dcm"};
    char *folder = folder_fixture_make();

    (void)state;
    for (size_t i = 0; i < sizeof suffixes / sizeof suffixes[0]; i++) {
        struct recipe recipe = small();
        char one[16], other[16];

        (void)snprintf(one, sizeof one, "one.%s", suffixes[i]);
        (void)snprintf(other, sizeof other, "other.%s", suffixes[i]);
        recipe.threads = 1;
        must_make(&recipe, folder, one);
        recipe.threads = 3;
        must_make(&recipe, folder, other);
        assert_true(is_same_file(folder, one, other));
        folder_fixture_remove(&folder);
        folder = folder_fixture_make();
    }
    folder_fixture_remove(&folder);
}

static void another_seed_makes_another_loop(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();

    (void)state;
    must_make(&recipe, folder, "one.mkv");
    recipe.seed = 2;
    must_make(&recipe, folder, "other.mkv");
    assert_false(is_same_file(folder, "one.mkv", "other.mkv"));
    folder_fixture_remove(&folder);
}

#define HAS_NUMBER(field, option, value, low, high, summary)                                                 \
    assert_true(fabs(json_number_value(json_object_get(parameters, option)) - recipe.field) < 1e-6);
#define HAS_INTEGER(field, option, value, low, high, summary)                                                \
    assert_true(strcmp(option, "threads") == 0 ||                                                            \
                json_integer_value(json_object_get(parameters, option)) == recipe.field);
#define HAS_CHOICE(field, option, value, words, summary)                                                     \
    assert_string_equal(json_string_value(json_object_get(parameters, option)), (words)[recipe.field]);

static void the_truth_holds_every_parameter(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    struct error *err = NULL;
    json_t *truth, *parameters;

    (void)state;
    must_make(&recipe, folder, "loop.mp4");
    truth = truth_of(folder, "loop.truth.json");
    parameters = json_object_get(truth, "parameters");
    assert_true(recipe_settle(&recipe, &err));
    RECIPE_NUMBERS(HAS_NUMBER)
    RECIPE_INTEGERS(HAS_INTEGER)
    RECIPE_CHOICES(HAS_CHOICE)
    json_decref(truth);
    folder_fixture_remove(&folder);
}

static void the_truth_tells_of_every_frame(void **state)
{
    static const char *const paths[] = {"time_s",     "scene_time_s",    "fundus_path_px",
                                        "os_path_px", "cluster_path_px", "tip_path_px"};
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    json_t *truth;

    (void)state;
    must_make(&recipe, folder, "loop.mp4");
    truth = truth_of(folder, "loop.truth.json");
    assert_int_equal(json_integer_value(json_object_get(truth, "frames")), 24);
    for (size_t i = 0; i < sizeof paths / sizeof paths[0]; i++)
        assert_int_equal(json_array_size(json_object_get(truth, paths[i])), 24);
    /* no bubbles and no tip long before the deposit; bubbles at the end */
    assert_true(json_is_null(json_array_get(json_object_get(truth, "cluster_path_px"), 0)));
    assert_true(json_is_array(json_array_get(json_object_get(truth, "cluster_path_px"), 23)));
    json_decref(truth);
    folder_fixture_remove(&folder);
}

static void the_truth_of_a_deposit_is_where_the_bubbles_are_seen(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    json_t *truth, *point, *fundus;
    size_t frame;
    double apart;

    (void)state;
    recipe.scatterers_per_mm2 = 6;
    recipe.bubble_db = 24;
    must_make(&recipe, folder, "loop.mp4");
    truth = truth_of(folder, "loop.truth.json");
    assert_string_equal(word(truth, "deposit", "verdict"), "measured");
    assert_true(fabs(at(truth, "deposit", "time_s") - 2.0) < 1e-9);
    frame = (size_t)at(truth, "deposit", "frame");
    assert_true(frame >= 9 && frame <= 11);
    point = json_object_get(json_object_get(truth, "deposit"), "point_px");
    fundus = json_array_get(json_object_get(truth, "fundus_path_px"), frame);
    apart = hypot(json_number_value(json_array_get(point, 0)) - json_number_value(json_array_get(fundus, 0)),
                  json_number_value(json_array_get(point, 1)) - json_number_value(json_array_get(fundus, 1)));
    assert_true(fabs(apart * json_number_value(json_object_get(truth, "scale_mm_per_px")) -
                     at(truth, "deposit", "to_fundus_mm")) < 0.02);
    assert_true(fabs(at(truth, "deposit", "to_fundus_mm") - recipe.deposit_mm) < 1.2);
    assert_true(fabs(at(truth, "drift", "toward_fundus_mm") - 4.0) < 0.6);
    assert_true(fabs(at(truth, "drift", "toward_fundus_as_seen_mm") - 4.0) < 1.2);
    json_decref(truth);
    folder_fixture_remove(&folder);
}

static void a_quiet_loop_without_bubbles_says_so(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    json_t *truth;

    (void)state;
    recipe.rate_per_min = 0;
    recipe.bubbles = 0;
    must_make(&recipe, folder, "loop.avi");
    truth = truth_of(folder, "loop.truth.json");
    assert_string_equal(word(truth, "contractions", "verdict"), "quiescent");
    assert_string_equal(word(truth, "deposit", "verdict"), "none-seen");
    assert_true(json_is_null(json_object_get(json_object_get(truth, "contractions"), "frequency_per_min")));
    json_decref(truth);
    folder_fixture_remove(&folder);
}

static void a_change_of_depth_changes_the_scale_from_then_on(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    json_t *truth, *scales;
    double before, after;

    (void)state;
    recipe.depth_mm = 60;
    recipe.depth_change_mm = 90;
    recipe.depth_change_s = 3.0;
    must_make(&recipe, folder, "loop.mp4");
    truth = truth_of(folder, "loop.truth.json");
    scales = json_object_get(truth, "scale_path_mm_per_px");
    before = json_number_value(json_array_get(scales, 11));
    after = json_number_value(json_array_get(scales, 12));
    assert_true(fabs(before - json_number_value(json_object_get(truth, "scale_mm_per_px"))) < 1e-9);
    assert_true(after > 1.2 * before);
    json_decref(truth);
    folder_fixture_remove(&folder);
}

static void a_loop_without_a_uterus_has_no_cavity(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    json_t *truth;

    (void)state;
    recipe.uterus = 0;
    must_make(&recipe, folder, "loop.mkv");
    truth = truth_of(folder, "loop.truth.json");
    assert_string_equal(word(truth, "cavity", "verdict"), "not-found");
    assert_string_equal(word(truth, "contractions", "verdict"), "quiescent");
    json_decref(truth);
    folder_fixture_remove(&folder);
}

static void what_cannot_be_made_leaves_nothing_behind(void **state)
{
    static const char *const names[] = {"loop.wmv", "loop", "no/such/folder/loop.mp4"};
    char *folder = folder_fixture_make();

    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct recipe recipe = small();
        struct error *err = NULL;

        assert_false(make(&recipe, folder, names[i], &err));
        assert_non_null(err);
        error_free(&err);
    }
    assert_int_equal(folder_fixture_count(folder), 0);
    folder_fixture_remove(&folder);
}

static void a_file_that_is_there_is_kept(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make(), *kept = NULL;
    struct error *err = NULL;

    (void)state;
    folder_fixture_put(folder, "loop.truth.json", "precious");
    assert_false(make(&recipe, folder, "loop.mp4", &err));
    assert_int_equal(error_code(err), ERROR_OUTPUT);
    error_free(&err);
    kept = folder_fixture_get(folder, "loop.truth.json");
    assert_string_equal(kept, "precious");
    free(kept);
    assert_int_equal(folder_fixture_count(folder), 1);
    folder_fixture_remove(&folder);
}

static void a_codec_that_a_file_does_not_hold_is_refused(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();
    struct error *err = NULL;

    (void)state;
    recipe.codec = CODEC_MJPEG;
    assert_false(make(&recipe, folder, "loop.mp4", &err));
    assert_int_equal(error_code(err), ERROR_USAGE);
    error_free(&err);
    recipe.codec = CODEC_JPEG;
    assert_false(make(&recipe, folder, "loop.avi", &err));
    assert_int_equal(error_code(err), ERROR_USAGE);
    error_free(&err);
    recipe.codec = CODEC_H264;
    assert_false(make(&recipe, folder, "loop.dcm", &err));
    assert_int_equal(error_code(err), ERROR_USAGE);
    error_free(&err);
    folder_fixture_remove(&folder);
}

static void a_frozen_stretch_repeats_one_moment(void **state)
{
    struct recipe recipe = small();
    struct schedule schedule;
    struct error *err = NULL;
    int repeats = 0;

    (void)state;
    recipe.freeze_at_s = 2.0;
    recipe.freeze_s = 1.6;
    assert_true(schedule_make(&schedule, &recipe, 90000, &err));
    for (size_t i = 0; i < schedule.n; i++) {
        repeats += schedule.moments[i].is_repeat;
        assert_true(schedule.moments[i].scene_s <= schedule.moments[i].stamp_s);
    }
    assert_int_equal(repeats, 6); /* 2.25 .. 3.5 s at 4 frames/s */
    schedule_free(&schedule);
}

static void dropped_frames_leave_gaps_in_true_stamps(void **state)
{
    struct recipe recipe = small();
    struct schedule schedule;
    struct error *err = NULL;
    double largest = 0.0;

    (void)state;
    recipe.duration_s = 100;
    recipe.dropped_share = 0.1;
    assert_true(schedule_make(&schedule, &recipe, 90000, &err));
    assert_int_equal(schedule.n + schedule.n_dropped, 400);
    assert_in_range(schedule.n_dropped, 15, 75);
    for (size_t i = 1; i < schedule.n; i++)
        largest = fmax(largest, schedule.moments[i].stamp_s - schedule.moments[i - 1].stamp_s);
    assert_true(largest >= 0.5);
    schedule_free(&schedule);
}

static void a_file_without_stamps_closes_the_gaps(void **state)
{
    struct recipe recipe = small();
    struct schedule schedule;
    struct error *err = NULL;

    (void)state;
    recipe.duration_s = 100;
    recipe.dropped_share = 0.1;
    assert_true(schedule_make(&schedule, &recipe, 0, &err));
    assert_false(schedule.has_stamps);
    for (size_t i = 1; i < schedule.n; i++)
        assert_true(fabs(schedule.moments[i].stamp_s - schedule.moments[i - 1].stamp_s - 0.25) < 1e-9);
    assert_true(schedule.moments[schedule.n - 1].scene_s > schedule.moments[schedule.n - 1].stamp_s + 3.0);
    schedule_free(&schedule);
}

static void a_recipe_that_contradicts_itself_is_refused(void **state)
{
    struct recipe odd = small(), thick = small(), far_off = small();
    struct error *err = NULL;

    (void)state;
    odd.width_px = 201;
    assert_false(recipe_settle(&odd, &err));
    assert_non_null(strstr(error_message(err), "--width-px"));
    error_free(&err);
    thick.thickness_mm = 25;
    assert_false(recipe_settle(&thick, &err));
    assert_non_null(strstr(error_message(err), "--thickness-mm"));
    error_free(&err);
    far_off.deposit_mm = 60;
    assert_false(recipe_settle(&far_off, &err));
    assert_non_null(strstr(error_message(err), "--deposit-mm"));
    error_free(&err);
}

static void a_deposit_after_the_end_of_the_loop_is_refused(void **state)
{
    struct recipe late = small(), last = small(), none = small();
    struct error *err = NULL;

    (void)state;
    late.deposit_s = late.duration_s;
    assert_false(recipe_settle(&late, &err));
    assert_int_equal(error_code(err), ERROR_USAGE);
    assert_non_null(strstr(error_message(err), "--deposit-s 6"));
    assert_non_null(strstr(error_message(err), "--duration-s 6"));
    error_free(&err);
    last.deposit_s = last.duration_s - 0.5;
    assert_true(recipe_settle(&last, &err));
    none.deposit_s = 100;
    none.bubbles = 0;
    assert_true(recipe_settle(&none, &err));
}

static void assert_refused(const struct recipe *recipe, const char *option)
{
    char *folder = folder_fixture_make();
    struct error *err = NULL;

    assert_false(make(recipe, folder, "loop.mkv", &err));
    assert_int_equal(error_code(err), ERROR_USAGE);
    assert_non_null(strstr(error_message(err), option));
    assert_int_equal(folder_fixture_count(folder), 0);
    error_free(&err);
    folder_fixture_remove(&folder);
}

static void a_way_beyond_the_stripe_is_refused(void **state)
{
    struct recipe into_the_muscle = small(), into_the_canal = small(), tip = small();

    (void)state;
    into_the_muscle.drift_mm = 20; /* from 14 mm */
    assert_refused(&into_the_muscle, "--drift-mm 20: leads 6.");
    assert_refused(&into_the_muscle, "beyond the fundus");
    into_the_canal.drift_mm = -30;
    assert_refused(&into_the_canal, "beyond the internal os; see --deposit-mm 14 and --length-mm 36");
    tip.tip_mm = 37;
    assert_refused(&tip, "--tip-mm 37: lies 1.0 mm beyond the internal os");
}

static void a_stripe_beside_the_picture_is_refused(void **state)
{
    struct recipe deep = small(), aside = small(), cropped = small();

    (void)state;
    deep.stripe_depth_mm = 120;
    assert_refused(&deep, "--stripe-depth-mm 120");
    assert_refused(&deep, "--depth-mm 80");
    aside.stripe_across_mm = -75;
    assert_refused(&aside, "--stripe-across-mm -75");
    cropped.stripe_depth_mm = 60;
    cropped.depth_change_mm = 40;
    assert_refused(&cropped, "--depth-change-mm 40");
}

/* A band that runs out of the picture is something a reader of loops must be able to meet. */
static void a_stripe_with_one_end_outside_is_made(void **state)
{
    struct recipe recipe = small();
    char *folder = folder_fixture_make();

    (void)state;
    recipe.duration_s = 1;
    recipe.deposit_s = 0.5;
    recipe.stripe_depth_mm = 78;
    recipe.tilt_deg = 60;
    must_make(&recipe, folder, "loop.mkv");
    folder_fixture_remove(&folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(same_seed_same_bytes_in_every_format_and_for_any_number_of_threads),
        cmocka_unit_test(another_seed_makes_another_loop),
        cmocka_unit_test(the_truth_holds_every_parameter),
        cmocka_unit_test(the_truth_tells_of_every_frame),
        cmocka_unit_test(the_truth_of_a_deposit_is_where_the_bubbles_are_seen),
        cmocka_unit_test(a_quiet_loop_without_bubbles_says_so),
        cmocka_unit_test(a_change_of_depth_changes_the_scale_from_then_on),
        cmocka_unit_test(a_loop_without_a_uterus_has_no_cavity),
        cmocka_unit_test(what_cannot_be_made_leaves_nothing_behind),
        cmocka_unit_test(a_file_that_is_there_is_kept),
        cmocka_unit_test(a_codec_that_a_file_does_not_hold_is_refused),
        cmocka_unit_test(a_frozen_stretch_repeats_one_moment),
        cmocka_unit_test(dropped_frames_leave_gaps_in_true_stamps),
        cmocka_unit_test(a_file_without_stamps_closes_the_gaps),
        cmocka_unit_test(a_recipe_that_contradicts_itself_is_refused),
        cmocka_unit_test(a_deposit_after_the_end_of_the_loop_is_refused),
        cmocka_unit_test(a_way_beyond_the_stripe_is_refused),
        cmocka_unit_test(a_stripe_beside_the_picture_is_refused),
        cmocka_unit_test(a_stripe_with_one_end_outside_is_made),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
