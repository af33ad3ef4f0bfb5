#include "measure/keys.h"

#include <math.h>
#include <string.h>

static const double LEAST_SPACING_S = 0.5; /* nearer frames tell nothing new */

bool keys_take(struct keys *keys, struct loop *loop, const struct survey *survey, struct stretch stretch,
               const struct canvas *canvas, struct error **err)
{
    double from_s = survey->time_s[stretch.first];
    double duration_s = survey->time_s[stretch.end - 1] - from_s;
    double spacing_s = fmax(duration_s / (KEYS_MOST - 1), LEAST_SPACING_S);
    double want_s = from_s;

    memset(keys, 0, sizeof *keys);
    if (!loop_rewind(loop, err))
        return false;
    while (keys->n < KEYS_MOST) {
        CLEANUP(frame_free) struct frame *frame = NULL;
        enum loop_next next = loop_read(loop, want_s - 1e-6, false, &frame, err);

        if (next == LOOP_FAILED) {
            keys_free(keys);
            return false;
        }
        if (next == LOOP_END || frame->index >= stretch.end)
            break;
        if (frame->index < stretch.first ||
            (keys->n > 0 && frame->index < survey->n_frames && survey->is_repeat[frame->index]))
            continue;
        keys->picture[keys->n] = canvas_take(canvas, frame);
        if (keys->picture[keys->n] == NULL) {
            keys_free(keys);
            return error_memory(err);
        }
        keys->time_s[keys->n] = frame->time_s;
        keys->frame[keys->n] = frame->index;
        keys->n++;
        want_s = from_s + (double)keys->n * spacing_s;
        if (want_s <= frame->time_s)
            want_s = frame->time_s + 1e-3;
    }
    return true;
}

void keys_free(struct keys *keys)
{
    if (keys == NULL)
        return;
    for (size_t k = 0; k < KEYS_MOST; k++)
        raster_free(&keys->picture[k]);
    keys->n = 0;
}
