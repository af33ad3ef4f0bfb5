#include "synth/synth.h"

#include "base/leftovers.h"
#include "base/text.h"
#include "base/wide.h"
#include "synth/imager.h"
#include "synth/scene.h"
#include "synth/schedule.h"
#include "synth/screen.h"
#include "synth/sink.h"
#include "synth/truth.h"

#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { MOST_THREADS = 16, LOOKS = 2, STRIPE_PLACES = 33 };

/* The scanner at one depth setting. */
struct look {
    struct imager *imager;
    struct screen *screen;
};

/* One frame in the hands of one thread. */
struct task {
    const struct maker *maker;
    size_t frame;
    struct canvas *canvases[LOOKS]; /* one for each look that there is */
    struct cluster cluster;
};

struct maker {
    const struct synth_request *request;
    struct recipe recipe;
    struct schedule schedule;
    struct scene *scene;
    struct look looks[LOOKS];
    struct truth_frame *frames;
    struct task tasks[MOST_THREADS];
    size_t n_tasks;
    float *kept; /* luma of the lines as last shown */
    bool has_kept;
    size_t kept_look;
    uint8_t *picture;
    struct sink *sink;
};

static size_t look_at(const struct maker *m, double scene_s)
{
    return m->recipe.depth_change_mm > 0 && scene_s >= m->recipe.depth_change_s ? 1 : 0;
}

static bool make_looks(struct maker *m, struct error **err)
{
    const double depths[LOOKS] = {m->recipe.depth_mm, m->recipe.depth_change_mm};

    for (size_t i = 0; i < LOOKS && depths[i] > 0; i++)
        if (!imager_make(&m->looks[i].imager, &m->recipe, depths[i], err) ||
            !screen_make(&m->looks[i].screen, &m->recipe, m->looks[i].imager, depths[i], err))
            return false;
    return true;
}

/* Whether the picture shows a place, which the sector and the sides of the frame bound. */
static bool shows(const struct look *look, struct place place)
{
    struct box box = screen_box(look->screen);
    struct point point = screen_point(look->screen, place);
    double beam = 0.0, sample = 0.0;
    int n_beams = 0, n_samples = 0;

    imager_find(look->imager, place, &beam, &sample);
    imager_size(look->imager, &n_beams, &n_samples);
    return beam >= 0 && sample >= 0 && beam <= n_beams - 1 && sample <= n_samples - 1 &&
           point.x_px >= box.left_px && point.x_px <= box.right_px && point.y_px >= box.top_px &&
           point.y_px <= box.bottom_px;
}

/* A loop whose stripe lies beside the picture would have a truth that nobody can see. At rest; the uterus
 * moves by some mm. */
static bool check_stripe(const struct maker *m, struct error **err)
{
    const struct recipe *r = &m->recipe;
    const struct anatomy *anatomy = m->scene->anatomy;
    double length_mm = anatomy == NULL ? 0.0 : anatomy_length_mm(anatomy);

    for (size_t i = 0; anatomy != NULL && i < LOOKS && m->looks[i].imager != NULL; i++) {
        int n_shown = 0;

        for (int k = 0; k < STRIPE_PLACES; k++)
            n_shown +=
                shows(&m->looks[i],
                      anatomy_place(anatomy, (struct along){length_mm * k / (STRIPE_PLACES - 1), 0.0}));
        if (2 * n_shown < STRIPE_PLACES)
            return error_set(
                err, ERROR_USAGE,
                "--stripe-depth-mm %g, --stripe-across-mm %g: put more than half of the stripe outside "
                "the picture, which %s %g, --sector-deg %g and the frame of %ld x %ld pixels bound",
                r->stripe_depth_mm, r->stripe_across_mm, i == 0 ? "--depth-mm" : "--depth-change-mm",
                i == 0 ? r->depth_mm : r->depth_change_mm, r->sector_deg, r->width_px, r->height_px);
    }
    return true;
}

/* A place beyond an end of the stripe would lie in the muscle or in the canal. A deposit may lie up to 5 mm
 * beyond the os (recipe_settle); from there on only a way that leads farther out is refused. */
static bool check_ways(const struct maker *m, struct error **err)
{
    const struct recipe *r = &m->recipe;
    const struct anatomy *anatomy = m->scene->anatomy;
    double start_mm = anatomy == NULL ? 0.0 : anatomy_s_at_distance_mm(anatomy, r->deposit_mm);
    double end_mm = start_mm - r->drift_mm;
    double length_mm = anatomy == NULL ? 0.0 : anatomy_length_mm(anatomy);

    if (anatomy == NULL)
        return true;
    if (r->bubbles > 0 && r->drift_mm != 0.0 && (end_mm < 0.0 || end_mm > fmax(length_mm, start_mm)))
        return error_set(err, ERROR_USAGE,
                         "--drift-mm %g: leads %.1f mm beyond the %s; see --deposit-mm %g and --length-mm %g",
                         r->drift_mm, end_mm < 0.0 ? -end_mm : end_mm - length_mm,
                         end_mm < 0.0 ? "fundus" : "internal os", r->deposit_mm, r->length_mm);
    if (r->catheter && r->tip_mm > length_mm)
        return error_set(err, ERROR_USAGE,
                         "--tip-mm %g: lies %.1f mm beyond the internal os; see --length-mm %g", r->tip_mm,
                         r->tip_mm - length_mm, r->length_mm);
    return true;
}

