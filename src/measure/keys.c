#include "measure/keys.h"

#include <math.h>
#include <string.h>

static const double LEAST_SPACING_S = 0.5; /* nearer frames tell nothing new */
static const double SLACK_S = 2e-6;        /* of a time: rounding, and times printed with six decimals */

static double spacing_of(double duration_s)
{
    return fmax(duration_s / (KEYS_MOST - 1), LEAST_SPACING_S);
}

/* From which time on the key after n of them is wanted, the last of which is at last_s. */
static double next_want_s(double from_s, double duration_s, size_t n, double last_s)
{
    double want_s = from_s + (double)n * spacing_of(duration_s);

    return want_s <= last_s ? last_s + 1e-3 : want_s;
}

struct keys_aside keys_expect(const struct loop_facts *facts)
{
    return (struct keys_aside){.duration_s =
                                   facts->declared_duration_s > 0.0 ? facts->declared_duration_s : 1.0,
                               .n_declared = facts->declared_frames};
}

bool keys_show(void *context, const struct frame *frame, struct error **err)
{
    struct keys_aside *aside = context;
    size_t n_bytes = (size_t)frame->width_px * (size_t)frame->height_px;
    struct frame *copy = NULL;

    if (frame->index == 1) {
        if (aside->n_declared > 1) /* with a steady clock this is the span from the first frame to the last */
            aside->duration_s = (double)(aside->n_declared - 1) * frame->time_s;
        else
            aside->duration_s -= frame->time_s;
        aside->want_s = next_want_s(0.0, aside->duration_s, aside->n, 0.0);
    }
    if (aside->n == KEYS_MOST || frame->time_s < aside->want_s - SLACK_S)
        return true;
    copy = frame_make(frame->width_px, frame->height_px, false);
    if (copy == NULL)
        return error_memory(err);
    memcpy(copy->luma, frame->luma, n_bytes);
    copy->index = frame->index;
    copy->time_s = frame->time_s;
    aside->frame[aside->n++] = copy;
    aside->want_s = next_want_s(0.0, aside->duration_s, aside->n, frame->time_s);
    return true;
}

void keys_aside_free(struct keys_aside *aside)
{
    if (aside == NULL)
        return;
    for (size_t k = 0; k < aside->n; k++)
        frame_free(&aside->frame[k]);
    aside->n = 0;
}

/* Chooses the frames of the keys; returns how many. */
static size_t choose(const struct survey *survey, struct stretch stretch, size_t *chosen)
{
    double from_s = survey->time_s[stretch.first];
    double duration_s = survey->time_s[stretch.end - 1] - from_s;
    double want_s = from_s;
    size_t n = 0;

    for (size_t i = stretch.first; i < stretch.end && n < KEYS_MOST; i++) {
        if (survey->time_s[i] < want_s - SLACK_S || (n > 0 && survey->is_repeat[i]))
            continue;
        chosen[n++] = i;
        want_s = next_want_s(from_s, duration_s, n, survey->time_s[i]);
    }
    return n;
}

static bool add_key(struct keys *keys, const struct frame *frame, const struct canvas *canvas,
                    struct error **err)
{
    keys->picture[keys->n] = canvas_take(canvas, frame);
    if (keys->picture[keys->n] == NULL)
        return error_memory(err);
    keys->time_s[keys->n] = frame->time_s;
    keys->frame[keys->n++] = frame->index;
    return true;
}

/* Those put aside, where all were; leaves keys empty otherwise. False when memory ran out. */
static bool take_aside(struct keys *keys, struct keys_aside *aside, const size_t *chosen, size_t n,
                       const struct canvas *canvas, struct error **err)
{
    size_t at[KEYS_MOST] = {0};
    size_t k = 0;

    for (size_t i = 0; i < aside->n && k < n; i++)
        if (aside->frame[i]->index == chosen[k])
            at[k++] = i;
    for (size_t i = 0; k == n && i < n; i++) {
        if (!add_key(keys, aside->frame[at[i]], canvas, err))
            return false;
        frame_free(&aside->frame[at[i]]); /* or both copies would stand in memory */
    }
    keys_aside_free(aside);
    return true;
}

static bool read_keys(struct keys *keys, struct loop *loop, const struct survey *survey, const size_t *chosen,
                      size_t n, const struct canvas *canvas, struct error **err)
{
    if (!loop_rewind(loop, err))
        return false;
    while (keys->n < n) {
        CLEANUP(frame_free) struct frame *frame = NULL;
        size_t wanted = chosen[keys->n];
        enum loop_next next = loop_read(loop, survey->time_s[wanted] - SLACK_S, false, &frame, err);

        if (next == LOOP_FAILED)
            return false;
        if (next == LOOP_END)
            return true;
        if (frame->index >= wanted && !add_key(keys, frame, canvas, err))
            return false;
    }
    return true;
}

bool keys_take(struct keys *keys, struct loop *loop, struct keys_aside *aside, const struct survey *survey,
               struct stretch stretch, const struct canvas *canvas, struct error **err)
{
    size_t chosen[KEYS_MOST];
    size_t n = choose(survey, stretch, chosen);
    bool is_made = false;

    memset(keys, 0, sizeof *keys);
    is_made = take_aside(keys, aside, chosen, n, canvas, err) &&
              (keys->n == n || read_keys(keys, loop, survey, chosen, n, canvas, err));
    if (!is_made)
        keys_free(keys);
    return is_made;
}

void keys_free(struct keys *keys)
{
    if (keys == NULL)
        return;
    for (size_t k = 0; k < KEYS_MOST; k++)
        raster_free(&keys->picture[k]);
    keys->n = 0;
}
