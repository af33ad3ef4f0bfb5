#include "base/output.h"

#include "base/leftovers.h"
#include "base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

enum { MOST_TRIES = 1000 };

struct output {
    char *path;
    char *partial;
    FILE *stream;
    enum output_existing existing;
    bool is_finished;
};

static bool refuse(struct error **err, const char *path, int cause)
{
    return error_set(err, ERROR_OUTPUT, "%s: cannot be written (%s)", path, strerror(cause));
}

static bool refuse_existing(struct error **err, const char *path)
{
    return error_set(err, ERROR_OUTPUT, "%s: is there already and was kept; give --force to replace it",
                     path);
}

static bool is_there(const char *path)
{
    struct stat status;

    return lstat(path, &status) == 0;
}

/* "dir/name.ext" becomes "dir/.partial-PID-N-name.ext". */
static char *partial_name(const char *path, int attempt)
{
    const char *slash = strrchr(path, '/');
    const char *name = slash == NULL ? path : slash + 1;

    return text_format("%.*s.partial-%ld-%d-%s", (int)(name - path), path, (long)getpid(), attempt, name);
}

/* Opens a file of that name, which must be free, and notes it as unfinished. */
static int open_noted(const char *partial)
{
    int descriptor = -1;
    int cause = 0;

    leftovers_hold();
    descriptor = open(partial, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    cause = errno;
    if (descriptor >= 0 && !leftovers_add(partial)) {
        (void)close(descriptor);
        (void)unlink(partial);
        descriptor = -1;
        cause = ENOMEM;
    }
    leftovers_release();
    errno = cause;
    return descriptor;
}

static bool open_partial(struct output *out, struct error **err)
{
    int descriptor = -1;

    for (int attempt = 0; attempt < MOST_TRIES; attempt++) {
        out->partial = partial_name(out->path, attempt);
        if (out->partial == NULL)
            return error_memory(err);
        descriptor = open_noted(out->partial);
        if (descriptor >= 0)
            break;
        free(out->partial);
        out->partial = NULL;
        if (errno == ENOMEM)
            return error_memory(err);
        if (errno != EEXIST)
            return refuse(err, out->path, errno);
    }
    if (descriptor < 0)
        return refuse(err, out->path, EEXIST);
    out->stream = fdopen(descriptor, "w+b");
    if (out->stream == NULL) {
        (void)close(descriptor);
        return error_memory(err);
    }
    return true;
}

bool output_begin(struct output **out, const char *path, enum output_existing existing, struct error **err)
{
    struct output *made = NULL;
    struct stat status;

    if (stat(path, &status) == 0 && S_ISDIR(status.st_mode))
        return error_set(err, ERROR_OUTPUT, "%s: a folder stands where a file is to be written", path);
    if (existing == OUTPUT_KEEP && is_there(path))
        return refuse_existing(err, path);
    made = calloc(1, sizeof *made);
    if (made == NULL)
        return error_memory(err);
    made->existing = existing;
    made->path = text_copy(path);
    if (made->path == NULL || !open_partial(made, err)) {
        output_abandon(&made);
        return error_memory(err); /* keeps the first error */
    }
    *out = made;
    return true;
}

FILE *output_stream(struct output *out)
{
    return out->stream;
}

const char *output_partial_path(const struct output *out)
{
    return out->partial;
}

/* Whether the disk that holds a file is full: of a write that failed earlier the stream keeps no cause. */
static bool is_full(int file)
{
    struct statvfs disk;

    return fstatvfs(file, &disk) == 0 && disk.f_bavail == 0;
}

bool output_finish(struct output *out, struct error **err)
{
    bool was_bad = false;
    int cause = 0;

    if (out->is_finished)
        return true;
    was_bad = ferror(out->stream) != 0;
    if (fflush(out->stream) != 0 || fsync(fileno(out->stream)) != 0)
        cause = errno;
    if (was_bad && cause == 0)
        cause = is_full(fileno(out->stream)) ? ENOSPC : EIO;
    if (fclose(out->stream) != 0 && cause == 0)
        cause = errno;
    out->stream = NULL;
    if (cause != 0)
        return refuse(err, out->path, cause);
    out->is_finished = true;
    return true;
}

/* Makes the new name last through a power cut where the file system can; a failure loses no byte. */
static void settle_folder(const char *path)
{
    const char *slash = strrchr(path, '/');
    char *folder = slash == NULL ? text_copy(".") : text_format("%.*s", (int)(slash - path) + 1, path);
    int descriptor = folder == NULL ? -1 : open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);

    free(folder);
    if (descriptor < 0)
        return;
    (void)fsync(descriptor);
    (void)close(descriptor);
}

/* link() takes a name only when it is free, without a gap in which another program could take it. */
static bool take_free_name(struct output *out, struct error **err)
{
    if (link(out->partial, out->path) == 0) {
        (void)unlink(out->partial);
        return true;
    }
    if (errno == EEXIST || is_there(out->path))
        return refuse_existing(err, out->path);
    if (rename(out->partial, out->path) != 0) /* a file system without hard links */
        return refuse(err, out->path, errno);
    return true;
}

static bool take_name(struct output *out, struct error **err)
{
    bool is_taken = false;

    leftovers_hold();
    if (out->existing == OUTPUT_KEEP)
        is_taken = take_free_name(out, err);
    else
        is_taken = rename(out->partial, out->path) == 0 ? true : refuse(err, out->path, errno);
    if (is_taken)
        leftovers_drop(out->partial);
    leftovers_release();
    return is_taken;
}

/* A hidden name that is gone from the disk is free for others: it must not stay noted. */
static void remove_partial(const struct output *out)
{
    leftovers_hold();
    (void)unlink(out->partial);
    leftovers_drop(out->partial);
    leftovers_release();
}

bool output_commit(struct output **out, struct error **err)
{
    if (!output_finish(*out, err) || !take_name(*out, err)) {
        output_abandon(out);
        return false;
    }
    settle_folder((*out)->path);
    free((*out)->partial);
    (*out)->partial = NULL;
    output_abandon(out);
    return true;
}

void output_abandon(struct output **out)
{
    if (out == NULL || *out == NULL)
        return;
    if ((*out)->stream != NULL)
        (void)fclose((*out)->stream);
    if ((*out)->partial != NULL)
        remove_partial(*out);
    free((*out)->partial);
    free((*out)->path);
    free(*out);
    *out = NULL;
}
