#ifndef AFTERFLASH_REPORT_TOOL_H
#define AFTERFLASH_REPORT_TOOL_H

#include <stddef.h>

/** The version of this program. */
const char *tool_version(void);

/** A library that a result depends on. */
struct tool_library {
    const char *name;
    char version[32];
};

/** Fills `library` with the i-th library, sorted by name, as linked at run time where the
 *  library can tell. Returns 0 behind the last, else 1. */
int tool_library_at(size_t i, struct tool_library *library);

#endif
