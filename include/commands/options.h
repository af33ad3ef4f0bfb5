#ifndef AFTERFLASH_COMMANDS_OPTIONS_H
#define AFTERFLASH_COMMANDS_OPTIONS_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"

#include <stdbool.h>
#include <stddef.h>

/** What kind of value an option takes, and the type of the field that receives it. */
enum option_kind {
    OPTION_FLAG,    /* no value; bool */
    OPTION_TEXT,    /* any text that is not empty; const char *, borrowed from argv */
    OPTION_NUMBER,  /* within [low, high]; double */
    OPTION_INTEGER, /* within [low, high]; long */
    OPTION_POINT,   /* X,Y in pixels; struct option_point */
    OPTION_CHOICE,  /* one of the words in choices; int, its index */
};

/** A mark that may be absent. */
struct option_point {
    bool is_given;
    struct point point;
};

/** One option of one command. An option name means the same in every command. */
struct option_row {
    const char *name; /* "scale" stands for --scale */
    enum option_kind kind;
    const char *argument; /* the value's name in usage: "MM_PER_PX"; NULL for a flag */
    const char
        *wanted; /* what a good value is, for a refusal: "millimetres per pixel, ..." ; NULL for a flag */
    const char *summary; /* one sentence for the help, no full stop */
    double low;          /* bounds of OPTION_NUMBER and OPTION_INTEGER, both allowed */
    double high;
    const char *const *choices; /* ends with NULL */
    size_t offset;              /* of the receiving field in the command's settings */
};

/** Reads a command line by a table of options. Options and operands may be mixed; "--" ends the options.
 *
 *  argc, argv      as main got them, argv[0] being the command's name; argv is reordered so
 *                  that the operands come last
 *  settings        the command's settings, filled with defaults by the caller; each row writes
 *                  at its offset
 *  first_operand   caller's; index into argv
 *  wants_help      caller's; set when --help is there: nothing else is then checked
 *  Errors: ERROR_USAGE names the option, the value and what is wanted. */
MUST_CHECK bool options_parse(const struct option_row *rows, size_t n_rows, int argc, char **argv,
                              void *settings, int *first_operand, bool *wants_help, struct error **err);

#endif
