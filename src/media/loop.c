#include "media/loop.h"

#include "media/backend.h"

#include <stdlib.h>
#include <string.h>

struct loop {
    const struct backend *backend;
    void *state;
    char *path;
    struct loop_facts facts;
};

/* in order of trial; what none of them takes is a container */
static const struct backend *const backends[] = {&dicom_backend, &stills_backend};

bool backend_allows_size(long width_px, long height_px, struct error **err)
{
    if (width_px <= 0 || height_px <= 0)
        return error_set(err, ERROR_INPUT, "its pictures have no pixels (%ld x %ld)", width_px, height_px);
    if (width_px > LOOP_MOST_SIDE_PX || height_px > LOOP_MOST_SIDE_PX)
        return error_set(
            err, ERROR_INPUT,
            "its pictures are said to be %ld x %ld pixels, more than the %d a side that are read", width_px,
            height_px, LOOP_MOST_SIDE_PX);
    return true;
}

static const struct backend *backend_of(const char *path)
{
    for (size_t i = 0; i < sizeof backends / sizeof backends[0]; i++)
        if (backends[i]->takes(path))
            return backends[i];
    return &container_backend;
}

static const char *last_part(const char *path)
{
    const char *slash = strrchr(path, '/');

    return slash == NULL ? path : slash + 1;
}

static bool open_made(struct loop *made, struct error **err)
{
    struct loop_facts *facts = &made->facts;

    facts->path = made->path;
    facts->file = last_part(made->path);
    facts->declared_frames = -1;
    facts->declared_duration_s = -1.0;
    facts->pixel_aspect = 1.0;
    made->backend = backend_of(made->path);
    return made->backend->open(&made->state, made->path, facts, err) &&
           made->backend->hash(made->state, facts->sha256, err);
}

bool loop_is_pictureless(const char *path)
{
    const struct backend *backend = backend_of(path);

    return backend->is_pictureless != NULL && backend->is_pictureless(path);
}

bool loop_open(struct loop **loop, const char *path, struct error **err)
{
    CLEANUP(loop_close) struct loop *made = calloc(1, sizeof *made);

    if (made == NULL)
        return error_memory(err);
    made->path = text_copy(path);
    if (made->path == NULL)
        return error_memory(err); /* NOLINT(clang-analyzer-unix.Malloc): CLEANUP ends it */
    if (!open_made(made, err))
        return error_context(err, "%s", path);
    *loop = made;
    made = NULL;
    return true;
}

const struct loop_facts *loop_facts(const struct loop *loop)
{
    return &loop->facts;
}

enum loop_next loop_read(struct loop *loop, double from_time_s, bool with_colour, struct frame **frame,
                         struct error **err)
{
    return loop->backend->read(loop->state, &loop->facts, from_time_s, with_colour, frame, err);
}

bool loop_rewind(struct loop *loop, struct error **err)
{
    return loop->backend->rewind(loop->state, &loop->facts, err);
}

void loop_close(struct loop **loop)
{
    if (loop == NULL || *loop == NULL)
        return;
    if ((*loop)->backend != NULL)
        (*loop)->backend->close((*loop)->state);
    free((*loop)->facts.regions);
    text_list_free(&(*loop)->facts.problems);
    free((*loop)->path);
    free(*loop);
    *loop = NULL;
}
