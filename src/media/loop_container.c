#include "media/backend.h"
#include "media/digest.h"
#include "media/stream.h"

#include <stdlib.h>

struct container {
    struct extents *file;
    struct stream *stream;
};

static bool tell_clock(const struct stream_facts *from, struct text_list *problems)
{
    if (from->is_still)
        return text_list_add(problems, "this is one still picture: it has no time");
    if (from->is_bare && from->has_clock)
        return text_list_add(problems,
                             "a bare %s stream has no time stamps; the frame rate that it states is used",
                             from->format);
    if (!from->has_clock)
        return text_list_add(problems,
                             "the file does not say when its frames were taken: frames are counted, times "
                             "are not known");
    return true;
}

static bool container_open(void **state, const char *path, struct loop_facts *facts, struct error **err)
{
    struct container *container = calloc(1, sizeof *container);
    const struct stream_facts *from = NULL;

    if (container == NULL)
        return error_memory(err);
    *state = container;
    if (!extents_open(&container->file, path, err) ||
        !extents_add(container->file, 0, extents_file_bytes(container->file), err) ||
        !stream_open(&container->stream, container->file, &facts->problems, err))
        return false;
    from = stream_facts(container->stream);
    facts->format = from->format;
    facts->codec = from->codec;
    facts->width_px = from->width_px;
    facts->height_px = from->height_px;
    facts->declared_frames = from->declared_frames;
    facts->declared_duration_s = from->declared_duration_s;
    facts->has_clock = from->has_clock;
    facts->pixel_aspect = from->pixel_aspect;
    facts->is_aspect_assumed = from->is_aspect_assumed;
    return tell_clock(from, &facts->problems) || error_memory(err);
}

static enum loop_next container_read(void *state, struct loop_facts *facts, double from_time_s,
                                     bool with_colour, struct frame **frame, struct error **err)
{
    struct container *container = state;

    return stream_read(container->stream, from_time_s, with_colour, frame, &facts->problems, err);
}

static bool container_rewind(void *state, struct loop_facts *facts, struct error **err)
{
    struct container *container = state;

    (void)facts;
    return stream_rewind(container->stream, err);
}

static bool container_hash(void *state, char hex[65], struct error **err)
{
    struct container *container = state;

    return digest_extents(container->file, hex, err);
}

static void container_close(void *state)
{
    struct container *container = state;

    if (container == NULL)
        return;
    stream_close(&container->stream);
    extents_close(&container->file);
    free(container);
}

const struct backend container_backend = {
    .open = container_open,
    .read = container_read,
    .rewind = container_rewind,
    .hash = container_hash,
    .close = container_close,
};
