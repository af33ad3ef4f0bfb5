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

static void bubbles_seen_as_the_catheter_leaves_that_lay_over_them_may_have_come_before(void **state)
{
    struct scene scene;
    struct bubble_facts facts = facts_of(&scene, 20.2, 10.0);
    double since_s = 0.0;

    (void)state;
    assert_true(tip_sections_cover(&facts, &since_s));
    assert_true(fabs(since_s - 10.0) < 0.05);
}

static void bubbles_seen_ahead_of_the_tip_were_not_covered_by_it(void **state)
{
    struct scene scene;
    struct bubble_facts facts = facts_of(&scene, 20.2, 17.5);
    double since_s = 0.0;

    (void)state;
    assert_false(tip_sections_cover(&facts, &since_s));
}

static void bubbles_seen_while_the_catheter_stays_were_not_covered_by_it(void **state)
{
    struct scene scene;
    struct bubble_facts facts = facts_of(&scene, 15.0, 10.0);
    double since_s = 0.0;

    (void)state;
    assert_false(tip_sections_cover(&facts, &since_s));
}

static void bubbles_seen_long_after_the_catheter_left_were_not_covered_by_it(void **state)
{
    struct scene scene;
    struct bubble_facts facts = facts_of(&scene, 26.0, 10.0);
    double since_s = 0.0;

    (void)state;
    assert_false(tip_sections_cover(&facts, &since_s));
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(bubbles_seen_as_the_catheter_leaves_that_lay_over_them_may_have_come_before),
        cmocka_unit_test(bubbles_seen_ahead_of_the_tip_were_not_covered_by_it),
        cmocka_unit_test(bubbles_seen_while_the_catheter_stays_were_not_covered_by_it),
        cmocka_unit_test(bubbles_seen_long_after_the_catheter_left_were_not_covered_by_it),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