static size_t thread_count(const struct recipe *recipe)
{
    long cores = sysconf(_SC_NPROCESSORS_ONLN);

    if (recipe->threads > 0)
        return (size_t)(recipe->threads > MOST_THREADS ? MOST_THREADS : recipe->threads);
    return (size_t)(cores < 1 ? 1 : cores > 4 ? 4 : cores);
}

static size_t canvas_bytes(const struct canvas *canvas)
{
    return canvas == NULL ? 0 : sizeof(float) * (size_t)canvas->stride * (size_t)canvas->n_beams;
}

static bool make_rooms(struct maker *m, struct error **err)
{
    size_t most = 1;

    m->n_tasks = thread_count(&m->recipe);
    for (size_t i = 0; i < m->n_tasks; i++)
        for (size_t look = 0; look < LOOKS && m->looks[look].imager != NULL; look++) {
            m->tasks[i].maker = m;
            m->tasks[i].canvases[look] = canvas_make(m->looks[look].imager);
            if (m->tasks[i].canvases[look] == NULL)
                return error_memory(err);
            if (canvas_bytes(m->tasks[i].canvases[look]) > most)
                most = canvas_bytes(m->tasks[i].canvases[look]);
        }
    m->kept = calloc(most, 1);
    m->picture = malloc((size_t)m->recipe.width_px * (size_t)m->recipe.height_px);
    m->frames = calloc(m->schedule.n, sizeof *m->frames);
    return (m->kept != NULL && m->picture != NULL && m->frames != NULL) || error_memory(err);
}

static double gain_step(const struct recipe *r, double scene_s)
{
    return scene_s >= r->gain_step_s ? r->gain_step_db : 0.0;
}

static void *run_task(void *given)
{
    struct task *task = given;
    const struct maker *m = task->maker;
    double scene_s = m->schedule.moments[task->frame].scene_s;
    size_t look = look_at(m, scene_s);

    scene_draw(m->scene, m->looks[look].imager, task->canvases[look], (long)task->frame, scene_s,
               gain_step(&m->recipe, scene_s), &task->cluster);
    return NULL;
}

/* Draws the next frames, a thread each; a frame's picture does not depend on which thread drew it. */
static void draw_chunk(struct maker *m, size_t first, size_t n)
{
    pthread_t threads[MOST_THREADS];
    bool is_running[MOST_THREADS] = {false};

    for (size_t i = 0; i < n; i++) {
        m->tasks[i].frame = first + i;
        if (m->schedule.moments[first + i].is_repeat)
            continue;
        is_running[i] = i + 1 < n && pthread_create(&threads[i], NULL, run_task, &m->tasks[i]) == 0;
        if (!is_running[i])
            (void)run_task(&m->tasks[i]);
    }
    for (size_t i = 0; i < n; i++)
        if (is_running[i])
            (void)pthread_join(threads[i], NULL);
}

WIDE static void mix(float *restrict kept, const float *restrict luma, float share, size_t n)
{
#pragma omp simd
    for (size_t i = 0; i < n; i++)
        kept[i] = luma[i] + share * (kept[i] - luma[i]);
}

/* Mixes the new lines with those before: a scanner's persistence. */
static void persist(struct maker *m, const struct canvas *canvas, size_t look)
{
    if (m->has_kept && look == m->kept_look && m->recipe.persistence > 0.0)
        mix(m->kept, canvas->luma, (float)m->recipe.persistence, canvas_bytes(canvas) / sizeof(float));
    else
        memcpy(m->kept, canvas->luma, canvas_bytes(canvas));
    m->has_kept = true;
    m->kept_look = look;
}

static void note_frame(struct maker *m, size_t frame, const struct cluster *cluster)
{
    struct truth_frame *noted = &m->frames[frame];
    double scene_s = m->schedule.moments[frame].scene_s;
    const struct screen *screen = m->looks[look_at(m, scene_s)].screen;
    const struct anatomy *anatomy = m->scene->anatomy;
    struct instant instant;
    struct catheter catheter;

    noted->mm_per_px = screen_mm_per_px(screen);
    noted->cluster = *cluster;
    noted->cluster_px = screen_point(screen, cluster->middle);
    if (anatomy == NULL)
        return;
    movement_at(m->scene->movement, scene_s, &instant);
    noted->fundus_px = screen_point(screen, scene_place(m->scene, &instant, (struct along){0.0, 0.0}));
    noted->os_px = screen_point(
        screen, scene_place(m->scene, &instant, (struct along){anatomy_length_mm(anatomy), 0.0}));
    catheter = catheter_at(&m->recipe, anatomy, scene_s);
    noted->has_tip = catheter.is_there;
    noted->tip_px =
        screen_point(screen, scene_place(m->scene, &instant, (struct along){catheter.tip_s_mm, 0.0}));
}

