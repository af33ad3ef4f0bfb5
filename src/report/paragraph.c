#include "report/paragraph.h"

#include "base/text.h"

#include <string.h>

enum { LINE_COLUMNS = 80 };
static const char gap[] = "..."; /* stands for what a word has too much */

static int columns_of(const char *text, size_t n_bytes)
{
    int n = 0;

    for (size_t i = 0; i < n_bytes; i += text_character_bytes(text + i))
        n++;
    return n;
}

int paragraph_columns(const char *text)
{
    return columns_of(text, strlen(text));
}

static void write_word(FILE *to, const char *word, size_t n_bytes)
{
    for (size_t i = 0; i < n_bytes;)
        i += text_write_character(to, word + i, '?');
}

/* Bytes that the first n_columns characters of a text take. */
static size_t bytes_of(const char *text, size_t n_bytes, int n_columns)
{
    size_t i = 0;

    while (i < n_bytes && n_columns-- > 0)
        i += text_character_bytes(text + i);
    return i;
}

/* As much of both ends as fits, with the gap between them. */
static void write_cut_word(FILE *to, const char *word, size_t n_bytes, int room)
{
    int kept = room - (int)strlen(gap);
    int n_columns = columns_of(word, n_bytes);
    size_t first = bytes_of(word, n_bytes, kept - kept / 2);
    size_t last = bytes_of(word, n_bytes, n_columns - kept / 2);

    write_word(to, word, first);
    (void)fputs(gap, to);
    write_word(to, word + last, n_bytes - last);
}

void paragraph_write(FILE *to, const char *first, const char *next, const char *text)
{
    int column = paragraph_columns(first);
    int is_line_empty = 1;

    (void)fputs(first, to);
    while (*text != '\0') {
        size_t n_bytes = strcspn(text, " ");
        int n_columns = columns_of(text, n_bytes);

        if (n_bytes > 0 && !is_line_empty && column + 1 + n_columns > LINE_COLUMNS) {
            (void)fprintf(to, "\n%s", next);
            column = paragraph_columns(next);
            is_line_empty = 1;
        }
        if (n_bytes > 0) {
            if (!is_line_empty)
                (void)fputc(' ', to);
            if (is_line_empty && column + n_columns > LINE_COLUMNS) {
                write_cut_word(to, text, n_bytes, LINE_COLUMNS - column);
                n_columns = LINE_COLUMNS - column;
            } else {
                write_word(to, text, n_bytes);
            }
            column += n_columns + !is_line_empty;
            is_line_empty = 0;
        }
        text += n_bytes;
        text += *text == ' ';
    }
    (void)fputc('\n', to);
}
