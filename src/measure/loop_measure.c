#include "measure/loop_measure.h"

#include "image/canvas.h"
#include "image/picture.h"
#include "image/ruler.h"
#include "image/survey.h"
#include "measure/cluster.h"
#include "measure/keys.h"
#include "measure/loop_sections.h"
#include "measure/mean_picture.h"
#include "measure/stripe.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double PIXEL_MM = 0.25;     /* of the mean picture */
static const double LEAST_STEP_S = 0.08; /* between analysed frames of a loop of a few minutes */
static const double LONG_LOOP_S = 300.0; /* beyond this every second one is enough */
static const double LONG_STEP_S = 0.15;
/* Shares of the time that the passes take, for progress. */
static const double SURVEY_DONE = 0.3;
static const double KEYS_DONE = 0.5;

static void tell(const struct loop_request *request, double part)
{
    if (request->progress != NULL)
        request->progress(request->progress_context, part);
}

struct telling {
    const struct loop_request *request;
};

static void tell_following(void *context, double part)
{
    const struct telling *telling = context;

    tell(telling->request, KEYS_DONE + (1.0 - KEYS_DONE) * part);
}

/* Everything between the passes over the loop. */
struct work {
    const struct loop_request *request;
    struct loop *loop; /* borrowed */
    struct survey *survey;
    struct picture *picture;
    struct ruler ruler;
    struct canvas canvas;
    struct raster *window;
    struct keys_aside aside;
    struct keys keys;
    struct tissue *tissue;
    struct mean_picture mean;
    struct stripe stripe;
    struct follow follow;
    struct cluster cluster;
};

static void work_free(struct work *work)
{
    cluster_free(&work->cluster);
    follow_free(&work->follow);
    stripe_free(&work->stripe);
    mean_picture_free(&work->mean);
    tissue_free(&work->tissue);
    keys_aside_free(&work->aside);
    keys_free(&work->keys);
    raster_free(&work->window);
    ruler_free(&work->ruler);
    picture_free(&work->picture);
    survey_free(&work->survey);
}

static bool is_inside(struct point place, const struct loop_facts *facts)
{
    return place.x_px >= -0.5 && place.y_px >= -0.5 && place.x_px <= facts->width_px - 0.5 &&
           place.y_px <= facts->height_px - 0.5;
}

static bool check_marks(const struct loop_request *request, const struct loop_facts *facts,
                        struct error **err)
{
    if (request->has_fundus && !is_inside(request->fundus_px, facts))
        return error_set(
            err, ERROR_USAGE, "--fundus %g,%g lies outside the picture of %s, which is %d x %d pixels",
            request->fundus_px.x_px, request->fundus_px.y_px, facts->file, facts->width_px, facts->height_px);
    if (request->has_os && !is_inside(request->os_px, facts))
        return error_set(
            err, ERROR_USAGE, "--os %g,%g lies outside the picture of %s, which is %d x %d pixels",
            request->os_px.x_px, request->os_px.y_px, facts->file, facts->width_px, facts->height_px);
    return true;
}

/* First pass: what the loop is, where its picture is, how large a pixel is. */
static bool survey_loop(struct work *work, struct loop_result *result, struct error **err)
{
    const struct loop_facts *facts = loop_facts(work->loop);

    work->aside = keys_expect(facts);
    if (!check_marks(work->request, facts, err) ||
        !survey_make_showing(&work->survey, work->loop, keys_show, &work->aside, err) ||
        !picture_find(&work->picture, work->survey, facts, err) ||
        !ruler_find(&work->ruler, work->survey, work->picture, err))
        return false;
    scale_choose(&result->scale, facts, work->picture, &work->ruler, work->request->scale_mm_per_px);
    work->canvas = canvas_lay(work->picture, &result->scale);
    work->window = canvas_window(&work->canvas, work->picture);
    return work->window != NULL ? true : error_memory(err);
}

/* Second pass: keys, tissue, mean picture, stripe. */
static bool find_stripe(struct work *work, struct error **err)
{
    const struct canvas *canvas = &work->canvas;
    const double mm[2] = {canvas->mm_per_px_x, canvas->mm_per_px_y};
    struct point probe = {.x_px = 0.5 * canvas->width_px, .y_px = 0.0};
    double probe_mm[2];

    if (!keys_take(&work->keys, work->loop, &work->aside, work->survey, work->survey->stretches[0], canvas,
                   err) ||
        !tissue_make(&work->tissue, work->keys.picture, work->keys.time_s, work->keys.n, work->window, mm,
                     err) ||
        !mean_picture_make(&work->mean, work->tissue, canvas, work->window, PIXEL_MM, err))
        return false;
    if (work->picture->has_apex)
        probe = canvas_from_frame(canvas, work->picture->apex_px);
    canvas_to_mm(canvas, probe, probe_mm);
    return stripe_search_or_mark(&work->stripe, &work->mean, probe_mm, canvas, work->request, err);
}

/* Third pass: the walls and what lies between them. */
static bool follow_loop(struct work *work, struct loop_result *result, struct error **err)
{
    struct stretch stretch = work->survey->stretches[0];
    double duration_s = work->survey->time_s[stretch.end - 1] - work->survey->time_s[stretch.first];
    struct telling telling = {.request = work->request};
    struct follow_span span = {.first = stretch.first,
                               .end = stretch.end,
                               .is_given = {work->request->has_fundus, work->request->has_os},
                               .os_is_last = work->stripe.fundus_first >= 0.0,
                               .least_step_s = duration_s > LONG_LOOP_S ? LONG_STEP_S : LEAST_STEP_S,
                               .progress = tell_following,
                               .progress_context = &telling};

    return follow_stripe(&work->follow, work->loop, &span, &work->canvas, work->tissue, &work->stripe.fit,
                         err) &&
           cluster_find(&work->cluster, &work->follow, &work->canvas, work->stripe.fit.length_mm,
                        &result->deposit.reasons, err);
}

