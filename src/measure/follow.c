#include "measure/follow.h"

#include "base/parallel.h"
#include "measure/carry.h"
#include "measure/tip_carry.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { BATCH = 16, N_TIP_POINTS = 2, BESIDE_EVERY = 3 };
static const double POSITION_SPACING_MM = 2.0;
static const double TIP_MARGIN_MM = 3.0;   /* walls closer to a tip run across the stripe, not along it */
static const double BEYOND_TIPS_MM = 8.0;  /* how far the straightened stripe reaches past its tips */
static const double ACROSS_MM = 9.0;       /* and to either side of its centre line */
static const double LED_ON_SIGMA_MM = 3.0; /* of the smoothing of the line that is led on straight */
static const double LEAST_HALF_MM = 2.0;   /* between it and a wall */

struct pass {
    struct follow *follow;
    const struct canvas *canvas;
    const struct tissue *tissue;
    size_t n_points; /* walls, then two tips, then the tissue beside the walls, then the walls led on */
    struct frame *frames[BATCH];
    size_t n;     /* of them */
    size_t first; /* analysed frame of the batch's first */
    bool is_done[BATCH];
    /* the batch after it, read at the same time */
    struct loop *loop;
    const struct follow_span *span;
    double want_s;
    struct frame *next[BATCH];
    size_t n_next;
    bool is_read, has_ended;
    struct error *err;
};

static void take_strip(const struct pass *pass, size_t frame, const struct raster *picture,
                       const double *shift)
{
    struct follow *follow = pass->follow;
    uint8_t *out = follow->strip + frame * follow->n_rows * follow->n_columns;
    long reach = (long)(follow->n_columns / 2);

    for (size_t row = 0; row < follow->n_rows; row++) {
        double along = follow->row_from_mm + (double)row * FOLLOW_STEP_MM;
        double x = 0.0;
        double y = 0.0;
        double normal_x = 0.0;
        double normal_y = 0.0;
        double dx = 0.0;
        double dy = 0.0;

        centre_line_at(&pass->follow->line, along - pass->follow->line_from_mm, 0.0, &x, &y);
        centre_line_at(&pass->follow->line, along - pass->follow->line_from_mm, 1.0, &normal_x, &normal_y);
        carry_at(follow, shift, along, &dx, &dy);
        for (long column = -reach; column <= reach; column++) {
            double across = (double)column * FOLLOW_STEP_MM;
            struct point place =
                canvas_from_mm(pass->canvas, (const double[2]){x + dx + across * (normal_x - x),
                                                               y + dy + across * (normal_y - y)});

            *out++ =
                (uint8_t)lrint(fmin(fmax((double)raster_at(picture, place.x_px, place.y_px), 0.0), 255.0));
        }
    }
}

