#include "measure/transfer.h"

#include <stdlib.h>
#include <string.h>

void contractions_free(struct contractions *contractions)
{
    if (contractions == NULL)
        return;
    free(contractions->waves);
    free(contractions->over_time);
    free(contractions->power_mm2_min);
    free(contractions->power_px2_min);
    text_list_free(&contractions->before_after.reasons);
    text_list_free(&contractions->reasons);
    memset(contractions, 0, sizeof *contractions);
}

/* A copy of n things of a size; NULL for none, *is_good false when memory ran out. */
static void *copied(const void *from, size_t n, size_t size, bool *is_good)
{
    void *made = NULL;

    if (n == 0 || from == NULL || !*is_good)
        return NULL;
    made = malloc(n * size);
    if (made != NULL)
        memcpy(made, from, n * size);
    *is_good = made != NULL;
    return made;
}

static bool copy_list(struct text_list *to, const struct text_list *from)
{
    *to = (struct text_list){0};
    for (size_t i = 0; i < from->n; i++)
        if (!text_list_add(to, "%s", from->items[i]))
            return false;
    return true;
}

bool contractions_copy(struct contractions *to, const struct contractions *from)
{
    bool is_good = true;

    *to = *from;
    to->waves = copied(from->waves, from->n_waves, sizeof *to->waves, &is_good);
    to->over_time = copied(from->over_time, from->n_over_time, sizeof *to->over_time, &is_good);
    to->power_mm2_min = copied(from->power_mm2_min, from->n_over_time,
                               SPECTROGRAM_FREQUENCIES * sizeof *to->power_mm2_min, &is_good);
    to->power_px2_min = copied(from->power_px2_min, from->n_over_time,
                               SPECTROGRAM_FREQUENCIES * sizeof *to->power_px2_min, &is_good);
    is_good = copy_list(&to->reasons, &from->reasons) && is_good;
    is_good = copy_list(&to->before_after.reasons, &from->before_after.reasons) && is_good;
    if (!is_good)
        contractions_free(to);
    return is_good;
}
