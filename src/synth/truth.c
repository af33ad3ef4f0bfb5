#include "synth/truth.h"

#include "base/json.h"
#include "synth/truth_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { DECIMALS = 4, FINE = 1000 };

static json_t *number(double value)
{
    return json_from_number(value, DECIMALS);
}

/* The value, or NULL and the value ended when something of it could not be put. */
static json_t *kept(json_t *made, bool is_good)
{
    if (is_good)
        return made;
    json_decref(made);
    return NULL;
}

static json_t *point(struct point p)
{
    return json_from_point(true, p);
}

#define PUT_NUMBER(field, option, value, low, high, summary)                                                 \
    json_put(made, option, json_from_number(r->field, 6)) &&
#define PUT_INTEGER(field, option, value, low, high, summary)                                                \
    json_put(made, option, json_integer(r->field)) &&
#define PUT_CHOICE(field, option, value, words, summary)                                                     \
    json_put(made, option, json_string((words)[r->field])) &&

/* threads change nothing in the loop, and so stay out of its truth */
static json_t *parameters(const struct recipe *r)
{
    json_t *made = json_object();
    bool is_good = RECIPE_NUMBERS(PUT_NUMBER) RECIPE_INTEGERS(PUT_INTEGER) RECIPE_CHOICES(PUT_CHOICE) true;

    if (is_good && json_object_del(made, "threads") == 0)
        return made;
    json_decref(made);
    return NULL;
}

static json_t *cavity(const struct truth *t)
{
    const struct anatomy *anatomy = t->scene->anatomy;
    json_t *made = json_object(), *line = json_array();
    double thickest = 0.0, length;
    bool is_good = true;

    if (anatomy == NULL) {
        json_decref(line);
        is_good = json_put(made, "verdict", json_string("not-found"));
        return kept(made, is_good);
    }
    length = anatomy_length_mm(anatomy);
    for (int i = 0; i < FINE; i++) {
        double s = length * i / FINE;

        thickest = fmax(thickest, anatomy_wall_mm(anatomy, s, 1) + anatomy_wall_mm(anatomy, s, -1));
    }
    for (size_t i = 0; i < sizeof t->centre_line_px / sizeof t->centre_line_px[0]; i++)
        is_good = is_good && json_add(line, point(t->centre_line_px[i]));
    is_good = json_put(made, "centre_line_px", line) && is_good;
    is_good = is_good && json_put(made, "verdict", json_string("found")) &&
              json_put(made, "frame", json_integer(0)) &&
              json_put(made, "fundus_px", point(t->frames[0].fundus_px)) &&
              json_put(made, "os_px", point(t->frames[0].os_px)) &&
              json_put(made, "length_mm", number(length)) && json_put(made, "thickness_mm", number(thickest));
    return kept(made, is_good);
}

static json_t *wave_row(const struct wave *wave, double passes_s)
{
    json_t *made = json_object();

    return kept(made, json_put(made, "starts_s", number(wave->starts_s)) &&
                          json_put(made, "passes_middle_s", number(passes_s)) &&
                          json_put(made, "amplitude_mm", number(wave->amplitude_mm)) &&
                          json_put(made, "direction", json_string(direction_words[wave->flow])));
}

/* The waves that pass the middle of the cavity within the recording (inside), or those that pass other places
 * of it only. */
static json_t *waves_list(const struct scene *scene, bool inside, double *silent)
{
    json_t *made = json_array();
    struct wave wave;
    double middle = 0.5 * scene->recipe.length_mm;
    double reach_s = middle / scene->recipe.velocity_mm_per_s;
    bool is_good = true;

    *silent = 0.0;
    for (size_t i = 0; waves_get(scene->waves, i, &wave) && is_good; i++) {
        double passes = waves_passes_s(scene->waves, i, middle);

        if (passes < -reach_s || passes > scene->recipe.duration_s + reach_s ||
            (passes >= 0.0 && passes <= scene->recipe.duration_s) != inside)
            continue;
        if (wave.amplitude_mm <= 0.0)
            *silent += 1.0;
        is_good = json_add(made, wave_row(&wave, passes));
    }
    return kept(made, is_good);
}

