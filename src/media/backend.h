#ifndef AFTERFLASH_MEDIA_BACKEND_H
#define AFTERFLASH_MEDIA_BACKEND_H

#include "media/loop.h"

/** One way of reading recordings. loop.c asks them in order; the first that `takes` a path
 *  keeps it, so that no file is handed from one to the next. What none takes is a container. */
struct backend {
    /** Whether the path is of this kind, by a look at its name or first bytes; NULL in
     *  the container, which is not asked. */
    bool (*takes)(const char *path);

    /** As loop_is_pictureless; NULL where there are no such files. */
    bool (*is_pictureless)(const char *path);

    /** Opens it and fills the facts, except path, file and sha256. On failure the
     *  state may be set: it is closed then too. */
    bool (*open)(void **state, const char *path, struct loop_facts *facts, struct error **err);

    /** As loop_read. */
    enum loop_next (*read)(void *state, struct loop_facts *facts, double from_time_s, bool with_colour,
                           struct frame **frame, struct error **err);

    /** As loop_rewind. */
    bool (*rewind)(void *state, struct loop_facts *facts, struct error **err);

    /** SHA-256 of what was opened. */
    bool (*hash)(void *state, char hex[65], struct error **err);

    /** Ends the state; accepts NULL. */
    void (*close)(void *state);
};

extern const struct backend dicom_backend;     /* loop_dicom.c */
extern const struct backend stills_backend;    /* loop_stills.c */
extern const struct backend container_backend; /* loop_container.c */

/** The most pixels that a side may have. A picture of this size is 64 MiB; scanners and
 *  capture cards stay below 4096 (bound against hostile headers, common practice, no source). */
enum { LOOP_MOST_SIDE_PX = 8192 };

/** False, with a sentence, for a picture without pixels or above the bound. */
MUST_CHECK bool backend_allows_size(long width_px, long height_px, struct error **err);

#endif