static void look_at(void *context, size_t i)
{
    struct pass *pass = context;
    struct follow *follow = pass->follow;
    size_t frame = pass->first + i;
    size_t n_walls = 2 * follow->n_positions;
    struct tissue_view view = {0};
    double *shift = calloc(4 * follow->n_positions, sizeof *shift);
    struct raster *picture = canvas_take(pass->canvas, pass->frames[i]);

    view.place = calloc(pass->n_points, sizeof *view.place);
    view.point_trust = calloc(pass->n_points, sizeof *view.point_trust);
    view.error_px = calloc(pass->n_points, sizeof *view.error_px);
    pass->is_done[i] = shift && picture && view.place && view.point_trust && view.error_px &&
                       tissue_look(pass->tissue, picture, pass->frames[i]->time_s, &view);
    if (pass->is_done[i]) {
        double mm = 0.5 * (pass->canvas->mm_per_px_x + pass->canvas->mm_per_px_y);

        follow->frame[frame] = pass->frames[i]->index;
        follow->time_s[frame] = pass->frames[i]->time_s;
        follow->turn_rad[frame] = view.rigid.turn_rad;
        follow->shift_px[2 * frame] = view.rigid.shift_x;
        follow->shift_px[2 * frame + 1] = view.rigid.shift_y;
        follow->trust[frame] = (float)view.trust;
        memcpy(follow->wall + frame * n_walls, view.place, n_walls * sizeof *view.place);
        memcpy(follow->wall_trust + frame * n_walls, view.point_trust, n_walls * sizeof *view.point_trust);
        for (size_t k = 0; k < n_walls; k++)
            follow->wall_error_mm[frame * n_walls + k] = (float)(view.error_px[k] * mm);
        memcpy(follow->beside + frame * 2 * follow->n_beside, view.place + n_walls + N_TIP_POINTS,
               2 * follow->n_beside * sizeof *view.place);
        memcpy(follow->beside_trust + frame * 2 * follow->n_beside, view.point_trust + n_walls + N_TIP_POINTS,
               2 * follow->n_beside * sizeof *view.point_trust);
        memcpy(follow->on + frame * 2 * follow->n_on, view.place + pass->n_points - 2 * follow->n_on,
               2 * follow->n_on * sizeof *view.place);
        memcpy(follow->on_trust + frame * 2 * follow->n_on,
               view.point_trust + pass->n_points - 2 * follow->n_on,
               2 * follow->n_on * sizeof *view.point_trust);
        for (size_t tip = 0; tip < N_TIP_POINTS; tip++)
            follow->tip[2 * frame + tip] = tip_carry_place(follow, pass->canvas, &view, tip);
        carry_fill(follow, pass->canvas, frame, shift, shift + 2 * follow->n_positions);
        take_strip(pass, frame, picture, shift);
    }
    free(shift);
    raster_free(&picture);
    free(view.place);
    free(view.point_trust);
    free(view.error_px);
}

/* Room for n more frames; false when memory ran out. */
static bool grow(struct follow *follow, size_t *room, size_t n)
{
    size_t want = follow->n_frames + n;
    size_t n_walls = 2 * follow->n_positions;
    size_t strip = follow->n_rows * follow->n_columns;
    bool is_made = true;

    if (want <= *room)
        return true;
    want = want + want / 4 + 64;
#define GROW(field, per_frame)                                                                               \
    do {                                                                                                     \
        void *grown = realloc(follow->field, want * (per_frame) * sizeof *follow->field);                    \
                                                                                                             \
        if (grown == NULL)                                                                                   \
            is_made = false;                                                                                 \
        else                                                                                                 \
            follow->field = grown;                                                                           \
    } while (0)
    GROW(frame, 1);
    GROW(time_s, 1);
    GROW(turn_rad, 1);
    GROW(shift_px, 2);
    GROW(trust, 1);
    GROW(wall, n_walls);
    GROW(wall_trust, n_walls);
    GROW(wall_error_mm, n_walls);
    GROW(tip, 2);
    GROW(beside, 2 * follow->n_beside);
    GROW(beside_trust, 2 * follow->n_beside);
    GROW(on, 2 * follow->n_on);
    GROW(on_trust, 2 * follow->n_on);
    GROW(strip, strip);
#undef GROW
    if (is_made)
        *room = want;
    return is_made;
}

