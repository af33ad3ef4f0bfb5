/* Contracts of measure/instant.h. */
#include "measure/instant.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

enum { N = 1200, PER_S = 10 };

/* A catheter whose tip is told from 10 s until 20 s, but for two seconds, and bubbles that are seen from
 * onset_s on. */
struct scene {
    struct follow follow;
    struct cluster cluster;
    struct stripe stripe;
    double time_s[N];
    size_t frame[N];
    struct bubble_sight sight[N];
};

static struct bubble_facts facts_of(struct scene *scene, double onset_s)
{
    memset(scene, 0, sizeof *scene);
    for (size_t t = 0; t < N; t++) {
        double time_s = (double)t / PER_S;

        scene->time_s[t] = time_s;
        scene->frame[t] = t;
        scene->sight[t].has_tip = time_s >= 10.0 && time_s < 20.0 && !(time_s >= 13.0 && time_s < 15.0);
    }
    scene->follow.n_frames = scene->cluster.n = N;
    scene->follow.time_s = scene->time_s;
    scene->follow.frame = scene->frame;
    scene->cluster.sight = scene->sight;
    scene->cluster.is_present = scene->cluster.has_onset = true;
    scene->cluster.onset = (size_t)lround(onset_s * PER_S);
    scene->cluster.first.sight.along_mm = 15.0;
    scene->stripe.fit.length_mm = 35.0;
    return (struct bubble_facts){.follow = &scene->follow,
                                 .cluster = &scene->cluster,
                                 .stripe = &scene->stripe,
                                 .fundus_is_first = true};
}

/* They come through it. */
static void what_comes_to_light_long_after_the_catheter_went_was_deposited_while_it_was_there(void **state)
{
    struct scene scene;
    struct bubble_facts facts = facts_of(&scene, 80.0);
    struct deposit deposit = {0};

    (void)state;
    assert_true(instant_fill(&deposit, &facts, 0.0));
    assert_true(deposit.time_s.is_known && deposit.time_s.has_interval);
    assert_true(fabs(deposit.time_s.low - 10.0) < 0.2);
    assert_true(fabs(deposit.time_s.high - 80.0) < 0.2);
    assert_int_equal(deposit.reasons.n, 1);
    text_list_free(&deposit.reasons);
}

static void bubbles_that_come_while_the_catheter_is_there_or_has_just_gone_are_dated(void **state)
{
    static const double ONSET_S[] = {5.0, 14.0, 18.0, 24.0};

    (void)state;
    for (size_t i = 0; i < 4; i++) {
        struct scene scene;
        struct bubble_facts facts = facts_of(&scene, ONSET_S[i]);
        struct deposit deposit = {0};

        assert_false(instant_fill(&deposit, &facts, 0.0));
        assert_true(deposit.time_s.is_known && !deposit.time_s.has_interval);
        assert_true(fabs(deposit.time_s.value - ONSET_S[i]) < 0.1);
        assert_int_equal(deposit.reasons.n, 0);
        text_list_free(&deposit.reasons);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_comes_to_light_long_after_the_catheter_went_was_deposited_while_it_was_there),
        cmocka_unit_test(bubbles_that_come_while_the_catheter_is_there_or_has_just_gone_are_dated),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