static bool write_frame(struct maker *m, const struct task *task, struct error **err)
{
    const struct moment *moment = &m->schedule.moments[task->frame];

    if (moment->is_repeat) {
        m->frames[task->frame] = m->frames[task->frame - 1];
    } else {
        size_t look = look_at(m, moment->scene_s);

        persist(m, task->canvases[look], look);
        screen_show(m->looks[look].screen, task->canvases[look], m->kept, moment->scene_s, m->picture);
        note_frame(m, task->frame, &task->cluster);
    }
    return sink_add(m->sink, m->picture, moment->stamp_s, err);
}

static bool write_frames(struct maker *m, struct error **err)
{
    for (size_t first = 0; first < m->schedule.n; first += m->n_tasks) {
        size_t n = m->schedule.n - first < m->n_tasks ? m->schedule.n - first : m->n_tasks;

        draw_chunk(m, first, n);
        for (size_t i = 0; i < n; i++)
            if (!write_frame(m, &m->tasks[i], err))
                return false;
        if (m->request->progress != NULL)
            m->request->progress(m->request->progress_context, m->request->path,
                                 (double)(first + n) / (double)m->schedule.n);
    }
    return true;
}

static char *truth_path(const char *path)
{
    const char *dot = strrchr(path, '.');

    return text_format("%.*s.truth.json", (int)(dot - path), path);
}

static char *tell_truth(const struct maker *m)
{
    const char *slash = strrchr(m->request->path, '/');
    const struct screen *screen = m->looks[0].screen;
    struct truth truth = {
        .scene = m->scene, .schedule = &m->schedule, .frames = m->frames, .picture = screen_box(screen)};
    size_t n = sizeof truth.centre_line_px / sizeof truth.centre_line_px[0];
    struct instant instant;

    truth.file = slash == NULL ? m->request->path : slash + 1;
    movement_at(m->scene->movement, m->schedule.moments[0].scene_s, &instant);
    for (size_t i = 0; m->scene->anatomy != NULL && i < n; i++) {
        struct along along = {anatomy_length_mm(m->scene->anatomy) * (double)i / (double)(n - 1), 0.0};

        truth.centre_line_px[i] = screen_point(screen, scene_place(m->scene, &instant, along));
    }
    return truth_text(&truth);
}

/* The truth is finished before the loop gets its name, and gets its own name right after. */
static bool commit(struct maker *m, struct error **err)
{
    CLEANUP(output_abandon) struct output *out = NULL;
    char *path = truth_path(m->request->path), *text = tell_truth(m);
    bool is_good = path != NULL && text != NULL;

    if (!is_good)
        (void)error_memory(err);
    is_good = is_good && output_begin(&out, path, m->request->existing, err);
    if (is_good) {
        (void)fputs(text, output_stream(out));
        is_good = output_finish(out, err);
    }
    leftovers_hold(); /* an end from outside leaves both files or neither */
    is_good = is_good && sink_commit(&m->sink, err) && output_commit(&out, err);
    leftovers_release();
    free(path);
    free(text);
    return is_good;
}

static bool make(struct maker *m, struct error **err)
{
    long stamp_hz = 0;
    double deepest = fmax(m->recipe.depth_mm, m->recipe.depth_change_mm);

    if (!sink_stamp_hz(m->request->path, &stamp_hz, err) ||
        !schedule_make(&m->schedule, &m->recipe, stamp_hz, err) ||
        !scene_make(&m->scene, &m->recipe, screen_half_width_mm(&m->recipe, deepest), err) ||
        !check_ways(m, err) || !make_looks(m, err) || !check_stripe(m, err) || !make_rooms(m, err))
        return false;
    return sink_open(&m->sink, m->request->path, m->request->existing, &m->recipe, &m->schedule,
                     m->looks[0].screen, err) &&
           write_frames(m, err) && commit(m, err);
}

static void maker_free(struct maker *m)
{
    sink_abandon(&m->sink);
    for (size_t i = 0; i < m->n_tasks; i++)
        for (size_t look = 0; look < LOOKS; look++)
            canvas_free(&m->tasks[i].canvases[look]);
    for (size_t i = 0; i < LOOKS; i++) {
        screen_free(&m->looks[i].screen);
        imager_free(&m->looks[i].imager);
    }
    scene_free(&m->scene);
    schedule_free(&m->schedule);
    free(m->frames);
    free(m->kept);
    free(m->picture);
}

bool synth_make(const struct synth_request *request, struct error **err)
{
    struct maker maker = {.request = request, .recipe = request->recipe};
    bool is_good = recipe_settle(&maker.recipe, err) && make(&maker, err);

    maker_free(&maker);
    return is_good;
}