/* Lays positions, normals and rest points along the fitted stripe. */
static bool lay_points(struct pass *pass, const struct stripe_fit *fit)
{
    struct follow *follow = pass->follow;
    double usable = fmax(fit->length_mm - 2.0 * TIP_MARGIN_MM, POSITION_SPACING_MM);
    size_t n = (size_t)floor(usable / POSITION_SPACING_MM) + 1;
    double smooth_half = 0.0;

    n = n < FOLLOW_MOST_POSITIONS ? n : FOLLOW_MOST_POSITIONS;
    follow->n_positions = n;
    follow->position_mm = calloc(n, sizeof *follow->position_mm);
    follow->normal = calloc(2 * n, sizeof *follow->normal);
    follow->n_beside = (n + BESIDE_EVERY - 1) / BESIDE_EVERY;
    follow->beside_position = calloc(follow->n_beside, sizeof *follow->beside_position);
    follow->n_on = FOLLOW_ON;
    pass->n_points = 2 * n + N_TIP_POINTS + 2 * follow->n_beside + 2 * follow->n_on;
    pass->follow->rest = calloc(pass->n_points, sizeof *pass->follow->rest);
    if (!follow->position_mm || !follow->normal || !pass->follow->rest || !follow->beside_position)
        return false;
    for (size_t i = 0; i < n; i++) {
        double along = TIP_MARGIN_MM + ((double)i + 0.5) * usable / (double)n;
        size_t middle = (size_t)fmin(round(along / FIT_STEP_MM), (double)(fit->n - 1));
        double count = 0.0;
        double x = 0.0;
        double y = 0.0;

        smooth_half = 0.0;
        for (long k = -4; k <= 4; k++) { /* walls over 4 mm: the boundary is smoother than speckle */
            long at = (long)middle + k;

            if (at >= 0 && at < (long)fit->n) {
                smooth_half += fit->half_mm[at];
                count += 1.0;
            }
        }
        smooth_half /= count;
        follow->position_mm[i] = along;
        centre_line_at(&pass->follow->line, along - pass->follow->line_from_mm, 0.0, &x, &y);
        centre_line_at(&pass->follow->line, along - pass->follow->line_from_mm, 1.0, &follow->normal[2 * i],
                       &follow->normal[2 * i + 1]);
        follow->normal[2 * i] -= x;
        follow->normal[2 * i + 1] -= y;
        for (size_t wall = 0; wall < 2; wall++) {
            double across = wall == 0 ? -smooth_half : smooth_half;
            double beside = across + (wall == 0 ? -FOLLOW_BESIDE_MM : FOLLOW_BESIDE_MM);

            follow->rest[2 * i + wall] =
                canvas_from_mm(pass->canvas, (const double[2]){x + across * follow->normal[2 * i],
                                                               y + across * follow->normal[2 * i + 1]});
            if (i % BESIDE_EVERY != 0)
                continue;
            follow->beside_position[i / BESIDE_EVERY] = i;
            follow->rest[2 * n + N_TIP_POINTS + 2 * (i / BESIDE_EVERY) + wall] =
                canvas_from_mm(pass->canvas, (const double[2]){x + beside * follow->normal[2 * i],
                                                               y + beside * follow->normal[2 * i + 1]});
        }
    }
    pass->follow->rest[2 * n] =
        canvas_from_mm(pass->canvas, (const double[2]){fit->place_mm[0][0], fit->place_mm[0][1]});
    pass->follow->rest[2 * n + 1] = canvas_from_mm(
        pass->canvas, (const double[2]){fit->place_mm[fit->n - 1][0], fit->place_mm[fit->n - 1][1]});
    follow->row_from_mm = -BEYOND_TIPS_MM;
    follow->n_rows = (size_t)ceil((fit->length_mm + 2.0 * BEYOND_TIPS_MM) / FOLLOW_STEP_MM) + 1;
    follow->n_columns = 2 * (size_t)ceil(ACROSS_MM / FOLLOW_STEP_MM) + 1;
    return true;
}

