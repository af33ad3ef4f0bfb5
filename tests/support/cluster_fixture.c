#include "cluster_fixture.h"

#include "speckle_fixture.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

enum { N_COLUMNS = 45, N_POSITIONS = 16 };
static const double DURATION_S = 37.5;
static const double BEYOND_MM = 8.0;
static const double EDGE_MM = 20.0; /* of the picture from the strip */
static const double PIXEL_MM = 0.2;
static const double PI = 3.14159265358979323846;

static double drifted(const struct cluster_fixture_contents *contents, double time_s)
{
    return fmin(fmax((time_s - contents->bubbles_from_s - 4.0) / 10.0, 0.0), 1.0);
}

static double bubbles_along(const struct cluster_fixture_contents *contents, double time_s)
{
    return contents->bubbles_along_mm + drifted(contents, time_s) * contents->drift_mm;
}

/* Tip of the catheter; beyond the strip when it is not there. */
static double tip_along(const struct cluster_fixture_contents *contents, double time_s)
{
    double away = CLUSTER_FIXTURE_LENGTH_MM + BEYOND_MM + 2.0;
    double tip_mm = contents->tip_along_mm;
    double in = fmin(fmax((time_s - contents->catheter_from_s) / 2.0, 0.0), 1.0);
    double out = fmin(fmax((time_s - contents->catheter_to_s) / 2.0, 0.0), 1.0);

    if (!(contents->catheter_to_s > 0.0))
        return 1e6;
    tip_mm += fmin(fmax(contents->pause_mm - 2.5 * (time_s - contents->catheter_from_s - 5.0), 0.0),
                   contents->pause_mm);
    return away + (tip_mm - away) * (in - out);
}

static double bump(double away, double sigma)
{
    return exp(-0.5 * away * away / (sigma * sigma));
}

/* What bubbles and catheter add at a place. */
static double added(const struct cluster_fixture_contents *contents, double time_s, double along,
                    double across)
{
    double sum = 0.0;
    double tip = tip_along(contents, time_s);

    if (time_s >= contents->bubbles_from_s &&
        !(time_s >= contents->gone_from_s && time_s < contents->gone_to_s))
        for (int piece = -1; piece <= 1; piece += 2)
            sum += 55.0 *
                   bump(along - bubbles_along(contents, time_s) -
                            0.5 * piece * contents->parted_mm * drifted(contents, time_s),
                        1.0) *
                   bump(across - contents->bubbles_across_mm, 0.9) *
                   (contents->parted_mm > 0.0 ? 1.0 + 0.6 * drifted(contents, time_s) : 1.0);
    if (contents->other_from_s > 0.0 && time_s >= contents->other_from_s &&
        (contents->other_to_s <= 0.0 || time_s < contents->other_to_s))
        sum += (contents->other_grey > 0.0 ? contents->other_grey : 90.0) *
               bump(along - contents->other_along_mm, 1.0) * bump(across, 0.9);
    if (along > tip - 1.0 && !(time_s >= contents->hidden_from_s && time_s < contents->hidden_to_s))
        sum += (contents->shaft_grey > 0.0 ? contents->shaft_grey : 70.0) * bump(across, 0.6) *
               (along < tip ? bump(along - tip, 0.4) : 1.0);
    if (contents->bead_grey > 0.0)
        sum += contents->bead_grey * bump(along - tip, 1.0) * bump(across, 0.9);
    if (contents->glint_mm > 0.0 && time_s >= contents->catheter_from_s + 5.0 &&
        time_s < contents->catheter_to_s)
        sum += 90.0 * bump(along - tip - contents->glint_mm, 1.0) * bump(across, 0.9);
    return sum;
}

/* The tissue's movement on the screen since rest: along the stripe, which lies level, and across it. */
static void breathe(const struct cluster_fixture_contents *contents, double time_s, double moved_mm[2])
{
    double share = contents->holds_breath ? 0.1 : 1.0;

    moved_mm[0] = share * 0.4 * sin(2.0 * PI * time_s / 4.1);
    moved_mm[1] = share * 0.3 * sin(2.0 * PI * time_s / 4.1 + 0.6);
}

/* Whether a cross of 3 mm, or four upright strokes of 2 mm, covers a place of the screen. */
static bool is_drawn(const struct cluster_fixture_contents *contents, double time_s, double along,
                     double across)
{
    double from_cross = along - contents->mark_along_mm;
    double from_text = along - contents->text_along_mm;

    if (contents->mark_from_s > 0.0 && time_s >= contents->mark_from_s &&
        ((fabs(from_cross) < 0.4 && fabs(across) < 1.5) || (fabs(across) < 0.4 && fabs(from_cross) < 1.5)))
        return true;
    return contents->text_from_s > 0.0 && time_s >= contents->text_from_s && from_text > 0.0 &&
           from_text < 8.0 && fmod(from_text, 2.0) < 0.8 && fabs(across) < 1.2;
}