/* Of a loop whose rate changes: before the change and after it. */
static bool put_parts(json_t *made, const struct scene *scene)
{
    const struct recipe *r = &scene->recipe;

    if (r->rate_later_per_min <= 0.0 || r->rate_changes_s <= 0.0 || r->rate_changes_s >= r->duration_s)
        return true;
    return json_put(made, "frequency_before_change_per_min",
                    number(truth_rate_per_min(scene, 0.0, r->rate_changes_s))) &&
           json_put(made, "frequency_after_change_per_min",
                    number(truth_rate_per_min(scene, r->rate_changes_s, r->duration_s)));
}

static json_t *contractions(const struct truth *t)
{
    const struct scene *scene = t->scene;
    struct truth_waves found = truth_count_waves(scene);
    double silent = 0.0, unused = 0.0, upper_share = 0.0, amplitude = truth_amplitude_mm(scene, &upper_share);
    json_t *made = json_object(), *list = waves_list(scene, true, &silent);
    json_t *beside = waves_list(scene, false, &unused);
    bool is_measured = found.count > 0;
    bool is_good =
        json_put(made, "verdict", json_string(is_measured ? "measured" : "quiescent")) &&
        json_put(made, "frequency_per_min", is_measured ? number(found.per_min) : json_null()) &&
        json_put(made, "count", json_integer(found.count)) && json_put(made, "silent", number(silent)) &&
        json_put(made, "amplitude_mm", is_measured ? number(amplitude) : json_null()) &&
        json_put(made, "upper_wall_amplitude_mm",
                 is_measured ? number(amplitude * upper_share) : json_null()) &&
        json_put(made, "lower_wall_amplitude_mm",
                 is_measured ? number(amplitude * (1.0 - upper_share)) : json_null()) &&
        json_put(made, "velocity_mm_per_s",
                 is_measured ? number(scene->recipe.velocity_mm_per_s) : json_null()) &&
        json_put(made, "direction", is_measured ? json_string(direction_words[found.flow]) : json_null());

    is_good = json_put(made, "waves", list) && is_good;
    is_good = json_put(made, "waves_beside", beside) && is_good && put_parts(made, scene);
    return kept(made, is_good);
}

static json_t *deposit(const struct truth *t)
{
    struct truth_deposit found = truth_deposit(t);
    json_t *made = json_object();
    bool is_good;

    if (!found.is_there) {
        is_good =
            json_put(made, "verdict", json_string("none-seen")) && json_put(made, "time_s", json_null());
        return kept(made, is_good);
    }
    is_good = json_put(made, "verdict", json_string("measured")) &&
              json_put(made, "time_s", number(found.time_s)) &&
              json_put(made, "frame", json_integer((json_int_t)found.frame)) &&
              json_put(made, "point_px", point(t->frames[found.frame].cluster_px)) &&
              json_put(made, "to_fundus_mm", number(found.to_fundus_mm)) &&
              json_put(made, "to_fundus_by_echoes_mm", number(found.to_fundus_by_echoes_mm)) &&
              json_put(made, "relative_depth", number(found.to_fundus_mm / t->scene->recipe.length_mm)) &&
              json_put(made, "tip_to_fundus_mm", number(found.tip_to_fundus_mm)) &&
              json_put(made, "peak_luma", number(t->frames[found.frame].cluster.peak_luma)) &&
              json_put(made, "tissue_luma", number(t->frames[found.frame].cluster.tissue_luma));
    return kept(made, is_good);
}

static json_t *drift(const struct truth *t)
{
    struct truth_drift found = truth_drift(t);
    json_t *made = json_object();
    bool is_good;

    if (!found.is_there) {
        is_good = json_put(made, "verdict", json_string("none-seen"));
        return kept(made, is_good);
    }
    is_good = json_put(made, "verdict", json_string("measured")) &&
              json_put(made, "toward_fundus_mm", number(found.toward_fundus_mm)) &&
              json_put(made, "toward_fundus_as_seen_mm", number(found.toward_fundus_as_seen_mm)) &&
              json_put(made, "net_mm", number(found.net_mm)) &&
              json_put(made, "path_mm", number(found.path_mm)) &&
              json_put(made, "farthest_mm", number(found.farthest_mm)) &&
              json_put(made, "final_to_fundus_mm", number(found.final_to_fundus_mm)) &&
              json_put(made, "final_frame", json_integer((json_int_t)found.final_frame)) &&
              json_put(made, "followed_s", number(found.followed_s)) &&
              json_put(made, "spread_mm", number(found.spread_mm)) &&
              json_put(made, "pieces", json_integer(t->scene->recipe.pieces));
    return kept(made, is_good);
}

