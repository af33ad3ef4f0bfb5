#include "measure/recount.h"

#include "measure/cycles.h"
#include "measure/direction.h"
#include "measure/passes.h"
#include "measure/usual_wave.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Shares of the usual wave's core. On made loops waves that were left out showed up to 0.28, waves of a third
 * of the mean strength 0.25 to 0.4, of half of it and more 0.35. */
static const double LEAST = 0.3;
static const double HARDLY_ANY = 0.2;
static const double DOUBTFUL = 0.4;      /* up to there it may be none */
static const double LEAST_AT_EDGE = 0.6; /* of the flank that reaches in */
/* Shares of the time from wave to wave. */
static const double MOST_OFF = 0.2;  /* of a listed wave: so far a track's line may miss its pass */
static const double NEAREST = 0.6;   /* between two waves: intervals are uneven by up to 30 %, as above */
static const double FARTHEST = 0.75; /* beyond an edge: from there on nothing of a wave reaches in */
static const double WITHIN = 0.2;    /* of an edge: from there on the core of a wave is seen */
static const double ROOM = 1.25;     /* between two waves: one may lie between them */
static const double MOST_ROOM = 4.0; /* in longer pauses only the list's own waves count */
/* Of the movement about a pass (0..1) that the usual wave explains if it runs one way and if it runs the
 * other: of 1400 waves that ran as told (600 made loops) the other way explained more than this less for all
 * but one; of 34 in loops whose waves ran either way, but were told one way, as many as turned round show it.
 */
static const double LEAST_EXPLAINED = 0.3;
static const double CLEARLY = 0.15;
static const double HARDLY = 0.1;
enum { LEAST_JUDGED = 3, MOST_BETWEEN = 4 };

/* ---- waves that are listed ---- */

static double share_at(struct usual_wave *usual, const struct usual_pass *own)
{
    double off = MOST_OFF * usual->interval;
    struct usual_stretch stretch = {own->at - (double)usual->half, own->at + (double)usual->half, own->way};
    struct usual_pass best = {0};
    double share = (double)NAN;

    usual_wave_take(usual, own, -1.0);
    if (usual_wave_find(usual, own->at - off, own->at + off, &stretch, true, &best, &share))
        share = usual_wave_core(usual, &best);
    usual_wave_take(usual, own, 1.0);
    return share;
}

/* How much of the usual wave each listed one holds, NAN where its way is not known. False where too few are
 * seen from beginning to end to tell what is usual. */
static bool read_shares(struct usual_wave *usual, double *share)
{
    size_t n = 0;

    for (size_t k = 0; k < usual->n; k++) {
        share[k] = usual->pass[k].way < 0 ? NAN : share_at(usual, &usual->pass[k]);
        n += isfinite(share[k]) && usual_wave_is_within(usual, &usual->pass[k]);
    }
    return n >= LEAST_JUDGED;
}

/* How much more of the movement about a pass (-1..1) the usual wave explains if it runs the other way; -1
 * where that explains little. */
static double other_way_explains(struct usual_wave *usual, const struct usual_pass *own)
{
    double off = MOST_OFF * usual->interval;
    struct usual_pass other = {.at = own->at, .way = 1};
    double more = 0.0;

    usual_wave_take(usual, own, -1.0);
    more = usual_wave_explains(usual, &other, off);
    more = more >= LEAST_EXPLAINED ? more - usual_wave_explains(usual, own, off) : -1.0;
    usual_wave_take(usual, own, 1.0);
    return more;
}

/* Marks those that hold enough of a usual wave, and strikes out those that hold hardly any and did not run
 * the other way. */
static void confirm(struct usual_wave *usual, const double *share, bool is_one_way, bool *is_there)
{
    for (size_t k = 0; k < usual->n; k++) {
        const struct usual_pass *own = &usual->pass[k];

        if (share[k] >= LEAST)
            is_there[own->listed] = true;
        else if (share[k] < HARDLY_ANY && usual_wave_is_within(usual, own) &&
                 !(is_one_way && other_way_explains(usual, own) > 0.0))
            is_there[own->listed] = false;
    }
}

/* How many may be none. */
static size_t n_doubtful(const struct usual_wave *usual, const double *share)
{
    size_t n = 0;

    for (size_t k = 0; k < usual->n; k++)
        n += share[k] < DOUBTFUL;
    return n;
}