static void lay_walls(struct follow *follow, const struct cluster_fixture_contents *contents)
{
    double ends_mm[2][2] = {{EDGE_MM, EDGE_MM}, {EDGE_MM + CLUSTER_FIXTURE_LENGTH_MM, EDGE_MM}};

    follow->n_positions = N_POSITIONS;
    follow->position_mm = calloc(N_POSITIONS, sizeof *follow->position_mm);
    follow->normal = calloc(2 * N_POSITIONS, sizeof *follow->normal);
    follow->rest = calloc(2 * N_POSITIONS + 2, sizeof *follow->rest);
    follow->wall = calloc(2 * N_POSITIONS * follow->n_frames, sizeof *follow->wall);
    follow->wall_trust = calloc(2 * N_POSITIONS * follow->n_frames, sizeof *follow->wall_trust);
    follow->line_from_mm = -(BEYOND_MM + 2.0);
    assert_true(follow->position_mm && follow->normal && follow->rest && follow->wall && follow->wall_trust);
    assert_true(
        centre_line_make(&follow->line, (const double(*)[2])ends_mm, 2, 0.5, 1.5, -follow->line_from_mm));
    for (size_t i = 0; i < 2 * N_POSITIONS; i++) {
        double along = 4.0 + 2.0 * (double)(i / 2);

        follow->position_mm[i / 2] = along;
        follow->normal[2 * (i / 2) + 1] = 1.0;
        follow->rest[i].x_px = (EDGE_MM + along) / PIXEL_MM - 0.5;
        follow->rest[i].y_px = (EDGE_MM + (i % 2 == 0 ? -4.0 : 4.0)) / PIXEL_MM - 0.5;
        for (size_t t = 0; t < follow->n_frames; t++) {
            double moved_mm[2];

            breathe(contents, follow->time_s[t], moved_mm);
            follow->wall[t * 2 * N_POSITIONS + i].x_px = follow->rest[i].x_px + moved_mm[0] / PIXEL_MM;
            follow->wall[t * 2 * N_POSITIONS + i].y_px = follow->rest[i].y_px + moved_mm[1] / PIXEL_MM;
            follow->wall_trust[t * 2 * N_POSITIONS + i] = 1.0F;
        }
    }
}

/* One frame of the strip. */
static void draw_frame(struct follow *follow, const struct cluster_fixture_contents *contents, size_t t,
                       const struct raster *resting)
{
    struct raster *picture = raster_copy(resting);
    double time_s = follow->time_s[t];
    double moved_mm[2];

    assert_non_null(picture);
    speckle_fixture_noise(picture, contents->seed * 1000 + (long)t, 8.0, 1.2);
    breathe(contents, time_s, moved_mm);
    for (size_t i = 0; i < follow->n_rows * N_COLUMNS; i++) {
        double along = follow->row_from_mm + (double)(i / N_COLUMNS) * FOLLOW_STEP_MM;
        double across = ((double)(i % N_COLUMNS) - N_COLUMNS / 2) * FOLLOW_STEP_MM;
        double value = 75.0 + (double)picture->value[i] + 30.0 * bump(across, 3.0) +
                       added(contents, time_s, along, across) -
                       (time_s >= contents->dimmed_from_s ? contents->dimmed_by : 0.0);

        if (is_drawn(contents, time_s, along + moved_mm[0], across + moved_mm[1]))
            value = 255.0;
        follow->strip[t * follow->n_rows * N_COLUMNS + i] = (uint8_t)lrint(fmin(fmax(value, 0.0), 255.0));
    }
    raster_free(&picture);
}

struct cluster_fixture *cluster_fixture_find(const struct cluster_fixture_contents *contents)
{
    struct cluster_fixture *made = calloc(1, sizeof *made);
    double per_s = contents->per_s > 0.0 ? contents->per_s : CLUSTER_FIXTURE_PER_S;
    struct follow *follow = NULL;
    struct raster *resting = NULL;
    struct error *err = NULL;

    assert_non_null(made);
    made->canvas = (struct canvas){
        .width_px = 400, .height_px = 200, .step_px = 1, .mm_per_px_x = PIXEL_MM, .mm_per_px_y = PIXEL_MM};
    follow = &made->follow;
    follow->n_frames = (size_t)lround((contents->lasts_s > 0.0 ? contents->lasts_s : DURATION_S) * per_s);
    assert_true(follow->n_frames <= CLUSTER_FIXTURE_MOST);
    follow->row_from_mm = -BEYOND_MM;
    follow->n_rows = (size_t)lround((CLUSTER_FIXTURE_LENGTH_MM + 2.0 * BEYOND_MM) / FOLLOW_STEP_MM) + 1;
    follow->n_columns = N_COLUMNS;
    follow->time_s = calloc(follow->n_frames, sizeof *follow->time_s);
    follow->frame = calloc(follow->n_frames, sizeof *follow->frame);
    follow->strip = calloc(follow->n_frames * follow->n_rows * N_COLUMNS, 1);
    assert_true(follow->time_s && follow->frame && follow->strip);
    for (size_t t = 0; t < follow->n_frames; t++) {
        follow->frame[t] = t;
        follow->time_s[t] = (double)t / per_s;
    }
    lay_walls(follow, contents);
    resting = raster_make(N_COLUMNS, (int)follow->n_rows);
    assert_non_null(resting);
    speckle_fixture_noise(resting, contents->seed + 1000, 14.0, 1.5);
    for (size_t t = 0; t < follow->n_frames; t++)
        draw_frame(follow, contents, t, resting);
    raster_free(&resting);
    if (!cluster_find(&made->cluster, follow, &made->canvas, CLUSTER_FIXTURE_LENGTH_MM, &made->reasons, &err))
        fail_msg("%s", error_message(err));
    assert_int_equal(made->cluster.n, follow->n_frames);
    return made;
}

void cluster_fixture_free(struct cluster_fixture *made)
{
    cluster_free(&made->cluster);
    text_list_free(&made->reasons);
    follow_free(&made->follow);
    free(made);
}

double cluster_fixture_along_at(const struct cluster_fixture *made, double from_s)
{
    double sum = 0.0;
    int n = 0;
    int n_all = 0;

    for (size_t t = 0; t < made->follow.n_frames; t++) {
        if (made->follow.time_s[t] < from_s || made->follow.time_s[t] >= from_s + 1.0)
            continue;
        n_all++;
        if (made->cluster.sight[t].is_seen) {
            sum += made->cluster.sight[t].along_mm;
            n++;
        }
    }
    assert_true(2 * n > n_all);
    return sum / n;
}
