#include "motion_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void *at_least(void *memory, size_t n, size_t size)
{
    void *more = realloc(memory, n * size);

    if (more == NULL)
        exit(3);
    return more;
}

bool motion_file_read(struct motion_file *motion, const char *path)
{
    FILE *file = fopen(path, "r");
    char line[512];
    size_t n = 0;
    double *time_s = NULL;

    memset(motion, 0, sizeof *motion);
    if (file == NULL || fgets(line, sizeof line, file) == NULL)
        return false;
    while (fgets(line, sizeof line, file) != NULL) {
        char *cell[8] = {line};
        size_t n_cells = 1;

        for (char *c = line; *c != '\0' && n_cells < 8; c++)
            if (*c == ',') {
                *c = '\0';
                cell[n_cells++] = c + 1;
            }
        if (n_cells < 8)
            continue;
        if (n % 4096 == 0) {
            time_s = at_least(time_s, n + 4096, sizeof *time_s);
            motion->position_mm = at_least(motion->position_mm, n + 4096, sizeof *motion->position_mm);
            motion->change_mm = at_least(motion->change_mm, n + 4096, sizeof *motion->change_mm);
            motion->trust = at_least(motion->trust, n + 4096, sizeof *motion->trust);
        }
        time_s[n] = strtod(cell[2], NULL);
        motion->position_mm[n] = strtod(cell[3], NULL);
        motion->change_mm[n] = strtod(cell[5], NULL);
        motion->trust[n++] = strtof(cell[7], NULL);
    }
    (void)fclose(file);
    while (motion->n_positions < n && time_s[motion->n_positions] <= time_s[0])
        motion->n_positions++;
    if (n == 0 || motion->n_positions < 4) {
        free(time_s);
        return false;
    }
    motion->n_times = n / motion->n_positions;
    motion->time_s = at_least(NULL, motion->n_times, sizeof *motion->time_s);
    for (size_t t = 0; t < motion->n_times; t++)
        motion->time_s[t] = time_s[t * motion->n_positions];
    free(time_s);
    return true;
}

struct motion_file motion_file_led_on(const struct motion_file *motion, double duration_s)
{
    size_t m = motion->n_positions;
    size_t last = motion->n_times - 1;
    double step_s = (motion->time_s[last] - motion->time_s[0]) / (double)last;
    struct motion_file made = {.n_times = (size_t)(duration_s / step_s) + 1, .n_positions = m};

    made.time_s = at_least(NULL, made.n_times, sizeof *made.time_s);
    made.position_mm = at_least(NULL, m, sizeof *made.position_mm);
    made.change_mm = at_least(NULL, made.n_times * m, sizeof *made.change_mm);
    made.trust = at_least(NULL, made.n_times * m, sizeof *made.trust);
    memcpy(made.position_mm, motion->position_mm, m * sizeof *made.position_mm);
    for (size_t t = 0; t < made.n_times; t++) {
        size_t turn = t % (2 * last);
        size_t from = turn <= last ? turn : 2 * last - turn;

        made.time_s[t] = (double)t * step_s;
        memcpy(made.change_mm + t * m, motion->change_mm + from * m, m * sizeof *made.change_mm);
        memcpy(made.trust + t * m, motion->trust + from * m, m * sizeof *made.trust);
    }
    return made;
}

void motion_file_free(struct motion_file *motion)
{
    free(motion->time_s);
    free(motion->position_mm);
    free(motion->change_mm);
    free(motion->trust);
    memset(motion, 0, sizeof *motion);
}
