#include "base/leftovers.h"

#include "base/text.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The end from outside comes at any moment to whatever is unfinished, so the list belongs to the process. */
static struct text_list noted;
static pthread_mutex_t lock;
static pthread_once_t once = PTHREAD_ONCE_INIT;

static void make_lock(void)
{
    pthread_mutexattr_t kind;

    (void)pthread_mutexattr_init(&kind);
    (void)pthread_mutexattr_settype(&kind, PTHREAD_MUTEX_RECURSIVE);
    (void)pthread_mutex_init(&lock, &kind);
    (void)pthread_mutexattr_destroy(&kind);
}

void leftovers_hold(void)
{
    (void)pthread_once(&once, make_lock);
    (void)pthread_mutex_lock(&lock);
}

void leftovers_release(void)
{
    (void)pthread_mutex_unlock(&lock);
}

bool leftovers_add(const char *path)
{
    bool is_added = false;

    leftovers_hold();
    is_added = text_list_add(&noted, "%s", path);
    leftovers_release();
    return is_added;
}

static void forget(size_t i)
{
    free(noted.items[i]);
    noted.n--;
    memmove(noted.items + i, noted.items + i + 1, (noted.n - i) * sizeof *noted.items);
    if (noted.n == 0)
        text_list_free(&noted);
}

void leftovers_drop(const char *path)
{
    leftovers_hold();
    for (size_t i = noted.n; i-- > 0;)
        if (strcmp(noted.items[i], path) == 0) {
            forget(i);
            break;
        }
    leftovers_release();
}

void leftovers_take_away(void)
{
    leftovers_hold();
    while (noted.n > 0) {
        (void)remove(noted.items[noted.n - 1]);
        forget(noted.n - 1);
    }
    leftovers_release();
}
