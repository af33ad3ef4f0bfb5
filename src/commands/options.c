#include "commands/options.h"

#include "base/text.h"

#include <getopt.h>
#include <stdlib.h>
#include <string.h>

enum { HELP = 1, FIRST_ROW = 256 }; /* what getopt_long returns; rows stay clear of characters */

static void *field_of(const struct option_row *row, void *settings)
{
    return (char *)settings + row->offset;
}

static bool refuse_value(const struct option_row *row, const char *value, struct error **err)
{
    return error_set(err, ERROR_USAGE, "--%s %s: wanted is %s", row->name, *value == '\0' ? "''" : value,
                     row->wanted);
}

static bool read_number(const struct option_row *row, const char *value, double *number, struct error **err)
{
    double read = 0.0;

    if (!text_to_double(value, &read) || read < row->low || read > row->high)
        return refuse_value(row, value, err);
    *number = read;
    return true;
}

static bool read_integer(const struct option_row *row, const char *value, long *number, struct error **err)
{
    if (!text_to_long(value, (long)row->low, (long)row->high, number))
        return refuse_value(row, value, err);
    return true;
}

static bool read_point(const struct option_row *row, const char *value, struct option_point *point,
                       struct error **err)
{
    const char *comma = strchr(value, ',');
    struct option_point read = {.is_given = true};
    bool is_good = false;
    char *x = NULL;

    if (comma == NULL)
        return refuse_value(row, value, err);
    x = text_format("%.*s", (int)(comma - value), value);
    if (x == NULL)
        return error_memory(err);
    is_good = text_to_double(x, &read.point.x_px) && text_to_double(comma + 1, &read.point.y_px);
    free(x);
    if (!is_good)
        return refuse_value(row, value, err);
    *point = read;
    return true;
}

static bool read_choice(const struct option_row *row, const char *value, int *choice, struct error **err)
{
    for (int i = 0; row->choices[i] != NULL; i++) {
        if (strcmp(row->choices[i], value) == 0) {
            *choice = i;
            return true;
        }
    }
    return refuse_value(row, value, err);
}

static bool read_text(const struct option_row *row, const char *value, const char **text, struct error **err)
{
    if (*value == '\0')
        return refuse_value(row, value, err);
    *text = value;
    return true;
}

static bool read_value(const struct option_row *row, const char *value, void *settings, struct error **err)
{
    void *field = field_of(row, settings);

    switch (row->kind) {
    case OPTION_FLAG:
        *(bool *)field = true;
        return true;
    case OPTION_TEXT:
        return read_text(row, value, field, err);
    case OPTION_NUMBER:
        return read_number(row, value, field, err);
    case OPTION_INTEGER:
        return read_integer(row, value, field, err);
    case OPTION_POINT:
        return read_point(row, value, field, err);
    case OPTION_CHOICE:
        return read_choice(row, value, field, err);
    }
    return false;
}

static struct option *long_options(const struct option_row *rows, size_t n_rows)
{
    struct option *made = calloc(n_rows + 2, sizeof *made);

    if (made == NULL)
        return NULL;
    for (size_t i = 0; i < n_rows; i++) {
        made[i].name = rows[i].name;
        made[i].has_arg = rows[i].kind == OPTION_FLAG ? no_argument : required_argument;
        made[i].val = FIRST_ROW + (int)i;
    }
    made[n_rows].name = "help";
    made[n_rows].val = HELP;
    return made;
}

/* getopt_long says only '?' or ':'; the word it stumbled over stands before optind. */
static bool refuse_option(const struct option_row *rows, int said, char **argv, struct error **err)
{
    const char *word = argv[optind - 1];

    if (said == ':' && optopt >= FIRST_ROW)
        return error_set(err, ERROR_USAGE, "--%s has no value: wanted is %s", rows[optopt - FIRST_ROW].name,
                         rows[optopt - FIRST_ROW].wanted);
    if (optopt >= FIRST_ROW || optopt == HELP)
        return error_set(err, ERROR_USAGE, "%s: this option takes no value", word);
    if (optopt != 0)
        return error_set(err, ERROR_USAGE,
                         "-%c: there is no such option; options are spelled out, as in --help", optopt);
    return error_set(err, ERROR_USAGE, "%s: there is no such option; see afterflash %s --help", word,
                     argv[0]);
}

/* getopt_long takes the beginning of a name for the name; a later version might then read another one. */
static bool is_spelled_out(const char *name, char **argv, struct error **err)
{
    const char *word = argv[optind - (optarg != NULL && optarg == argv[optind - 1] ? 2 : 1)];
    size_t n = strcspn(word, "=");

    if (n == strlen(name) + 2 && strncmp(word + 2, name, n - 2) == 0)
        return true;
    return error_set(err, ERROR_USAGE, "%.*s: there is no such option; if --%s is meant, spell it out",
                     (int)n, word, name);
}

static bool read_all(const struct option_row *rows, const struct option *options, int argc, char **argv,
                     void *settings, bool *wants_help, bool *is_seen, struct error **err)
{
    int said = 0;

    optind = 0; /* getopt keeps its place here; 0 starts it anew */
    opterr = 0;
    while ((said = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        size_t i = said >= FIRST_ROW ? (size_t)(said - FIRST_ROW) : 0;

        if (said == HELP && !is_spelled_out("help", argv, err))
            return false;
        if (said == HELP) {
            *wants_help = true;
            return true;
        }
        if (said < FIRST_ROW)
            return refuse_option(rows, said, argv, err);
        if (!is_spelled_out(rows[i].name, argv, err))
            return false;
        if (is_seen[i])
            return error_set(err, ERROR_USAGE, "--%s: given twice; give it once", rows[i].name);
        is_seen[i] = true;
        if (!read_value(&rows[i], optarg, settings, err))
            return false;
    }
    return true;
}

bool options_parse(const struct option_row *rows, size_t n_rows, int argc, char **argv, void *settings,
                   int *first_operand, bool *wants_help, struct error **err)
{
    struct option *options = long_options(rows, n_rows);
    bool *is_seen = calloc(n_rows + 1, sizeof *is_seen);
    bool is_good = false;

    *wants_help = false;
    if (options == NULL || is_seen == NULL)
        (void)error_memory(err);
    else
        is_good = read_all(rows, options, argc, argv, settings, wants_help, is_seen, err);
    *first_operand = optind;
    free(options);
    free(is_seen);
    return is_good;
}
