/* Contracts of measure/cluster.h, on a made straightened stripe: speckle that stays with the tissue and
 * renews itself a little from frame to frame, bubbles and a catheter drawn into it. Lengths and brightness of
 * bubbles (about 2 to 3 mm across, much brighter than the stripe) and of a catheter: common practice, no
 * source. */
#include "../../support/speckle_fixture.h"
#include "measure/cluster.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { N_FRAMES = 300, PER_S = 8, N_COLUMNS = 45 };
static const double LENGTH_MM = 38.0;
static const double BEYOND_MM = 8.0;
static const double NEVER_S = 1e9;

/* What lies in the stripe. Along is told from the first place, which is the fundus; the catheter comes by the
 * last. */
struct contents {
    double bubbles_from_s; /* NEVER_S: none */
    double bubbles_along_mm, bubbles_across_mm;
    double drift_mm; /* toward the last place, evenly from 4 s after they appear to 14 s after */
    double gone_from_s, gone_to_s;
    double catheter_from_s, catheter_to_s; /* both 0: none; it takes 2 s to come and 2 s to go */
    double tip_along_mm;                   /* where it rests */
    double glint_mm;                       /* behind the resting tip its shaft shines; 0: it does not */
    double dimmed_from_s, dimmed_by; /* the gain is turned down from then on, grey levels; 0: it is not */
    long seed;
};

struct made {
    struct follow follow;
    struct cluster cluster;
    struct text_list reasons;
};

static double bubbles_along(const struct contents *contents, double time_s)
{
    double part = fmin(fmax((time_s - contents->bubbles_from_s - 4.0) / 10.0, 0.0), 1.0);

    return contents->bubbles_along_mm + part * contents->drift_mm;
}

/* Tip of the catheter; beyond the strip when it is not there. */
static double tip_along(const struct contents *contents, double time_s)
{
    double away = LENGTH_MM + BEYOND_MM + 2.0;
    double in = fmin(fmax((time_s - contents->catheter_from_s) / 2.0, 0.0), 1.0);
    double out = fmin(fmax((time_s - contents->catheter_to_s) / 2.0, 0.0), 1.0);

    if (!(contents->catheter_to_s > 0.0))
        return 1e6;
    return away + (contents->tip_along_mm - away) * (in - out);
}

static double bump(double away, double sigma)
{
    return exp(-0.5 * away * away / (sigma * sigma));
}

/* What bubbles and catheter add at a place. */
static double added(const struct contents *contents, double time_s, double along, double across)
{
    double sum = 0.0;
    double tip = tip_along(contents, time_s);

    if (time_s >= contents->bubbles_from_s &&
        !(time_s >= contents->gone_from_s && time_s < contents->gone_to_s))
        sum += 110.0 * bump(along - bubbles_along(contents, time_s), 1.0) *
               bump(across - contents->bubbles_across_mm, 0.9);
    if (along > tip - 1.0)
        sum += 70.0 * bump(across, 0.6) * (along < tip ? bump(along - tip, 0.4) : 1.0);
    if (contents->glint_mm > 0.0 && time_s >= contents->catheter_from_s + 5.0 &&
        time_s < contents->catheter_to_s)
        sum += 90.0 * bump(along - tip - contents->glint_mm, 1.0) * bump(across, 0.9);
    return sum;
}

static struct made *find(const struct contents *contents)
{
    struct made *made = calloc(1, sizeof *made);
    struct follow *follow = NULL;
    struct raster *resting = NULL;
    struct error *err = NULL;