/* Of waves of one way, whether one whose whole course is seen runs the other way, or might as well. */
static void look_at_ways(struct wave_list *list, struct usual_wave *usual)
{
    for (size_t k = 0; k < usual->n; k++)
        if (usual_wave_is_within(usual, &usual->pass[k])) {
            double more = other_way_explains(usual, &usual->pass[k]);

            list->has_other_way |= more > CLEARLY;
            list->has_either_way |= more > -HARDLY;
        }
}

/* Whether there was one to leave out. */
static bool leave_out(struct wave_list *list, const bool *is_there)
{
    size_t n_before = list->n;

    list->n_middle = 0.0;
    list->n = 0;
    for (size_t i = 0; i < n_before; i++)
        if (is_there[i]) {
            list->n_middle += list->wave[i].has_middle;
            list->wave[list->n++] = list->wave[i];
        }
    return list->n < n_before;
}

/* ---- waves that are not ---- */

/* The wave that is listed about a moment as one whose middle was not seen, the nearest; NULL: none. */
static struct wave_one *listed_about(struct wave_list *list, double at_s)
{
    struct wave_one *own = NULL;
    double nearest_s = HUGE_VAL;

    for (size_t i = 0; i < list->n; i++) {
        struct wave_one *wave = &list->wave[i];
        double away_s = fabs(0.5 * (wave->start_s + wave->end_s) - at_s);

        if (!wave->has_middle && wave->start_s < at_s && at_s < wave->end_s && away_s < nearest_s) {
            nearest_s = away_s;
            own = wave;
        }
    }
    return own;
}

/* A pass that was found is that of a listed wave; without one, or beyond an edge, it is added beside the
 * list. */
static void add_pass(struct wave_list *list, struct wave_one *own, double at_s)
{
    if (own == NULL || at_s < list->from_s || at_s > list->to_s) {
        list->beside_s[list->n_beside++] = at_s;
        return;
    }
    own->middle_s = at_s;
    own->has_middle = true;
    list->n_middle += 1.0;
}

/* Of the waves listed beside an edge's next one, the nearest to a pass becomes it, the others lose their
 * middle; where none is listed it is added. is_there: else there is no pass. */
static void set_edge(struct wave_list *list, double next_s, double at_s, bool is_first, bool is_there)
{
    struct wave_one *own = NULL;

    for (size_t i = 0; i < list->n; i++) {
        struct wave_one *wave = &list->wave[i];

        if (!wave->has_middle || (is_first ? wave->middle_s >= next_s : wave->middle_s <= next_s))
            continue;
        wave->has_middle = false;
        list->n_middle -= 1.0;
        if (own == NULL || fabs(wave->middle_s - at_s) < fabs(own->middle_s - at_s))
            own = wave;
    }
    if (is_there)
        add_pass(list, own != NULL ? own : listed_about(list, at_s), at_s);
}

/* The pass next to an edge whose whole wave is seen; n: none. */
static size_t next_to(const struct usual_wave *usual, bool is_first)
{
    size_t found = usual->n;

    for (size_t k = 0; k < usual->n; k++)
        if (usual_wave_is_within(usual, &usual->pass[k]) && (!is_first || found == usual->n))
            found = k;
    return found;
}

/* Takes what is listed between an edge and the pass next to it out of the rest, or puts it in. */
static void take_edge(struct usual_wave *usual, size_t next, bool is_first, double share)
{
    for (size_t k = 0; k < usual->n; k++)
        if (is_first ? k < next : k > next)
            usual_wave_take(usual, &usual->pass[k], share);
}

static void look_at_edge(struct wave_list *list, struct usual_wave *usual, bool is_first)
{
    size_t k = next_to(usual, is_first);
    const struct usual_pass *next = &usual->pass[k];
    double half = (double)usual->half;
    double last = (double)(usual->even->n - 1);
    double from = is_first ? -FARTHEST * usual->interval : next->at + NEAREST * usual->interval;
    double to = is_first ? next->at - NEAREST * usual->interval : last + FARTHEST * usual->interval;
    struct usual_stretch stretch = {is_first ? -HUGE_VAL : next->at - half,
                                    is_first ? next->at + half : HUGE_VAL, next->way};
    struct usual_pass best = {0};
    double share = 0.0;

    if (k == usual->n || next->way < 0 ||
        (is_first ? next->at : last - next->at) > MOST_ROOM * usual->interval)
        return;
    take_edge(usual, k, is_first, -1.0);
    if (usual_wave_find(usual, from, to, &stretch, false, &best, &share)) {
        double inside = (is_first ? best.at : last - best.at) / usual->interval;
        /* a step from the farthest is as good as none */
        bool is_there = inside >= WITHIN ? usual_wave_core(usual, &best) >= LEAST
                                         : share >= LEAST_AT_EDGE &&
                                               (is_first ? best.at > from + 1.5 : best.at < to - 1.5);

        list->is_edge_told[is_first ? 0 : 1] = true;
        set_edge(list, usual->even->from_s + next->at / EVEN_HZ, usual->even->from_s + best.at / EVEN_HZ,
                 is_first, is_there);
    }
    take_edge(usual, k, is_first, 1.0);
}