/* Leads the walls on beyond the end toward the os, straight on and as far apart as they are there. */
static bool lay_on(struct pass *pass, const struct stripe_fit *fit)
{
    CLEANUP(centre_line_free) struct centre_line line = {0};
    struct follow *follow = pass->follow;
    size_t m = follow->n_positions;
    size_t end = pass->span->os_is_last ? m - 1 : 0;
    double spacing_mm = m > 1 ? follow->position_mm[1] - follow->position_mm[0] : POSITION_SPACING_MM;
    double sign = pass->span->os_is_last ? 1.0 : -1.0;
    double beyond_mm = (FOLLOW_ON + 1) * spacing_mm;
    double half_mm =
        fmax(0.5 * canvas_distance_mm(pass->canvas, follow->rest[2 * end], follow->rest[2 * end + 1]),
             LEAST_HALF_MM);

    follow->on_is_last = pass->span->os_is_last;
    follow->on_normal = calloc(2 * follow->n_on, sizeof *follow->on_normal);
    follow->on_rest = follow->rest + pass->n_points - 2 * follow->n_on;
    if (follow->on_normal == NULL || !centre_line_make(&line, (const double(*)[2])fit->place_mm, fit->n,
                                                       FIT_STEP_MM, LED_ON_SIGMA_MM, beyond_mm))
        return false;
    for (size_t i = 0; i < FOLLOW_ON; i++) {
        double along_mm = follow->position_mm[end] + sign * (double)(i + 1) * spacing_mm + beyond_mm;
        double *normal = follow->on_normal + 2 * i;
        double x = 0.0;
        double y = 0.0;

        centre_line_at(&line, along_mm, 0.0, &x, &y);
        centre_line_at(&line, along_mm, 1.0, &normal[0], &normal[1]);
        normal[0] -= x;
        normal[1] -= y;
        for (size_t wall = 0; wall < 2; wall++) {
            double across = wall == 0 ? -half_mm : half_mm;

            follow->on_rest[2 * i + wall] = canvas_from_mm(
                pass->canvas, (const double[2]){x + across * normal[0], y + across * normal[1]});
        }
    }
    return true;
}

static void read_batch(struct pass *pass)
{
    pass->n_next = 0;
    while (pass->n_next < BATCH && !pass->has_ended) {
        struct frame *frame = NULL;
        enum loop_next next = loop_read(pass->loop, pass->want_s, false, &frame, &pass->err);

        pass->is_read = next != LOOP_FAILED;
        pass->has_ended = next != LOOP_FRAME || frame->index >= pass->span->end;
        if (pass->has_ended || frame->index < pass->span->first) {
            frame_free(&frame);
            continue;
        }
        pass->want_s = frame->time_s + pass->span->least_step_s;
        pass->next[pass->n_next++] = frame;
    }
}

static void read_or_look(void *context, size_t i)
{
    if (i == 0)
        read_batch(context);
    else
        look_at(context, i - 1);
}

static void turn_batch(struct pass *pass)
{
    for (size_t i = 0; i < pass->n; i++)
        frame_free(&pass->frames[i]);
    memcpy(pass->frames, pass->next, sizeof pass->frames);
    memset(pass->next, 0, sizeof pass->next);
    pass->n = pass->n_next;
    pass->n_next = 0;
}

static bool run_pass(struct pass *pass, struct error **err)
{
    const struct follow_span *span = pass->span;
    struct follow *follow = pass->follow;
    size_t room = 0;
    bool is_made = true;

    pass->is_read = true;
    read_batch(pass);
    for (turn_batch(pass); is_made && pass->is_read && pass->n > 0; turn_batch(pass)) {
        is_made = grow(follow, &room, pass->n);
        pass->first = follow->n_frames;
        if (is_made)
            parallel_run(pass->n + 1, 0, read_or_look, pass);
        for (size_t i = 0; i < pass->n && is_made; i++)
            is_made = pass->is_done[i];
        follow->n_frames += is_made ? pass->n : 0;
        if (span->progress != NULL)
            span->progress(span->progress_context, (double)(pass->frames[pass->n - 1]->index - span->first) /
                                                       (double)(span->end - span->first));
    }
    turn_batch(pass);
    turn_batch(pass);
    if (is_made && pass->is_read)
        return true;
    if (!is_made) {
        error_free(&pass->err);
        return error_memory(err);
    }
    if (err != NULL)
        *err = pass->err;
    else
        error_free(&pass->err);
    return false;
}

