#include "media/backend.h"
#include "media/digest.h"
#include "media/problem.h"
#include "media/stream.h"

#include <ctype.h>
#include <dirent.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { MOST_WIDTH = 9, MOST_NUMBER = 99999999 };

/* A numbered sequence of picture files, "img%04d.png": every file is opened when its turn comes. */
struct stills {
    char *folder;
    char *before; /* of the number, in the name */
    char *after;
    int width;   /* digits at least; 0: as many as needed */
    long first;  /* number of the first file */
    long n;      /* files that follow each other without a gap */
    long n_more; /* files after a gap */
    long next;   /* from 0 */
    long n_damaged;
    int width_px;
    int height_px;
    struct problem damaged, other_size;
    long n_other_size;
};

/* Splits "img%04d.png" at its one conversion; false when there is not exactly one. */
static bool split(struct stills *stills, const char *name)
{
    const char *mark = strchr(name, '%');
    const char *end = NULL;
    long width = 0;

    if (mark == NULL || strchr(mark + 1, '%') != NULL)
        return false;
    for (end = mark + 1; isdigit((unsigned char)*end) && end - mark < 3; end++)
        width = width * 10 + (*end - '0');
    if (*end != 'd' || width > MOST_WIDTH)
        return false;
    stills->width = (int)width;
    stills->before = text_format("%.*s", (int)(mark - name), name);
    stills->after = text_copy(end + 1);
    return stills->before != NULL && stills->after != NULL;
}

static void stills_close(void *state)
{
    struct stills *stills = state;

    if (stills == NULL)
        return;
    free(stills->folder);
    free(stills->before);
    free(stills->after);
    free(stills);
}

static bool takes(const char *path)
{
    const char *slash = strrchr(path, '/');
    struct stills probe = {0};
    bool fits = access(path, F_OK) != 0 && split(&probe, slash == NULL ? path : slash + 1);

    free(probe.before);
    free(probe.after);
    return fits;
}

static char *path_of(const struct stills *stills, long number)
{
    return text_format("%s%s%0*ld%s", stills->folder, stills->before, stills->width > 0 ? stills->width : 1,
                       number, stills->after);
}

/* The number in a name of the sequence; -1 for any other name. */
static long number_of(const struct stills *stills, const char *name)
{
    size_t n_before = strlen(stills->before);
    size_t n_after = strlen(stills->after);
    size_t n = strlen(name);
    char digits[MOST_WIDTH + 1] = "";
    size_t n_digits = 0;
    long number = -1;

    if (n <= n_before + n_after || strncmp(name, stills->before, n_before) != 0 ||
        strcmp(name + n - n_after, stills->after) != 0)
        return -1;
    n_digits = n - n_before - n_after;
    if (n_digits > MOST_WIDTH || !isdigit((unsigned char)name[n_before]))
        return -1;
    if (stills->width > 0 ? n_digits < (size_t)stills->width : n_digits > 1 && name[n_before] == '0')
        return -1;
    memcpy(digits, name + n_before, n_digits);
    return text_to_long(digits, 0, MOST_NUMBER, &number) ? number : -1;
}

static bool find_files(struct stills *stills, struct error **err)
{
    DIR *folder = opendir(stills->folder[0] == '\0' ? "." : stills->folder);
    struct dirent *entry = NULL;
    long n = 0;

    stills->first = MOST_NUMBER + 1;
    if (folder == NULL)
        return error_set(err, ERROR_INPUT, "the folder of the numbered pictures cannot be opened");
    while ((entry = readdir(folder)) != NULL) {
        long number = number_of(stills, entry->d_name);

        if (number < 0)
            continue;
        n++;
        if (number < stills->first)
            stills->first = number;
    }
    (void)closedir(folder);
    if (n == 0)
        return error_set(err, ERROR_INPUT, "there is no file whose name fits this pattern");
    for (stills->n = 0; stills->n < n; stills->n++) {
        char *path = path_of(stills, stills->first + stills->n);
        bool is_there = path != NULL && access(path, F_OK) == 0;

        free(path);
        if (!is_there)
            break;
    }
    if (stills->n == 0)
        return error_memory(err);
    stills->n_more = n - stills->n;
    return true;
}

/* Opens file number `i` of the sequence, from 0; the caller closes both. */
static bool open_file(const struct stills *stills, long i, struct extents **file, struct stream **stream,
                      struct error **err)
{
    char *path = path_of(stills, stills->first + i);
    bool fits = path == NULL ? error_memory(err) : extents_open(file, path, err);

    fits = fits && extents_add(*file, 0, extents_file_bytes(*file), err) &&
           stream_open(stream, *file, NULL, err);
    free(path);
    return fits;
}

