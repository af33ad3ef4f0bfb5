#include "measure/stripe_paths.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    N_HEADINGS = 2 * ANSWER_ANGLES, /* over a whole turn */
    MOST_STEPS = 28,                /* 84 mm: longer than cavity and canal */
};
static const double PI = 3.14159265358979323846;
static const float TURN_COST = 0.5F; /* of a turn by one heading */

/* A step of one heading on the grid. */
struct step {
    int columns, rows;
};

struct walk {
    const struct stripe_answers *answers;
    const float *gain;
    struct stripe_paths *paths;
    struct step step[N_HEADINGS];
    size_t first_of_step; /* node */
    size_t n_places;
};

static bool has_room(struct stripe_paths *paths)
{
    size_t room = paths->room == 0 ? 4096 : 2 * paths->room;
    struct stripe_path_node *node = NULL;

    if (paths->n < paths->room)
        return true;
    node = realloc(paths->node, room * sizeof *node);
    if (node == NULL)
        return false;
    paths->node = node;
    paths->room = room;
    return true;
}

/* A path of one place in every place and heading that answers. */
static bool start(struct walk *walk)
{
    struct stripe_paths *paths = walk->paths;

    for (size_t heading = 0; heading < N_HEADINGS; heading++)
        for (size_t place = 0; place < walk->n_places; place++) {
            float gain = walk->gain[heading % ANSWER_ANGLES * walk->n_places + place];

            if (gain <= 0.0F)
                continue;
            if (!has_room(paths))
                return false;
            paths->node[paths->n++] =
                (struct stripe_path_node){.value = gain, .state = (uint32_t)(place * N_HEADINGS + heading)};
        }
    return true;
}

/* A path that ends in a state, kept when it is the best of its step to do so. */
static bool reach(struct walk *walk, uint32_t state, float value, size_t before)
{
    struct stripe_paths *paths = walk->paths;
    size_t node = paths->newest[state];

    if (node < walk->first_of_step) {
        if (!has_room(paths))
            return false;
        node = paths->n++;
        paths->newest[state] = (uint32_t)node;
    } else if (paths->node[node].value >= value) {
        return true;
    }
    paths->node[node] = (struct stripe_path_node){.value = value, .state = state, .before = (uint32_t)before};
    return true;
}

/* One step ahead from a node, straight on or turned by one heading. */
static bool extend(struct walk *walk, size_t before)
{
    const struct stripe_answers *answers = walk->answers;
    struct stripe_path_node node = walk->paths->node[before];
    unsigned columns = (unsigned)answers->columns;
    unsigned place = node.state / N_HEADINGS;
    int heading = (int)(node.state % N_HEADINGS);
    int row = (int)(place / columns) + walk->step[heading].rows;
    int column = (int)(place % columns) + walk->step[heading].columns;

    if (row < 0 || column < 0 || row >= answers->rows || column >= answers->columns)
        return true;
    for (int turn = -1; turn <= 1; turn++) {
        size_t turned = (size_t)((heading + turn + N_HEADINGS) % N_HEADINGS);
        size_t there = (size_t)row * columns + (size_t)column;
        float gain = walk->gain[turned % ANSWER_ANGLES * walk->n_places + there];
        float value = node.value - (turn == 0 ? 0.0F : TURN_COST);

        if (gain > STRIPE_WORST_GAIN && gain + value > 0.0F && value > 0.0F &&
            !reach(walk, (uint32_t)(there * N_HEADINGS + turned), gain + value, before))
            return false;
    }
    return true;
}

/* Walks the path that ends in a node back into a candidate. */
static bool take_path(const struct walk *walk, size_t n_steps, size_t node,
                      struct stripe_candidate *candidate)
{
    candidate->place_mm = malloc(n_steps * sizeof *candidate->place_mm);
    if (candidate->place_mm == NULL)
        return false;
    for (; candidate->n < n_steps; node = walk->paths->node[node].before) {
        size_t place = walk->paths->node[node].state / N_HEADINGS;
        size_t columns = (size_t)walk->answers->columns;

        candidate->place_mm[candidate->n][0] = ((double)(place % columns) + 0.5) * ANSWER_GRID_MM;
        candidate->place_mm[candidate->n++][1] = ((double)(place / columns) + 0.5) * ANSWER_GRID_MM;
    }
    return true;
}

bool stripe_paths_best(struct stripe_paths *paths, const struct stripe_answers *answers, const float *gain,
                       struct stripe_candidate *candidate)
{
    struct walk walk = {.answers = answers,
                        .gain = gain,
                        .paths = paths,
                        .n_places = (size_t)answers->rows * (size_t)answers->columns};
    size_t n_states = N_HEADINGS * walk.n_places;
    float best = 0.0F;
    size_t best_node = 0;
    size_t best_steps = 0;

    for (int heading = 0; heading < N_HEADINGS; heading++) {
        double angle = 2.0 * PI * heading / N_HEADINGS;

        walk.step[heading].columns = (int)lround(STRIPE_STEP_MM / ANSWER_GRID_MM * cos(angle));
        walk.step[heading].rows = (int)lround(STRIPE_STEP_MM / ANSWER_GRID_MM * sin(angle));
    }
    if (paths->newest == NULL)
        paths->newest = malloc(n_states * sizeof *paths->newest);
    if (paths->newest == NULL)
        return false;
    memset(paths->newest, 0, n_states * sizeof *paths->newest);
    paths->n = 0;
    if (!start(&walk))
        return false;
    for (size_t step = 1, from = 0; from < paths->n; step++) {
        size_t end = paths->n;

        for (size_t node = from; node < end; node++)
            if (paths->node[node].value > best) {
                best = paths->node[node].value;
                best_node = node;
                best_steps = step;
            }
        walk.first_of_step = end;
        for (size_t node = from; node < end && step < MOST_STEPS; node++)
            if (!extend(&walk, node))
                return false;
        from = end;
    }
    candidate->score = (double)best;
    return best_steps == 0 || take_path(&walk, best_steps, best_node, candidate);
}

void stripe_paths_free(struct stripe_paths *paths)
{
    if (paths == NULL)
        return;
    free(paths->node);
    free(paths->newest);
    memset(paths, 0, sizeof *paths);
}
