#include "motion/shift_pool.h"

#include <pthread.h>
#include <stdlib.h>

enum { MOST_SPARE = 8 };

struct shift_pool {
    int width_px;
    int height_px;
    pthread_mutex_t lock;
    struct shift *spare[MOST_SPARE];
    size_t n;
};

struct shift_pool *shift_pool_make(int width_px, int height_px)
{
    struct shift_pool *made = calloc(1, sizeof *made);

    if (made == NULL)
        return NULL;
    if (pthread_mutex_init(&made->lock, NULL) != 0) {
        free(made);
        return NULL;
    }
    made->width_px = width_px;
    made->height_px = height_px;
    return made;
}

void shift_pool_free(struct shift_pool **pool)
{
    if (pool == NULL || *pool == NULL)
        return;
    for (size_t i = 0; i < (*pool)->n; i++)
        shift_free(&(*pool)->spare[i]);
    (void)pthread_mutex_destroy(&(*pool)->lock);
    free(*pool);
    *pool = NULL;
}

struct shift *shift_pool_take(struct shift_pool *pool)
{
    struct shift *taken = NULL;

    (void)pthread_mutex_lock(&pool->lock);
    if (pool->n > 0)
        taken = pool->spare[--pool->n];
    (void)pthread_mutex_unlock(&pool->lock);
    return taken != NULL ? taken : shift_make(pool->width_px, pool->height_px);
}

void shift_pool_give(struct shift_pool *pool, struct shift **shift)
{
    if (*shift == NULL)
        return;
    (void)pthread_mutex_lock(&pool->lock);
    if (pool->n < MOST_SPARE) {
        pool->spare[pool->n++] = *shift;
        *shift = NULL;
    }
    (void)pthread_mutex_unlock(&pool->lock);
    shift_free(shift);
}
