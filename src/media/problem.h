#ifndef AFTERFLASH_MEDIA_PROBLEM_H
#define AFTERFLASH_MEDIA_PROBLEM_H

#include "base/contract.h"
#include "base/text.h"

/** A kind of problem that is counted while frames are read: its sentence stands once
 *  in the list and is rewritten when a later pass finds more. All zero: not told. */
struct problem {
    size_t place; /* 1 + index in the list; 0: not told yet */
    long worst;   /* the largest count told so far */
};

/** Tells a counted problem, or tells it anew where `count` is larger than before; a
 *  count of 0 tells nothing. Returns false when memory ran out. */
bool problem_tell(struct problem *problem, struct text_list *list, long count, const char *format, ...)
    PRINTF_LIKE(4, 5);

#endif
