/* Contracts of measure/speckle_way.h, on a made straightened stripe (tests/support/cluster_fixture.h). */
#include "measure/speckle_way.h"

#include "cluster_fixture.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static struct speckle_way followed(const struct cluster_fixture *made)
{
    struct speckle_way way = {0};

    assert_true(made->cluster.is_present && made->cluster.first.sight.is_seen &&
                made->cluster.last.sight.is_seen);
    assert_true(speckle_way_measure(&way, &made->follow, &made->cluster));
    return way;
}

static void the_pattern_of_the_bubbles_tells_how_far_they_went(void **state)
{
    static const double DRIFTS_MM[] = {6.0, -4.0, 0.0, 10.0, -1.5};

    (void)state;
    for (long i = 0; i < 5; i++) {
        struct cluster_fixture_contents contents = {.bubbles_from_s = 10.0,
                                                    .bubbles_along_mm = 16.0,
                                                    .bubbles_across_mm = 0.5,
                                                    .drift_mm = DRIFTS_MM[i],
                                                    .dimmed_from_s = CLUSTER_FIXTURE_NEVER_S,
                                                    .seed = 301 + i};
        struct cluster_fixture *made = cluster_fixture_find(&contents);
        struct speckle_way way = followed(made);

        assert_true(way.is_told);
        assert_true(fabs(way.way_mm - DRIFTS_MM[i]) < 0.3);
        assert_true(way.error_mm > 0.1 && way.error_mm < 0.8);
        cluster_fixture_free(made);
    }
}

/* The shaft lies over the bubbles at first, then it is drawn out: what it adds is no pattern of theirs. */
static void a_catheter_that_leaves_takes_no_pattern_with_it(void **state)
{
    (void)state;
    for (long seed = 311; seed < 315; seed++) {
        struct cluster_fixture_contents contents = {.bubbles_from_s = 10.0,
                                                    .bubbles_along_mm = 12.0,
                                                    .drift_mm = 5.0,
                                                    .catheter_from_s = 4.0,
                                                    .catheter_to_s = 13.0,
                                                    .tip_along_mm = 14.0,
                                                    .dimmed_from_s = CLUSTER_FIXTURE_NEVER_S,
                                                    .seed = seed};
        struct cluster_fixture *made = cluster_fixture_find(&contents);
        struct speckle_way way = followed(made);

        assert_true(way.is_told);
        assert_true(fabs(way.way_mm - 5.0) < 0.8);
        cluster_fixture_free(made);
    }
}

static void what_shines_elsewhere_draws_no_pattern_to_it(void **state)
{
    struct cluster_fixture_contents contents = {.bubbles_from_s = 8.0,
                                                .bubbles_along_mm = 12.0,
                                                .drift_mm = 3.0,
                                                .other_from_s = 18.0,
                                                .other_along_mm = 27.0,
                                                .dimmed_from_s = CLUSTER_FIXTURE_NEVER_S,
                                                .seed = 321};
    struct cluster_fixture *made = cluster_fixture_find(&contents);
    struct speckle_way way = followed(made);

    (void)state;
    assert_true(way.is_told);
    assert_true(fabs(way.way_mm - 3.0) < 0.3);
    cluster_fixture_free(made);
}

/* Whether what comes back after so long is the same cannot be told by a pattern that changed meanwhile. */
static void a_pattern_that_was_lost_for_long_tells_nothing(void **state)
{
    struct cluster_fixture_contents contents = {.bubbles_from_s = 6.0,
                                                .bubbles_along_mm = 15.0,
                                                .gone_from_s = 16.0,
                                                .gone_to_s = 26.0,
                                                .dimmed_from_s = CLUSTER_FIXTURE_NEVER_S,
                                                .seed = 331};
    struct cluster_fixture *made = cluster_fixture_find(&contents);
    struct speckle_way way = followed(made);

    (void)state;
    assert_false(way.is_told);
    assert_non_null(strstr(way.why, "lost from sight"));
    cluster_fixture_free(made);
}

static void a_cluster_that_parts_has_no_single_pattern(void **state)
{
    struct cluster_fixture_contents contents = {.bubbles_from_s = 8.0,
                                                .bubbles_along_mm = 16.0,
                                                .parted_mm = 12.0,
                                                .dimmed_from_s = CLUSTER_FIXTURE_NEVER_S,
                                                .seed = 341};
    struct cluster_fixture *made = cluster_fixture_find(&contents);
    struct speckle_way way = followed(made);

    (void)state;
    assert_false(way.is_told);
    assert_non_null(strstr(way.why, "too far apart"));
    cluster_fixture_free(made);
}

/* The centre of brightness may be led onto another thing; the pattern does not follow it there. */
static void a_pattern_stays_where_the_centre_is_led_astray(void **state)
{
    struct cluster_fixture_contents contents = {.bubbles_from_s = 8.0,
                                                .bubbles_along_mm = 12.0,
                                                .other_from_s = 22.0,
                                                .other_along_mm = 27.0,
                                                .dimmed_from_s = CLUSTER_FIXTURE_NEVER_S,
                                                .seed = 351};
    struct cluster_fixture *made = cluster_fixture_find(&contents);
    struct speckle_way way = {0};

    (void)state;
    made->cluster.last.sight.along_mm = 27.0;
    for (size_t t = 22 * CLUSTER_FIXTURE_PER_S; t < made->follow.n_frames; t++)
        made->cluster.sight[t].along_mm = 27.0;
    way = followed(made);
    assert_true(way.is_told);
    assert_true(fabs(way.way_mm) < 0.3);
    cluster_fixture_free(made);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_pattern_of_the_bubbles_tells_how_far_they_went),
        cmocka_unit_test(a_catheter_that_leaves_takes_no_pattern_with_it),
        cmocka_unit_test(what_shines_elsewhere_draws_no_pattern_to_it),
        cmocka_unit_test(a_pattern_that_was_lost_for_long_tells_nothing),
        cmocka_unit_test(a_cluster_that_parts_has_no_single_pattern),
        cmocka_unit_test(a_pattern_stays_where_the_centre_is_led_astray),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