/* The clearest wave between two passes, and how much of a usual one it holds; false where there is no room.
 * What is a wave is taken out of the rest. */
static bool find_between(struct usual_wave *usual, const struct usual_pass *one,
                         const struct usual_pass *other, struct usual_pass *found, double *core)
{
    double half = (double)usual->half;
    double away = NEAREST * usual->interval;
    struct usual_stretch stretch = {one->at - half, other->at + half, one->way < 0 ? 0 : one->way};
    double room = (other->at - one->at) / usual->interval;
    double share = 0.0;

    if (room < ROOM || room > MOST_ROOM ||
        !usual_wave_find(usual, one->at + away, other->at - away, &stretch, true, found, &share))
        return false;
    *core = usual_wave_core(usual, found);
    if (*core >= LEAST)
        usual_wave_take(usual, found, share);
    return true;
}

/* In each interval the clearest wave, and then on either side of it. */
static void look_between(struct wave_list *list, struct usual_wave *usual)
{
    for (size_t k = 0; k + 1 < usual->n; k++) {
        struct usual_pass row[MOST_BETWEEN + 2] = {usual->pass[k], usual->pass[k + 1]};
        size_t n = 2;

        for (size_t i = 0; i + 1 < n && n < MOST_BETWEEN + 2 && list->n_beside < WAVE_LIST_MOST;) {
            struct usual_pass found = {0};
            double core = 0.0;
            double at_s = 0.0;

            if (!find_between(usual, &row[i], &row[i + 1], &found, &core) || core < LEAST) {
                list->n_faint += core >= HARDLY_ANY;
                i++;
                continue;
            }
            at_s = usual->even->from_s + found.at / EVEN_HZ;
            list->n_doubtful += core < DOUBTFUL;
            add_pass(list, listed_about(list, at_s), at_s);
            memmove(&row[i + 2], &row[i + 1], (n - i - 1) * sizeof *row);
            row[i + 1] = found;
            n++;
        }
    }
}

/* ---- both ---- */

static bool look(struct wave_list *list, const struct even *even, double spacing,
                 const struct wave_result *result, bool *is_there)
{
    struct passes passes = passes_of(list);
    struct usual_wave usual;
    double share[WAVE_LIST_MOST] = {0};
    bool is_known = false;
    bool is_usual = false;

    if (passes.n < 2) {
        (void)leave_out(list, is_there);
        return true;
    }
    if (!usual_wave_make(&usual, even, passes.usual_s, list->n))
        return false;
    is_known = usual_wave_learn(&usual, list, spacing, result);
    is_usual = is_known && read_shares(&usual, share);
    if (is_usual)
        confirm(&usual, share, direction_is_one_way(result->direction), is_there);
    if (leave_out(list, is_there) && is_known) {
        is_known = usual_wave_learn(&usual, list, spacing, result);
        is_usual = is_known && read_shares(&usual, share);
    }
    if (is_known && direction_is_one_way(result->direction))
        look_at_ways(list, &usual);
    if (is_known) {
        list->n_doubtful = is_usual ? n_doubtful(&usual, share) : 0;
        look_between(list, &usual);
        look_at_edge(list, &usual, true);
        look_at_edge(list, &usual, false);
    }
    usual_wave_free(&usual);
    return true;
}

bool recount(struct wave_list *list, const struct even *even, double spacing,
             const struct wave_result *result)
{
    bool *is_there = calloc(list->n + 1, sizeof *is_there);
    bool is_made = is_there != NULL && cycles_look(is_there, even, spacing, result, list) &&
                   look(list, even, spacing, result, is_there);

    free(is_there);
    return is_made;
}