enum path { PATH_FUNDUS, PATH_OS, PATH_CLUSTER, PATH_TIP };

static json_t *path(const struct truth *t, enum path which)
{
    json_t *made = json_array();
    bool has_uterus = t->scene->anatomy != NULL, is_good = true;

    for (size_t i = 0; i < t->schedule->n; i++) {
        const struct truth_frame *f = &t->frames[i];
        const struct point points[] = {f->fundus_px, f->os_px, f->cluster_px, f->tip_px};
        const bool is_known[] = {has_uterus, has_uterus, f->cluster.is_seen, f->has_tip};

        is_good = is_good && json_add(made, json_from_point(is_known[which], points[which]));
    }
    return kept(made, is_good);
}

static json_t *times(const struct truth *t, bool of_scene)
{
    json_t *made = json_array();
    bool is_good = true;

    for (size_t i = 0; i < t->schedule->n; i++)
        is_good = is_good && json_add(made, json_from_number(of_scene ? t->schedule->moments[i].scene_s
                                                                      : t->schedule->moments[i].stamp_s,
                                                             6));
    return kept(made, is_good);
}

/* By frame where the depth changes; else null. */
static json_t *scale_path(const struct truth *t)
{
    json_t *made = t->scene->recipe.depth_change_mm > 0 ? json_array() : json_null();
    bool is_good = true;

    for (size_t i = 0; json_is_array(made) && i < t->schedule->n; i++)
        is_good = is_good && json_add(made, json_from_number(t->frames[i].mm_per_px, 7));
    return kept(made, is_good);
}

static json_t *picture(const struct truth *t)
{
    return json_pack("[i,i,i,i]", t->picture.left_px, t->picture.top_px, t->picture.right_px,
                     t->picture.bottom_px);
}

static json_t *frozen(const struct truth *t)
{
    double sum = 0.0;

    for (size_t i = 1; i < t->schedule->n; i++)
        if (t->schedule->moments[i].is_repeat)
            sum += t->schedule->moments[i].stamp_s - t->schedule->moments[i - 1].stamp_s;
    return number(sum);
}

char *truth_text(const struct truth *t)
{
    json_t *made = json_object();
    char *text = NULL;
    bool is_good =
        json_put(made, "schema", json_string("afterflash-synth-truth-1")) &&
        json_put(made, "file", json_from_text(t->file)) &&
        json_put(made, "width_px", json_integer(t->scene->recipe.width_px)) &&
        json_put(made, "height_px", json_integer(t->scene->recipe.height_px)) &&
        json_put(made, "picture_box_px", picture(t)) &&
        json_put(made, "frames", json_integer((json_int_t)t->schedule->n)) &&
        json_put(made, "has_frame_times", json_boolean(t->schedule->has_stamps)) &&
        json_put(made, "frame_rate_hz", number(t->scene->recipe.frames_per_s)) &&
        json_put(made, "duration_s", number(t->scene->recipe.duration_s)) &&
        json_put(made, "dropped_frames", json_integer((json_int_t)t->schedule->n_dropped)) &&
        json_put(made, "frozen_s", frozen(t)) &&
        json_put(made, "scale_mm_per_px", json_from_number(t->frames[0].mm_per_px, 7)) &&
        json_put(made, "scale_path_mm_per_px", scale_path(t)) && json_put(made, "cavity", cavity(t)) &&
        json_put(made, "contractions", contractions(t)) && json_put(made, "deposit", deposit(t)) &&
        json_put(made, "drift", drift(t)) && json_put(made, "parameters", parameters(&t->scene->recipe)) &&
        json_put(made, "time_s", times(t, false)) && json_put(made, "scene_time_s", times(t, true)) &&
        json_put(made, "fundus_path_px", path(t, PATH_FUNDUS)) &&
        json_put(made, "os_path_px", path(t, PATH_OS)) &&
        json_put(made, "cluster_path_px", path(t, PATH_CLUSTER)) &&
        json_put(made, "tip_path_px", path(t, PATH_TIP));

    if (is_good)
        text = json_text(made);
    json_decref(made);
    return text;
}
