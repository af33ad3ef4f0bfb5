#include "base/extents.h"

#include "base/leftovers.h"
#include "base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

struct extent {
    uint64_t offset; /* in the file */
    uint64_t at;     /* in the row */
    uint64_t n_bytes;
};

struct extents {
    int descriptor;
    int failure; /* errno of a failed read, else 0 */
    uint64_t file_bytes;
    uint64_t bytes;
    struct extent *items;
    size_t n;
    size_t n_room;
    size_t last; /* where the last read ended: reads mostly go on from there */
};

static bool look_at_file(struct extents *made, struct error **err)
{
    struct stat status;

    if (fstat(made->descriptor, &status) != 0)
        return error_set(err, ERROR_INPUT, "the file cannot be looked at: %s", strerror(errno));
    if (S_ISDIR(status.st_mode))
        return error_set(err, ERROR_INPUT, "this is a folder, not a recording");
    if (!S_ISREG(status.st_mode))
        return error_set(err, ERROR_INPUT, "this is not a plain file; save the recording to a file first");
    if (status.st_size <= 0)
        return error_set(err, ERROR_INPUT, "the file is empty; export the recording again");
    made->file_bytes = (uint64_t)status.st_size;
    return true;
}

bool extents_open(struct extents **extents, const char *path, struct error **err)
{
    struct extents *made = calloc(1, sizeof *made);

    if (made == NULL)
        return error_memory(err);
    made->descriptor = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (made->descriptor < 0) {
        (void)error_set(err, ERROR_INPUT, "the file cannot be opened: %s", strerror(errno));
        free(made);
        return false;
    }
    if (!look_at_file(made, err)) {
        extents_close(&made);
        return false;
    }
    *extents = made;
    return true;
}

bool extents_open_unnamed(struct extents **extents, struct error **err)
{
    const char *folder = getenv("TMPDIR");
    char *name = text_format("%s/afterflash-XXXXXX", folder != NULL && folder[0] != '\0' ? folder : "/tmp");
    struct extents *made = calloc(1, sizeof *made);

    if (name == NULL || made == NULL) {
        free(name);
        free(made);
        return error_memory(err);
    }
    leftovers_hold(); /* no end from outside between its making and the loss of its name */
    made->descriptor = mkstemp(name);
    if (made->descriptor >= 0)
        (void)unlink(name);
    leftovers_release();
    if (made->descriptor < 0) {
        (void)error_set(err, ERROR_OUTPUT, "no temporary file can be made: %s", strerror(errno));
        free(name);
        free(made);
        return false;
    }
    free(name);
    *extents = made;
    return true;
}

bool extents_append(struct extents *extents, const void *bytes, size_t n, struct error **err)
{
    size_t done = 0;

    while (done < n) {
        ssize_t put = pwrite(extents->descriptor, (const char *)bytes + done, n - done,
                             (off_t)(extents->file_bytes + done));

        if (put < 0 && errno != EINTR)
            return error_set(err, ERROR_OUTPUT, "a temporary file cannot be written: %s", strerror(errno));
        if (put > 0)
            done += (size_t)put;
    }
    extents->file_bytes += n;
    if (extents->n == 1) {
        extents->items[0].n_bytes += n;
        extents->bytes += n;
        return true;
    }
    return extents_add(extents, 0, n, err);
}

bool extents_add(struct extents *extents, uint64_t offset, uint64_t n_bytes, struct error **err)
{
    if (offset >= extents->file_bytes)
        return true;
    if (n_bytes > extents->file_bytes - offset)
        n_bytes = extents->file_bytes - offset;
    if (n_bytes == 0)
        return true;
    if (extents->n == extents->n_room) {
        size_t n_room = extents->n_room == 0 ? 8 : 2 * extents->n_room;
        struct extent *items = realloc(extents->items, n_room * sizeof *items);

        if (items == NULL)
            return error_memory(err);
        extents->items = items;
        extents->n_room = n_room;
    }
    extents->items[extents->n++] =
        (struct extent){.offset = offset, .at = extents->bytes, .n_bytes = n_bytes};
    extents->bytes += n_bytes;
    return true;
}

uint64_t extents_file_bytes(const struct extents *extents)
{
    return extents->file_bytes;
}

uint64_t extents_bytes(const struct extents *extents)
{
    return extents->bytes;
}

static bool holds(const struct extent *extent, uint64_t at)
{
    return at >= extent->at && at - extent->at < extent->n_bytes;
}

/* The stretch that holds a place; n when none does. */
static size_t find(const struct extents *extents, uint64_t at)
{
    size_t low = 0;
    size_t high = extents->n;

    if (extents->last < extents->n && holds(&extents->items[extents->last], at))
        return extents->last;
    if (at >= extents->bytes)
        return extents->n;
    while (high - low > 1) {
        size_t middle = low + (high - low) / 2;

        if (extents->items[middle].at <= at)
            low = middle;
        else
            high = middle;
    }
    return low;
}

ptrdiff_t extents_read(struct extents *extents, uint64_t at, void *bytes, size_t n)
{
    size_t done = 0;

    while (done < n) {
        size_t i = find(extents, at + done);
        const struct extent *extent = NULL;
        uint64_t within = 0;
        size_t wanted = n - done;
        ssize_t got = 0;

        if (i == extents->n)
            break;
        extents->last = i;
        extent = &extents->items[i];
        within = at + done - extent->at;
        if (wanted > extent->n_bytes - within)
            wanted = (size_t)(extent->n_bytes - within);
        got = pread(extents->descriptor, (char *)bytes + done, wanted, (off_t)(extent->offset + within));
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0) {
            extents->failure = errno;
            return -1;
        }
        if (got == 0)
            break; /* the file has shrunk since it was opened */
        done += (size_t)got;
    }
    return (ptrdiff_t)done;
}

bool extents_failed(const struct extents *extents, struct error **err)
{
    if (extents->failure == 0)
        return false;
    (void)error_set(err, ERROR_INPUT, "the file cannot be read: %s", strerror(extents->failure));
    return true;
}

void extents_close(struct extents **extents)
{
    if (extents == NULL || *extents == NULL)
        return;
    (void)close((*extents)->descriptor);
    free((*extents)->items);
    free(*extents);
    *extents = NULL;
}