    assert_non_null(made);
    follow = &made->follow;
    follow->n_frames = N_FRAMES;
    follow->row_from_mm = -BEYOND_MM;
    follow->n_rows = (size_t)lround((LENGTH_MM + 2.0 * BEYOND_MM) / FOLLOW_STEP_MM) + 1;
    follow->n_columns = N_COLUMNS;
    follow->time_s = calloc(N_FRAMES, sizeof *follow->time_s);
    follow->frame = calloc(N_FRAMES, sizeof *follow->frame);
    follow->strip = calloc(N_FRAMES * follow->n_rows * N_COLUMNS, 1);
    assert_true(follow->time_s && follow->frame && follow->strip);
    resting = raster_make(N_COLUMNS, (int)follow->n_rows);
    assert_non_null(resting);
    speckle_fixture_noise(resting, contents->seed + 1000, 14.0, 1.5);
    for (size_t t = 0; t < N_FRAMES; t++) {
        struct raster *picture = raster_copy(resting);

        assert_non_null(picture);
        speckle_fixture_noise(picture, contents->seed * 1000 + (long)t, 8.0, 1.2);
        follow->frame[t] = t;
        follow->time_s[t] = (double)t / PER_S;
        for (size_t i = 0; i < follow->n_rows * N_COLUMNS; i++) {
            double along = follow->row_from_mm + (double)(i / N_COLUMNS) * FOLLOW_STEP_MM;
            double across = ((double)(i % N_COLUMNS) - N_COLUMNS / 2) * FOLLOW_STEP_MM;
            double value = 75.0 + (double)picture->value[i] + 30.0 * bump(across, 3.0) +
                           added(contents, follow->time_s[t], along, across) -
                           (follow->time_s[t] >= contents->dimmed_from_s ? contents->dimmed_by : 0.0);

            follow->strip[t * follow->n_rows * N_COLUMNS + i] = (uint8_t)lrint(fmin(fmax(value, 0.0), 255.0));
        }
        raster_free(&picture);
    }
    raster_free(&resting);
    if (!cluster_find(&made->cluster, follow, LENGTH_MM, &made->reasons, &err))
        fail_msg("%s", error_message(err));
    assert_int_equal(made->cluster.n, N_FRAMES);
    return made;
}

static void made_free(struct made *made)
{
    cluster_free(&made->cluster);
    text_list_free(&made->reasons);
    free(made->follow.time_s);
    free(made->follow.frame);
    free(made->follow.strip);
    free(made);
}

/* Mean place along over a second from a time on; the cluster must be seen in most of it. */
static double along_at(const struct made *made, double from_s)
{
    double sum = 0.0;
    int n = 0;

    for (size_t t = (size_t)ceil(from_s * PER_S); t < (size_t)((from_s + 1.0) * PER_S) && t < N_FRAMES; t++)
        if (made->cluster.sight[t].is_seen) {
            sum += made->cluster.sight[t].along_mm;
            n++;
        }
    assert_true(2 * n > PER_S);
    return sum / n;
}

static void a_cluster_that_appears_is_dated_placed_and_followed(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 3; seed++) {
        struct contents contents = {.bubbles_from_s = 12.0,
                                    .bubbles_along_mm = 13.0,
                                    .bubbles_across_mm = 0.5,
                                    .drift_mm = seed == 1   ? 3.0
                                                : seed == 2 ? -3.0
                                                            : 0.0,
                                    .seed = seed};
        struct made *made = find(&contents);
        double early = 0.0, late = 0.0;

        assert_true(made->cluster.is_present && made->cluster.has_onset);
        assert_false(made->cluster.has_catheter);
        assert_true(fabs(made->follow.time_s[made->cluster.onset] - 12.0) <= 0.3);
        early = along_at(made, 12.5);
        late = along_at(made, 36.0);
        assert_true(fabs(early - 13.0) < 0.3);
        assert_true(fabs(late - early - contents.drift_mm) < 0.3);
        assert_true(fabs(made->cluster.sight[N_FRAMES - 1].across_mm - 0.5) < 0.3);
        assert_int_equal(made->cluster.sight[N_FRAMES - 1].pieces, 1);
        for (size_t t = 0; t < 11 * PER_S; t++) /* none before it came */
            assert_false(made->cluster.sight[t].is_seen);
        made_free(made);
    }
}

static void no_bubbles_are_none(void **state)
{
    (void)state;
    for (long seed = 11; seed <= 14; seed++) {
        struct made *made = find(&(struct contents){.bubbles_from_s = NEVER_S, .seed = seed});

        assert_false(made->cluster.is_present);
        assert_false(made->cluster.has_catheter);
        made_free(made);
    }
}

