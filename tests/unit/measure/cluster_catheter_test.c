/* Contracts of measure/cluster.h where bubbles and the catheter that they leave are to be told apart
 * (tests/support/cluster_fixture.h). */
#include "../../support/cluster_fixture.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static double onset_s(const struct cluster_fixture *made)
{
    assert_true(made->cluster.has_onset);
    return made->follow.time_s[made->cluster.onset];
}

/* Two pieces that begin where the stripe ends make a line as long as a catheter's; but no catheter came in.
 */
static void bubbles_at_the_end_of_the_stripe_are_no_catheter(void **state)
{
    (void)state;
    for (long seed = 1; seed <= 3; seed++) {
        struct cluster_fixture *made = cluster_fixture_find(&(struct cluster_fixture_contents){
            .bubbles_from_s = 8.0, .bubbles_along_mm = 33.5, .parted_mm = 8.0, .seed = seed});

        if (made->cluster.has_catheter || fabs(onset_s(made) - 8.0) > 0.4)
            fail_msg("seed %ld: dated at %.1f s, a catheter: %d", seed, onset_s(made),
                     made->cluster.has_catheter);
        cluster_fixture_free(made);
    }
}

/* Its shaft is lost from sight for two seconds, in which the bubbles come: they are not what always lay
 * there. */
static void bubbles_that_come_while_the_shaft_is_lost_from_sight_are_dated_by_their_coming(void **state)
{
    (void)state;
    for (long seed = 11; seed <= 13; seed++) {
        struct cluster_fixture *made =
            cluster_fixture_find(&(struct cluster_fixture_contents){.bubbles_from_s = 12.0,
                                                                    .bubbles_along_mm = 14.0,
                                                                    .catheter_from_s = 5.0,
                                                                    .catheter_to_s = 20.0,
                                                                    .tip_along_mm = 18.0,
                                                                    .hidden_from_s = 11.0,
                                                                    .hidden_to_s = 13.0,
                                                                    .seed = seed});

        if (fabs(onset_s(made) - 12.0) > 0.6)
            fail_msg("seed %ld: dated at %.1f s", seed, onset_s(made));
        cluster_fixture_free(made);
    }
}

static void
bubbles_that_are_lost_for_some_seconds_are_dated_by_their_coming_however_long_they_stay(void **state)
{
    (void)state;
    for (long seed = 21; seed <= 23; seed++) {
        struct cluster_fixture *made =
            cluster_fixture_find(&(struct cluster_fixture_contents){.bubbles_from_s = 5.0,
                                                                    .bubbles_along_mm = 14.0,
                                                                    .gone_from_s = 13.0,
                                                                    .gone_to_s = 17.0,
                                                                    .lasts_s = 60.0,
                                                                    .seed = seed});

        if (fabs(onset_s(made) - 5.0) > 0.4)
            fail_msg("seed %ld: dated at %.1f s", seed, onset_s(made));
        cluster_fixture_free(made);
    }
}

/* They leave a catheter by its tip: those that are seen when it has gone were deposited while it was there.
 */
static void bubbles_seen_when_the_catheter_has_gone_were_deposited_before(void **state)
{
    static const double FROM_S[] = {12.0, 20.5, 23.0};

    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct cluster_fixture *made =
            cluster_fixture_find(&(struct cluster_fixture_contents){.bubbles_from_s = FROM_S[i],
                                                                    .bubbles_along_mm = 14.0,
                                                                    .catheter_from_s = 6.0,
                                                                    .catheter_to_s = 18.0,
                                                                    .tip_along_mm = 17.0,
                                                                    .seed = 41});
        double since_s = made->cluster.left_from_s;

        assert_true(fabs(onset_s(made) - FROM_S[i]) <= 0.6);
        if (made->cluster.has_left != (i > 0) || (i > 0 && !(since_s > 2.0 && since_s < 9.0)))
            fail_msg("bubbles at %.1f s, a catheter from 6 s to 20 s: told to have left, from %.1f s on",
                     FROM_S[i], since_s);
        cluster_fixture_free(made);
    }
}

static void a_catheter_that_is_there_from_the_first_frame_is_seen_to_leave(void **state)
{
    struct cluster_fixture *made =
        cluster_fixture_find(&(struct cluster_fixture_contents){.bubbles_from_s = 13.0,
                                                                .bubbles_along_mm = 14.0,
                                                                .catheter_from_s = -8.0,
                                                                .catheter_to_s = 10.0,
                                                                .tip_along_mm = 17.0,
                                                                .seed = 45});

    (void)state;
    assert_true(fabs(onset_s(made) - 13.0) <= 0.6);
    assert_true(made->cluster.has_left);
    assert_true(made->cluster.left_from_s < 2.0);
    cluster_fixture_free(made);
}

static void a_glint_at_the_fundus_before_the_catheter_came_is_no_catheter_that_left(void **state)
{
    struct cluster_fixture *made =
        cluster_fixture_find(&(struct cluster_fixture_contents){.bubbles_from_s = 19.0,
                                                                .bubbles_along_mm = 14.0,
                                                                .other_from_s = 3.0,
                                                                .other_to_s = 7.0,
                                                                .other_along_mm = -2.0,
                                                                .other_grey = 110.0,
                                                                .catheter_from_s = 10.0,
                                                                .catheter_to_s = 24.0,
                                                                .tip_along_mm = 17.0,
                                                                .seed = 46});

    (void)state;
    assert_true(fabs(onset_s(made) - 19.0) <= 0.6);
    assert_false(made->cluster.has_left);
    cluster_fixture_free(made);
}

/* Lost from sight, and something like it shines elsewhere: it may have gone there. What is fainter has not.
 */
static void what_shines_like_the_bubbles_elsewhere_makes_their_way_unsure(void **state)
{
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct cluster_fixture *made =
            cluster_fixture_find(&(struct cluster_fixture_contents){.bubbles_from_s = 6.0,
                                                                    .bubbles_along_mm = 14.0,
                                                                    .gone_from_s = 24.0,
                                                                    .gone_to_s = 1e9,
                                                                    .other_from_s = 32.0,
                                                                    .other_along_mm = 26.0,
                                                                    .other_grey = i == 0 ? 110.0 : 35.0,
                                                                    .lasts_s = 48.0,
                                                                    .seed = 51});

        assert_true(fabs(onset_s(made) - 6.0) <= 0.4);
        if (i == 0 ? fabs(made->cluster.elsewhere_mm - 12.0) > 2.5 : made->cluster.elsewhere_mm > 0.0)
            fail_msg("%s: told to be %.1f mm away", i == 0 ? "as bright" : "fainter",
                     made->cluster.elsewhere_mm);
        assert_true(i == 0 ? made->cluster.drift_error_mm > 2.0 : made->cluster.drift_error_mm < 0.7);
        cluster_fixture_free(made);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bubbles_at_the_end_of_the_stripe_are_no_catheter),
        cmocka_unit_test(bubbles_that_come_while_the_shaft_is_lost_from_sight_are_dated_by_their_coming),
        cmocka_unit_test(
            bubbles_that_are_lost_for_some_seconds_are_dated_by_their_coming_however_long_they_stay),
        cmocka_unit_test(bubbles_seen_when_the_catheter_has_gone_were_deposited_before),
        cmocka_unit_test(a_catheter_that_is_there_from_the_first_frame_is_seen_to_leave),
        cmocka_unit_test(a_glint_at_the_fundus_before_the_catheter_came_is_no_catheter_that_left),
        cmocka_unit_test(what_shines_like_the_bubbles_elsewhere_makes_their_way_unsure),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
