/* Contracts of measure/cluster.h where the catheter's line cannot be told and what shines of it might pass
 * for bubbles (tests/support/cluster_fixture.h). */
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

static void what_shines_beyond_the_os_is_passed_over_for_the_bubbles_in_the_stripe(void **state)
{
    (void)state;
    for (long seed = 71; seed <= 73; seed++) {
        struct cluster_fixture *made = cluster_fixture_find(
            &(struct cluster_fixture_contents){.bubbles_from_s = 12.0,
                                               .bubbles_along_mm = 14.0,
                                               .other_from_s = 5.0,
                                               .other_to_s = 20.0,
                                               .other_along_mm = CLUSTER_FIXTURE_LENGTH_MM + 5.0,
                                               .seed = seed});

        assert_true(made->cluster.is_present);
        if (fabs(onset_s(made) - 12.0) > 0.6 || fabs(made->cluster.first.sight.along_mm - 14.0) > 1.0)
            fail_msg("seed %ld: dated at %.1f s, at %.1f mm", seed, onset_s(made),
                     made->cluster.first.sight.along_mm);
        assert_true(made->reasons.n > 0);
        cluster_fixture_free(made);
    }
}

static void what_shines_beyond_the_os_alone_is_not_told_as_a_deposit(void **state)
{
    (void)state;
    for (int is_lasting = 0; is_lasting < 2; is_lasting++) {
        struct cluster_fixture *made = cluster_fixture_find(
            &(struct cluster_fixture_contents){.bubbles_from_s = CLUSTER_FIXTURE_NEVER_S,
                                               .other_from_s = 5.0,
                                               .other_to_s = is_lasting ? 0.0 : 20.0,
                                               .other_along_mm = CLUSTER_FIXTURE_LENGTH_MM + 5.0,
                                               .seed = 74});

        assert_false(made->cluster.is_present);
        assert_true(made->cluster.is_doubtful);
        assert_true(made->reasons.n > 0);
        cluster_fixture_free(made);
    }
}

/* The stripe's end is told to a few millimetres: bubbles that come to light there are bubbles. */
static void bubbles_at_the_os_are_still_told(void **state)
{
    struct cluster_fixture *made = cluster_fixture_find(&(struct cluster_fixture_contents){
        .bubbles_from_s = 8.0, .bubbles_along_mm = CLUSTER_FIXTURE_LENGTH_MM - 1.0, .seed = 75});

    (void)state;
    assert_true(fabs(onset_s(made) - 8.0) <= 0.4);
    assert_true(fabs(made->cluster.first.sight.along_mm - (CLUSTER_FIXTURE_LENGTH_MM - 1.0)) < 1.0);
    cluster_fixture_free(made);
}

/* Its line is too faint to be told, but for a stretch. */
static void what_comes_and_goes_with_the_catheter_is_no_bubbles(void **state)
{
    (void)state;
    for (long seed = 81; seed <= 83; seed++) {
        struct cluster_fixture *made =
            cluster_fixture_find(&(struct cluster_fixture_contents){.bubbles_from_s = 12.0,
                                                                    .bubbles_along_mm = 14.0,
                                                                    .other_from_s = 6.5,
                                                                    .other_to_s = 20.5,
                                                                    .other_along_mm = 29.0,
                                                                    .catheter_from_s = 5.0,
                                                                    .catheter_to_s = 19.5,
                                                                    .tip_along_mm = 17.0,
                                                                    .shaft_grey = 18.0,
                                                                    .seed = seed});

        if (fabs(onset_s(made) - 12.0) > 0.6 || fabs(made->cluster.first.sight.along_mm - 14.0) > 1.0)
            fail_msg("seed %ld: dated at %.1f s, at %.1f mm", seed, onset_s(made),
                     made->cluster.first.sight.along_mm);
        cluster_fixture_free(made);
    }
}

/* They come when it has come to rest, and stay when it goes. */
static void bubbles_under_a_faint_catheter_are_dated_by_their_coming(void **state)
{
    struct cluster_fixture *made =
        cluster_fixture_find(&(struct cluster_fixture_contents){.bubbles_from_s = 10.0,
                                                                .bubbles_along_mm = 14.0,
                                                                .drift_mm = 8.0,
                                                                .catheter_from_s = 5.0,
                                                                .catheter_to_s = 16.0,
                                                                .tip_along_mm = 17.0,
                                                                .shaft_grey = 18.0,
                                                                .seed = 84});

    (void)state;
    assert_true(fabs(onset_s(made) - 10.0) <= 0.6);
    assert_true(fabs(made->cluster.first.sight.along_mm - 14.0) < 1.0);
    cluster_fixture_free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_shines_beyond_the_os_is_passed_over_for_the_bubbles_in_the_stripe),
        cmocka_unit_test(what_shines_beyond_the_os_alone_is_not_told_as_a_deposit),
        cmocka_unit_test(bubbles_at_the_os_are_still_told),
        cmocka_unit_test(what_comes_and_goes_with_the_catheter_is_no_bubbles),
        cmocka_unit_test(bubbles_under_a_faint_catheter_are_dated_by_their_coming),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