static bool copy_facts(struct loop_result *result, const struct work *work, struct error **err)
{
    const struct loop_facts *facts = loop_facts(work->loop);
    const struct survey *survey = work->survey;
    bool is_made = true;

    result->path = text_copy(facts->path);
    result->file = text_copy(facts->file);
    result->format = text_copy(facts->format);
    result->codec = text_copy(facts->codec);
    memcpy(result->sha256, facts->sha256, sizeof result->sha256);
    result->width_px = facts->width_px;
    result->height_px = facts->height_px;
    result->frames = survey->n_frames;
    result->duration_s = facts->has_clock ? survey->duration_s : 0.0;
    result->frame_rate_hz = facts->has_clock ? survey->frame_rate_hz : 0.0;
    result->frozen_s = facts->has_clock ? survey->frozen_s : 0.0;
    result->dropped_frames = survey->dropped_frames;
    result->has_start = facts->has_start;
    result->start_s = facts->start_s;
    for (size_t i = 0; i < facts->problems.n; i++)
        is_made = text_list_add_once(&result->problems, "%s", facts->problems.items[i]) && is_made;
    for (size_t i = 0; i < survey->problems.n; i++)
        is_made = text_list_add_once(&result->problems, "%s", survey->problems.items[i]) && is_made;
    if (result->scale.odd_pixels > 0)
        is_made = text_list_add(
                      &result->problems,
                      "its scale makes pixels %.2f times as wide as high, which nothing bears out: lengths "
                      "may be wrong by as much",
                      result->scale.odd_pixels) &&
                  is_made;
    if (result->scale.tick_ratio > 0)
        is_made = text_list_add(
                      &result->problems,
                      "its scale is %.3g times what the marks of the ruler in the picture would be taken for",
                      result->scale.tick_ratio) &&
                  is_made;
    return is_made && result->path && result->file && result->format && result->codec ? true
                                                                                      : error_memory(err);
}

/* The sections of a loop without a stripe, or too short to follow one. */
static void withhold(struct loop_result *result, const char *why)
{
    (void)text_list_add(&result->contractions.reasons, "%s", why);
    (void)text_list_add(&result->deposit.reasons, "%s", why);
    (void)text_list_add(&result->drift.reasons, "%s", why);
}

static bool run(struct work *work, struct loop_result *result, struct error **err)
{
    bool is_moving = false;

    tell(work->request, 0.0);
    if (!survey_loop(work, result, err))
        return false;
    tell(work->request, SURVEY_DONE);
    if (!find_stripe(work, err))
        return false;
    tell(work->request, KEYS_DONE);
    is_moving = work->survey->n_frames >= 8 && loop_facts(work->loop)->has_clock;
    if (work->stripe.is_found && is_moving && !follow_loop(work, result, err))
        return false;
    if (work->stripe.is_found && !work->request->has_os &&
        !stripe_tail_find(&work->stripe.tail, &work->stripe.fit,
                          sections_fundus_odds(&work->stripe, &work->cluster) >= 0.0, &work->mean, err))
        return false;
    sections_fill_cavity(&result->cavity, &work->stripe, &work->cluster, &work->canvas, &work->keys,
                         &work->follow, work->request);
    if (!work->stripe.is_found)
        withhold(result, "no endometrial stripe was found; mark its ends with --fundus and --os");
    else if (!loop_facts(work->loop)->has_clock && work->survey->n_frames > 1)
        withhold(result, "the loop has no clock, so nothing that needs time can be told");
    else if (!is_moving)
        withhold(result, work->survey->n_frames == 1 ? "a single still picture shows no motion"
                                                     : "the loop has too few frames");
    else if (!sections_fill_motion(result, &work->follow, &work->cluster, &work->stripe, &work->canvas,
                                   work->survey, err))
        return false;
    tell(work->request, 1.0);
    return copy_facts(result, work, err);
}

bool loop_measure(struct loop_result *result, struct loop *loop, const struct loop_request *request,
                  struct error **err)
{
    struct work work = {.request = request, .loop = loop};
    bool is_made = false;

    memset(result, 0, sizeof *result);
    is_made = run(&work, result, err);
    work_free(&work);
    if (!is_made)
        loop_result_free(result);
    return is_made;
}

void cavity_free(struct cavity *cavity)
{
    if (cavity == NULL)
        return;
    free(cavity->centre_line);
    text_list_free(&cavity->reasons);
    memset(cavity, 0, sizeof *cavity);
}

void drift_free(struct drift *drift)
{
    if (drift == NULL)
        return;
    free(drift->follow_ups);
    text_list_free(&drift->reasons);
    memset(drift, 0, sizeof *drift);
}

void loop_result_free(struct loop_result *result)
{
    if (result == NULL)
        return;
    free(result->path);
    free(result->file);
    free(result->format);
    free(result->codec);
    text_list_free(&result->problems);
    scale_free(&result->scale);
    cavity_free(&result->cavity);
    contractions_free(&result->contractions);
    text_list_free(&result->deposit.reasons);
    drift_free(&result->drift);
    free(result->series);
    free(result->motion.position_mm);
    free(result->motion.position_px);
    free(result->motion.time_s);
    free(result->motion.change_mm);
    free(result->motion.change_px);
    free(result->motion.trust);
    memset(result, 0, sizeof *result);
}