static void a_catheter_alone_is_no_deposit(void **state)
{
    (void)state;
    for (long seed = 21; seed <= 23; seed++) {
        struct made *made = find(&(struct contents){.bubbles_from_s = NEVER_S,
                                                    .catheter_from_s = 6.0,
                                                    .catheter_to_s = 18.0,
                                                    .tip_along_mm = 14.0 + (double)(seed - 21),
                                                    .seed = seed});

        assert_false(made->cluster.is_present);
        assert_true(made->cluster.has_catheter);
        assert_true(made->cluster.catheter_from_last);
        assert_true(made->cluster.catheter_odds > 0.0); /* so the first place is the fundus */
        assert_true(made->cluster.sight[12 * PER_S].has_tip);
        assert_true(fabs(made->cluster.sight[12 * PER_S].tip_along_mm - (14.0 + (double)(seed - 21))) < 1.2);
        assert_false(made->cluster.sight[30 * PER_S].has_tip);
        made_free(made);
    }
}

/* The deposit's target: its time within 1 s. */
static void bubbles_ahead_of_a_catheter_are_told_from_it(void **state)
{
    struct made *made = find(&(struct contents){.bubbles_from_s = 12.0,
                                                .bubbles_along_mm = 12.0,
                                                .catheter_from_s = 5.0,
                                                .catheter_to_s = 17.0,
                                                .tip_along_mm = 16.0,
                                                .seed = 31});

    (void)state;
    assert_true(made->cluster.is_present && made->cluster.has_onset && made->cluster.has_catheter);
    if (!(fabs(made->follow.time_s[made->cluster.onset] - 12.0) <= 1.0))
        fail_msg("dated at %.2f s", made->follow.time_s[made->cluster.onset]);
    assert_true(fabs(along_at(made, 30.0) - 12.0) < 0.3);
    /* The shaft lies over the cluster's near side then, and must not draw its centre. */
    assert_true(made->cluster.first.sight.is_seen);
    assert_true(fabs(made->cluster.first.sight.along_mm - 12.0) < 0.3);
    made_free(made);
}

/* They drift off at once, and along the shaft of a catheter that stays. */
/* It shines there for 6 s before the bubbles come. */
static void what_shines_on_the_shaft_behind_the_tip_is_no_bubble(void **state)
{
    struct made *made = find(&(struct contents){.bubbles_from_s = 21.0,
                                                .bubbles_along_mm = 11.0,
                                                .catheter_from_s = 13.0,
                                                .catheter_to_s = 25.0,
                                                .tip_along_mm = 15.0,
                                                .glint_mm = 3.0,
                                                .dimmed_from_s = NEVER_S,
                                                .gone_from_s = NEVER_S,
                                                .gone_to_s = NEVER_S,
                                                .seed = 5});

    (void)state;
    assert_true(made->cluster.is_present && made->cluster.has_onset);
    if (!(fabs(made->follow.time_s[made->cluster.onset] - 21.0) < 0.6 &&
          fabs(along_at(made, 26.0) - 11.0) < 1.0 && fabs(made->cluster.first.sight.along_mm - 11.0) < 1.0))
        fail_msg("told at %.1f s, %.1f mm", made->follow.time_s[made->cluster.onset],
                 made->cluster.first.sight.along_mm);
    made_free(made);
}

static void bubbles_are_dated_while_they_pass_the_shaft(void **state)
{
    struct made *made = find(&(struct contents){.bubbles_from_s = 10.0,
                                                .bubbles_along_mm = 13.0,
                                                .drift_mm = 12.0,
                                                .catheter_from_s = 6.0,
                                                .catheter_to_s = 18.0,
                                                .tip_along_mm = 15.5,
                                                .seed = 36});

    (void)state;
    assert_true(made->cluster.is_present && made->cluster.has_onset);
    if (!(fabs(made->follow.time_s[made->cluster.onset] - 10.0) <= 1.0))
        fail_msg("dated at %.2f s", made->follow.time_s[made->cluster.onset]);
    assert_true(fabs(made->cluster.first.sight.along_mm - 13.0) < 0.3);
    assert_true(fabs(made->cluster.last.sight.along_mm - 25.0) < 0.3);
    made_free(made);
}

static void bubbles_are_found_although_the_gain_is_turned_down_later(void **state)
{
    struct made *made = find(&(struct contents){.bubbles_from_s = 10.0,
                                                .bubbles_along_mm = 14.0,
                                                .drift_mm = -3.0,
                                                .dimmed_from_s = 20.0,
                                                .dimmed_by = 25.0,
                                                .seed = 35});

    (void)state;
    assert_true(made->cluster.is_present && made->cluster.has_onset);
    assert_true(fabs(made->follow.time_s[made->cluster.onset] - 10.0) <= 0.3);
    assert_true(fabs(made->cluster.first.sight.along_mm - 14.0) < 0.3);
    assert_true(fabs(made->cluster.last.sight.along_mm - 11.0) < 0.3);
    made_free(made);
}