static bool read_first(struct stills *stills, struct loop_facts *facts, struct error **err)
{
    CLEANUP(extents_close) struct extents *file = NULL;
    CLEANUP(stream_close) struct stream *stream = NULL;
    const struct stream_facts *from = NULL;

    if (!open_file(stills, 0, &file, &stream, err))
        return error_context(err, "the first picture of the sequence");
    from = stream_facts(stream);
    stills->width_px = from->width_px;
    stills->height_px = from->height_px;
    facts->format = "images";
    facts->codec = from->codec;
    facts->width_px = from->width_px;
    facts->height_px = from->height_px;
    facts->pixel_aspect = from->pixel_aspect;
    facts->is_aspect_assumed = from->is_aspect_assumed;
    facts->declared_frames = stills->n;
    return true;
}

static bool stills_open(void **state, const char *path, struct loop_facts *facts, struct error **err)
{
    struct stills *stills = calloc(1, sizeof *stills);
    const char *slash = strrchr(path, '/');
    const char *name = slash == NULL ? path : slash + 1;

    if (stills == NULL)
        return error_memory(err);
    *state = stills;
    stills->folder = text_format("%.*s", (int)(name - path), path);
    if (stills->folder == NULL || !split(stills, name))
        return error_memory(err);
    if (!find_files(stills, err) || !read_first(stills, facts, err))
        return false;
    if (stills->n_more > 0 &&
        !text_list_add(&facts->problems,
                       "the numbers have a gap after %ld: %ld pictures after it are left out",
                       stills->first + stills->n - 1, stills->n_more))
        return error_memory(err);
    if (!text_list_add(&facts->problems, stills->n == 1
                                             ? "this is one still picture: it has no time"
                                             : "numbered pictures do not say when they were taken: frames "
                                               "are counted, times are not known"))
        return error_memory(err);
    return true;
}

/* One picture; LOOP_END where it is damaged or of another size, which is counted. */
static enum loop_next read_one(struct stills *stills, long i, bool with_colour, struct frame **frame,
                               struct error **err)
{
    CLEANUP(extents_close) struct extents *file = NULL;
    CLEANUP(stream_close) struct stream *stream = NULL;
    CLEANUP(error_free) struct error *damage = NULL;
    enum loop_next next = LOOP_FAILED;

    if (open_file(stills, i, &file, &stream, &damage)) {
        if (stream_facts(stream)->width_px != stills->width_px ||
            stream_facts(stream)->height_px != stills->height_px) {
            stills->n_other_size++;
            return LOOP_END;
        }
        next = stream_read(stream, 0.0, with_colour, frame, NULL, &damage);
    }
    if (next == LOOP_FRAME)
        return next;
    if (damage != NULL && error_code(damage) == ERROR_MEMORY) {
        (void)error_memory(err);
        return LOOP_FAILED;
    }
    stills->n_damaged++;
    return LOOP_END;
}

static enum loop_next stills_read(void *state, struct loop_facts *facts, double from_time_s, bool with_colour,
                                  struct frame **frame, struct error **err)
{
    struct stills *stills = state;
    long n_lost = 0;

    for (;;) {
        enum loop_next next = LOOP_END;

        n_lost = stills->n_damaged + stills->n_other_size;
        while (stills->next < stills->n && (double)(stills->next - n_lost) < from_time_s - 1e-6)
            stills->next++;
        if (stills->next >= stills->n)
            break;
        next = read_one(stills, stills->next++, with_colour, frame, err);
        if (next == LOOP_FAILED)
            return next;
        if (next == LOOP_FRAME) {
            (*frame)->index = (size_t)(stills->next - 1 - n_lost);
            (*frame)->time_s = (double)(*frame)->index;
            return next;
        }
    }
    if (problem_tell(&stills->damaged, &facts->problems, stills->n_damaged,
                     "%ld picture(s) of the sequence cannot be read and are left out", stills->n_damaged) &&
        problem_tell(&stills->other_size, &facts->problems, stills->n_other_size,
                     "%ld frame(s) are of another size than the first and are left out",
                     stills->n_other_size))
        return LOOP_END;
    (void)error_memory(err);
    return LOOP_FAILED;
}

static bool stills_rewind(void *state, struct loop_facts *facts, struct error **err)
{
    struct stills *stills = state;

    (void)facts;
    (void)err;
    stills->next = 0;
    stills->n_damaged = 0;
    stills->n_other_size = 0;
    return true;
}

static bool stills_hash(void *state, char hex[65], struct error **err)
{
    struct stills *stills = state;
    CLEANUP(digest_free) struct digest *digest = NULL;

    if (!digest_begin(&digest, err))
        return false;
    for (long i = 0; i < stills->n; i++) {
        CLEANUP(extents_close) struct extents *file = NULL;
        char *path = path_of(stills, stills->first + i);
        bool fits = path == NULL ? error_memory(err) : extents_open(&file, path, err);

        free(path);
        if (!fits || !extents_add(file, 0, extents_file_bytes(file), err) || !digest_add(digest, file, err))
            return error_context(err, "picture %ld of the sequence", i + 1);
    }
    digest_end(digest, hex);
    return true;
}

const struct backend stills_backend = {
    .takes = takes,
    .open = stills_open,
    .read = stills_read,
    .rewind = stills_rewind,
    .hash = stills_hash,
    .close = stills_close,
};
