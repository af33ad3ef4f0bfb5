#include "media/problem.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

enum { SENTENCE_BYTES = 512 };

bool problem_tell(struct problem *problem, struct text_list *list, long count, const char *format, ...)
{
    char sentence[SENTENCE_BYTES];
    va_list arguments;
    char *copy = NULL;

    if (count <= problem->worst)
        return true;
    va_start(arguments, format);
    (void)vsnprintf(sentence, sizeof sentence, format, arguments);
    va_end(arguments);
    if (problem->place == 0) {
        if (!text_list_add(list, "%s", sentence))
            return false;
        problem->place = list->n;
    } else {
        copy = text_copy(sentence);
        if (copy == NULL)
            return false;
        free(list->items[problem->place - 1]);
        list->items[problem->place - 1] = copy;
    }
    problem->worst = count;
    return true;
}
