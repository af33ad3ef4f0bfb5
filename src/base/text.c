#include "base/text.h"

#include <ctype.h>
#include <errno.h>
#include <locale.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static char *format_arguments(const char *format, va_list arguments)
{
    va_list again;
    char *made = NULL;
    int n = 0;

    va_copy(again, arguments);
    n = vsnprintf(NULL, 0, format, arguments);
    if (n >= 0)
        made = malloc((size_t)n + 1);
    if (made != NULL)
        (void)vsnprintf(made, (size_t)n + 1, format, again);
    va_end(again);
    return made;
}

/* Takes the sentence over, also when it fails. */
static bool list_take(struct text_list *list, char *sentence)
{
    char **items = NULL;

    if (sentence == NULL)
        return false;
    if (list->n < SIZE_MAX / sizeof *items - 1)
        items = realloc(list->items, (list->n + 1) * sizeof *items);
    if (items == NULL) {
        free(sentence);
        return false;
    }
    list->items = items;
    list->items[list->n++] = sentence;
    return true;
}

bool text_list_add(struct text_list *list, const char *format, ...)
{
    va_list arguments;
    char *sentence = NULL;

    va_start(arguments, format);
    sentence = format_arguments(format, arguments);
    va_end(arguments);
    return list_take(list, sentence);
}

bool text_list_add_once(struct text_list *list, const char *format, ...)
{
    va_list arguments;
    char *sentence = NULL;

    va_start(arguments, format);
    sentence = format_arguments(format, arguments);
    va_end(arguments);
    for (size_t i = 0; sentence != NULL && i < list->n; i++) {
        if (strcmp(list->items[i], sentence) == 0) {
            free(sentence);
            return true;
        }
    }
    return list_take(list, sentence);
}

void text_list_free(struct text_list *list)
{
    if (list == NULL)
        return;
    for (size_t i = 0; i < list->n; i++)
        free(list->items[i]);
    free(list->items);
    list->items = NULL;
    list->n = 0;
}

char *text_copy(const char *text)
{
    size_t n = 0;
    char *made = NULL;

    if (text == NULL)
        return NULL;
    n = strlen(text) + 1;
    made = malloc(n);
    if (made != NULL)
        memcpy(made, text, n);
    return made;
}

char *text_format(const char *format, ...)
{
    va_list arguments;
    char *made = NULL;

    va_start(arguments, format);
    made = format_arguments(format, arguments);
    va_end(arguments);
    return made;
}

/* sign, digits with at most one point, and an exponent: nothing that strtod
 * also takes, such as "inf", "nan", hexadecimal or leading blanks */
static bool is_decimal(const char *text)
{
    size_t n_digits = 0;
    bool has_point = false;

    if (*text == '+' || *text == '-')
        text++;
    for (; isdigit((unsigned char)*text) || (*text == '.' && !has_point); text++) {
        if (*text == '.')
            has_point = true;
        else
            n_digits++;
    }
    if (n_digits == 0)
        return false;
    if (*text == 'e' || *text == 'E') {
        text++;
        if (*text == '+' || *text == '-')
            text++;
        if (!isdigit((unsigned char)*text))
            return false;
        while (isdigit((unsigned char)*text))
            text++;
    }
    return *text == '\0';
}

bool text_to_double(const char *text, double *value)
{
    locale_t plain = (locale_t)0;
    locale_t before = (locale_t)0;
    char *end = NULL;
    double read = 0.0;

    if (text == NULL || !is_decimal(text))
        return false;
    plain = newlocale(LC_NUMERIC_MASK, "C", (locale_t)0);
    if (plain == (locale_t)0)
        return false;
    before = uselocale(plain);
    read = strtod(text, &end);
    (void)uselocale(before);
    freelocale(plain);
    if (*end != '\0' || !isfinite(read))
        return false;
    *value = read;
    return true;
}

bool text_to_long(const char *text, long low, long high, long *value)
{
    const char *digits = text;
    char *end = NULL;
    long read = 0;

    if (text == NULL)
        return false;
    if (*digits == '+' || *digits == '-')
        digits++;
    if (!isdigit((unsigned char)*digits))
        return false;
    errno = 0;
    read = strtol(text, &end, 10);
    if (errno != 0 || *end != '\0' || read < low || read > high)
        return false;
    *value = read;
    return true;
}

size_t text_sequence_bytes(const char *text)
{
    const unsigned char *byte = (const unsigned char *)text;
    size_t n = byte[0] < 0x80   ? 1
               : byte[0] < 0xC2 ? 0
               : byte[0] < 0xE0 ? 2
               : byte[0] < 0xF0 ? 3
               : byte[0] < 0xF5 ? 4
                                : 0;

    for (size_t i = 1; i < n; i++)
        if ((byte[i] & 0xC0) != 0x80)
            return 0;
    if ((byte[0] == 0xE0 && byte[1] < 0xA0) || (byte[0] == 0xED && byte[1] > 0x9F) ||
        (byte[0] == 0xF0 && byte[1] < 0x90) || (byte[0] == 0xF4 && byte[1] > 0x8F))
        return 0;
    return n;
}

size_t text_character_bytes(const char *text)
{
    size_t n = text_sequence_bytes(text);

    return n == 0 ? 1 : n;
}

size_t text_write_character(FILE *to, const char *text, char control)
{
    const unsigned char *byte = (const unsigned char *)text;
    size_t n = text_sequence_bytes(text);

    if (n == 0) {
        (void)fputs("\xEF\xBF\xBD", to);
        return 1;
    }
    if (byte[0] < 0x20 || byte[0] == 0x7F || (byte[0] == 0xC2 && byte[1] < 0xA0))
        (void)fputc(control, to);
    else
        (void)fwrite(text, 1, n, to);
    return n;
}

void text_write(FILE *to, const char *text, char control)
{
    while (*text != '\0')
        text += text_write_character(to, text, control);
}
