/* Contracts of measure/tip_sections.h. */
#include "measure/tip_sections.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

enum { N = 400, PER_S = 10 };

/* A catheter whose tip is told at tip_mm from the fundus from 10 s until 20 s, and bubbles 15 mm from it that
 * are seen from onset_s on. */
struct scene {
    struct follow follow;
    struct cluster cluster;
    struct stripe stripe;
    double time_s[N];
    struct bubble_sight sight[N];
};

static struct bubble_facts facts_of(struct scene *scene, double onset_s, double tip_mm)
{
    memset(scene, 0, sizeof *scene);
    for (size_t t = 0; t < N; t++) {
        scene->time_s[t] = (double)t / PER_S;
        scene->sight[t].has_tip = scene->time_s[t] >= 10.0 && scene->time_s[t] < 20.0;
        scene->sight[t].tip_along_mm = tip_mm;
    }
    scene->follow.n_frames = scene->cluster.n = N;
    scene->follow.time_s = scene->time_s;
    scene->cluster.sight = scene->sight;
    scene->cluster.has_onset = true;
    scene->cluster.onset = (size_t)lround(onset_s * PER_S);
    scene->cluster.first.sight.along_mm = 15.0;
    return (struct bubble_facts){.follow = &scene->follow,
                                 .cluster = &scene->cluster,
                                 .stripe = &scene->stripe,
                                 .fundus_is_first = true};
}

static void a_tip_just_behind_the_bubbles_is_told(void **state)
{
    struct scene scene;
    struct bubble_facts facts = facts_of(&scene, 15.0, 17.5);

    (void)state;
    assert_true(tip_sections_are_told(&facts));
}

static void a_tip_that_the_bubbles_do_not_bear_out_is_not_told(void **state)
{
    static const double TIP_MM[] = {10.0, 15.5, 21.0};
    struct scene scene;

    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct bubble_facts facts = facts_of(&scene, 15.0, TIP_MM[i]);

        assert_false(tip_sections_are_told(&facts));
    }
}

static void a_tip_that_was_not_seen_just_before_the_deposit_is_not_told(void **state)
{
    struct scene scene;
    struct bubble_facts facts = facts_of(&scene, 26.0, 17.5);

    (void)state;
    assert_false(tip_sections_are_told(&facts));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_tip_just_behind_the_bubbles_is_told),
        cmocka_unit_test(a_tip_that_the_bubbles_do_not_bear_out_is_not_told),
        cmocka_unit_test(a_tip_that_was_not_seen_just_before_the_deposit_is_not_told),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
