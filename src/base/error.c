#include "base/error.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

enum { MESSAGE_BYTES = 2048 };

struct error {
    enum error_code code;
    bool is_static;
    char message[MESSAGE_BYTES];
};

static struct error out_of_memory = {
    .code = ERROR_MEMORY,
    .is_static = true,
    .message = "the machine has no memory left for this; close other programs or measure a shorter loop",
};

bool error_memory(struct error **err)
{
    if (err != NULL && *err == NULL)
        *err = &out_of_memory;
    return false;
}

bool error_set(struct error **err, enum error_code code, const char *format, ...)
{
    struct error *made = NULL;
    va_list arguments;

    if (err == NULL || *err != NULL)
        return false;
    made = calloc(1, sizeof *made);
    if (made == NULL)
        return error_memory(err);
    made->code = code;
    va_start(arguments, format);
    (void)vsnprintf(made->message, sizeof made->message, format, arguments);
    va_end(arguments);
    *err = made;
    return false;
}

bool error_context(struct error **err, const char *format, ...)
{
    char context[MESSAGE_BYTES];
    char joined[MESSAGE_BYTES];
    va_list arguments;

    if (err == NULL || *err == NULL || (*err)->is_static)
        return false;
    va_start(arguments, format);
    (void)vsnprintf(context, sizeof context, format, arguments);
    va_end(arguments);
    if (snprintf(joined, sizeof joined, "%s: %s", context, (*err)->message) < 0)
        return false;
    (void)snprintf((*err)->message, sizeof(*err)->message, "%s", joined);
    return false;
}

const char *error_message(const struct error *err)
{
    return err->message;
}

enum error_code error_code(const struct error *err)
{
    return err->code;
}

void error_free(struct error **err)
{
    if (err == NULL || *err == NULL)
        return;
    if (!(*err)->is_static)
        free(*err);
    *err = NULL;
}