bool follow_stripe(struct follow *follow, struct loop *loop, const struct follow_span *span,
                   const struct canvas *canvas, struct tissue *tissue, const struct stripe_fit *fit,
                   struct error **err)
{
    struct pass pass = {.follow = follow, .canvas = canvas, .tissue = tissue, .loop = loop, .span = span};
    bool is_made = false;

    memset(follow, 0, sizeof *follow);
    follow->line_from_mm = -(BEYOND_TIPS_MM + 2.0);
    is_made = centre_line_make(&follow->line, (const double(*)[2])fit->place_mm, fit->n, FIT_STEP_MM, 1.5,
                               -follow->line_from_mm) &&
              lay_points(&pass, fit) && lay_on(&pass, fit);
    if (!is_made)
        (void)error_memory(err);
    is_made = is_made && tissue_set_points(tissue, follow->rest, pass.n_points, err);
    if (is_made) {
        tip_carry_settle(follow, canvas, tissue, span->is_given);
        tissue_settle(tissue);
    }
    is_made = is_made && loop_rewind(loop, err) && run_pass(&pass, err);
    if (!is_made)
        follow_free(follow);
    return is_made;
}

struct point follow_place(const struct follow *follow, const struct canvas *canvas, size_t frame,
                          double along_mm, double across_mm)
{
    double shift[2 * FOLLOW_MOST_POSITIONS];
    double scratch[2 * FOLLOW_MOST_POSITIONS];
    double x = 0.0;
    double y = 0.0;
    double dx = 0.0;
    double dy = 0.0;

    carry_fill(follow, canvas, frame, shift, scratch);
    centre_line_at(&follow->line, along_mm - follow->line_from_mm, across_mm, &x, &y);
    carry_at(follow, shift, along_mm, &dx, &dy);
    return canvas_from_mm(canvas, (const double[2]){x + dx, y + dy});
}

double follow_carry_error_mm(const struct follow *follow, const struct canvas *canvas, size_t frame,
                             double along_mm)
{
    return carry_error_mm(follow, canvas, frame, along_mm);
}

double follow_drag_mm(const struct follow *follow, const struct canvas *canvas, size_t frame, double along_mm,
                      double across_mm)
{
    return carry_drag_mm(follow, canvas, frame, along_mm, across_mm);
}

double follow_way_mm(const struct follow *follow, double from_mm, double to_mm, double across_mm)
{
    const double step_mm = 0.25;
    size_t n = (size_t)ceil(fabs(to_mm - from_mm) / step_mm);
    double way = 0.0;

    for (size_t i = 0; i < n; i++) {
        double at_mm = from_mm + (to_mm - from_mm) * (double)i / (double)n - follow->line_from_mm;
        double x = 0.0, y = 0.0, next_x = 0.0, next_y = 0.0;

        centre_line_at(&follow->line, at_mm, across_mm, &x, &y);
        centre_line_at(&follow->line, at_mm + (to_mm - from_mm) / (double)n, across_mm, &next_x, &next_y);
        way += hypot(next_x - x, next_y - y);
    }
    return to_mm < from_mm ? -way : way;
}

void follow_free(struct follow *follow)
{
    if (follow == NULL)
        return;
    free(follow->frame);
    free(follow->time_s);
    free(follow->turn_rad);
    free(follow->shift_px);
    free(follow->trust);
    free(follow->position_mm);
    free(follow->normal);
    free(follow->wall);
    free(follow->wall_trust);
    free(follow->wall_error_mm);
    free(follow->tip);
    free(follow->beside_position);
    free(follow->beside);
    free(follow->beside_trust);
    free(follow->on_normal);
    free(follow->on);
    free(follow->on_trust);
    centre_line_free(&follow->line);
    free(follow->rest);
    free(follow->strip);
    memset(follow, 0, sizeof *follow);
}