/* Over ten made strips the error of the way from first to last place must be of the size that is stated: the
 * mean square of error over standard error is 1 where the statement is exact; over 4 it would be half of what
 * it is. */
static void the_stated_error_of_the_drift_is_of_its_size(void **state)
{
    double squares = 0.0;
    double most = 0.0;

    (void)state;
    for (long seed = 61; seed <= 70; seed++) {
        struct contents contents = {.bubbles_from_s = 12.0,
                                    .bubbles_along_mm = 14.0,
                                    .drift_mm = (double)(seed - 65),
                                    .catheter_from_s = 5.0,
                                    .catheter_to_s = 15.5,
                                    .tip_along_mm = 17.5,
                                    .seed = seed};
        struct made *made = find(&contents);
        const struct cluster *cluster = &made->cluster;
        double error = cluster->last.sight.along_mm - cluster->first.sight.along_mm - contents.drift_mm;

        assert_true(cluster->has_onset && cluster->first.sight.is_seen && cluster->last.sight.is_seen);
        assert_true(cluster->drift_error_mm > 0.0 && cluster->drift_error_mm < 1.0);
        squares += error * error / (cluster->drift_error_mm * cluster->drift_error_mm) / 10.0;
        most = fmax(most, fabs(error));
        made_free(made);
    }
    if (!(most < 0.5) || !(squares < 4.0))
        fail_msg("greatest error %.2f mm, mean square over stated %.2f", most, squares);
}

static void a_cluster_lost_from_sight_is_found_again(void **state)
{
    struct made *made = find(&(struct contents){
        .bubbles_from_s = 8.0, .bubbles_along_mm = 15.0, .gone_from_s = 18.0, .gone_to_s = 23.0, .seed = 41});
    int n_while_gone = 0;

    (void)state;
    assert_true(made->cluster.has_onset);
    assert_true(fabs(made->follow.time_s[made->cluster.onset] - 8.0) <= 0.3);
    assert_true(fabs(along_at(made, 30.0) - 15.0) < 0.3);
    for (size_t t = 19 * PER_S; t < 22 * PER_S; t++)
        n_while_gone += made->cluster.sight[t].is_seen;
    assert_int_equal(n_while_gone, 0);
    made_free(made);
}

static void a_cluster_lost_for_a_moment_soon_after_it_came_is_dated_by_its_coming(void **state)
{
    struct made *made = find(&(struct contents){
        .bubbles_from_s = 4.0, .bubbles_along_mm = 15.0, .gone_from_s = 9.2, .gone_to_s = 11.2, .seed = 42});

    (void)state;
    assert_true(made->cluster.has_onset);
    if (!(fabs(made->follow.time_s[made->cluster.onset] - 4.0) <= 0.3))
        fail_msg("dated at %.2f s", made->follow.time_s[made->cluster.onset]);
    made_free(made);
}

static void a_cluster_that_was_there_from_the_start_has_no_instant(void **state)
{
    struct made *made = find(
        &(struct contents){.bubbles_from_s = -1.0, .bubbles_along_mm = 12.0, .drift_mm = 5.0, .seed = 51});

    (void)state;
    assert_true(made->cluster.is_present);
    assert_false(made->cluster.has_onset);
    made_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_cluster_that_appears_is_dated_placed_and_followed),
        cmocka_unit_test(no_bubbles_are_none),
        cmocka_unit_test(a_catheter_alone_is_no_deposit),
        cmocka_unit_test(bubbles_ahead_of_a_catheter_are_told_from_it),
        cmocka_unit_test(what_shines_on_the_shaft_behind_the_tip_is_no_bubble),
        cmocka_unit_test(bubbles_are_dated_while_they_pass_the_shaft),
        cmocka_unit_test(bubbles_are_found_although_the_gain_is_turned_down_later),
        cmocka_unit_test(the_stated_error_of_the_drift_is_of_its_size),
        cmocka_unit_test(a_cluster_lost_from_sight_is_found_again),
        cmocka_unit_test(a_cluster_lost_for_a_moment_soon_after_it_came_is_dated_by_its_coming),
        cmocka_unit_test(a_cluster_that_was_there_from_the_start_has_no_instant),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
