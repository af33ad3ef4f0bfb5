#include "measure/pieces.h"

#include "measure/cluster_way.h"

#include <math.h>
#include <stdlib.h>

static const double LEAST_STRENGTH = 6.5; /* likewise: mean of the peak, standard deviations */

/* Farther from the cluster than this at first it is something else: what lies nearer was weighed with it
 * until it parted. Twice the distance from which on it is followed by itself. */
static const double PARTS_WITHIN_MM = 10.0;
/* Where the catheter hid how they parted, they are farther apart when it has gone. */
static const double HIDDEN_S = 2.0;

/* Distance of a piece from the nearest other. */
static double apart_mm(const struct hunt *hunt, const long *way, size_t frame, long row)
{
    double least = (double)labs(row - way[frame]);

    for (size_t i = 0; i < hunt->n_parted; i++)
        if (hunt->parted[i][frame] >= 0)
            least = fmin(least, (double)labs(row - hunt->parted[i][frame]));
    return least * FOLLOW_STEP_MM;
}

static bool was_hidden(const struct hunt *hunt, const long *tip, size_t frame)
{
    const double *time_s = hunt->follow->time_s;

    for (size_t t = frame + 1; t-- > 0 && time_s[frame] - time_s[t] <= HIDDEN_S;)
        if (tip[t] >= 0)
            return true;
    return false;
}

/* Whether what keeps apart from the cluster's way parted from it, and stayed. */
static bool is_piece(const struct hunt *hunt, const long *way, const long *tip, const long *piece)
{
    const double *time_s = hunt->follow->time_s;
    double seen_s = 0.0;
    double crest = 0.0;
    double n = 0.0;

    for (size_t t = 0; t + 1 < hunt->follow->n_frames; t++) {
        if (piece[t] < 0)
            continue;
        if (n < 1.0 && apart_mm(hunt, way, t, piece[t]) > PARTS_WITHIN_MM &&
            (!was_hidden(hunt, tip, t) || hunt_is_left(hunt, piece[t])))
            return false;
        seen_s += fmin(time_s[t + 1] - time_s[t], 1.0);
        crest += (double)hunt->crest[t * hunt->n_rows + (size_t)piece[t]];
        n += 1.0;
    }
    return seen_s >= HUNT_LEAST_STAY_S && crest / n >= LEAST_STRENGTH;
}

bool pieces_find(struct hunt *hunt, const long *way, const long *tip)
{
    while (hunt->n_parted < HUNT_MOST_PARTED) {
        long *piece = calloc(hunt->follow->n_frames + 1, sizeof *piece);

        if (piece == NULL || !cluster_way_find(hunt, tip, way, piece)) {
            free(piece);
            return false;
        }
        if (!is_piece(hunt, way, tip, piece)) {
            free(piece);
            return true;
        }
        hunt->parted[hunt->n_parted++] = piece;
    }
    return true;
}
