#include "quiet.h"

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

static size_t split(char *line, char *cell[8])
{
    size_t n = 1;

    cell[0] = line;
    for (char *c = line; *c != '\0' && n < 8; c++)
        if (*c == ',') {
            *c = '\0';
            cell[n++] = c + 1;
        }
    return n;
}

bool quiet_read(struct quiet *quiet, const char *path)
{
    FILE *file = fopen(path, "r");
    char line[512];
    char *cell[8];
    size_t n = 0;
    double *time_s = NULL;

    memset(quiet, 0, sizeof *quiet);
    if (file == NULL || fgets(line, sizeof line, file) == NULL)
        return false;
    while (fgets(line, sizeof line, file) != NULL) {
        if (split(line, cell) < 8)
            continue;
        if (n % 4096 == 0) {
            time_s = at_least(time_s, n + 4096, sizeof *time_s);
            quiet->position_mm = at_least(quiet->position_mm, n + 4096, sizeof *quiet->position_mm);
            quiet->change_mm = at_least(quiet->change_mm, n + 4096, sizeof *quiet->change_mm);
            quiet->trust = at_least(quiet->trust, n + 4096, sizeof *quiet->trust);
        }
        time_s[n] = strtod(cell[2], NULL);
        quiet->position_mm[n] = strtod(cell[3], NULL);
        quiet->change_mm[n] = strtod(cell[5], NULL);
        quiet->trust[n++] = strtof(cell[7], NULL);
    }
    (void)fclose(file);
    while (quiet->n_positions < n && time_s[quiet->n_positions] <= time_s[0])
        quiet->n_positions++;
    if (n == 0 || quiet->n_positions < 4) {
        free(time_s);
        return false;
    }
    quiet->n_times = n / quiet->n_positions;
    quiet->time_s = at_least(NULL, quiet->n_times, sizeof *quiet->time_s);
    for (size_t t = 0; t < quiet->n_times; t++)
        quiet->time_s[t] = time_s[t * quiet->n_positions];
    free(time_s);
    return true;
}

struct quiet quiet_led_on(const struct quiet *quiet, double duration_s)
{
    size_t m = quiet->n_positions;
    size_t last = quiet->n_times - 1;
    double step_s = (quiet->time_s[last] - quiet->time_s[0]) / (double)last;
    struct quiet made = {.n_times = (size_t)(duration_s / step_s) + 1, .n_positions = m};

    made.time_s = at_least(NULL, made.n_times, sizeof *made.time_s);
    made.position_mm = at_least(NULL, m, sizeof *made.position_mm);
    made.change_mm = at_least(NULL, made.n_times * m, sizeof *made.change_mm);
    made.trust = at_least(NULL, made.n_times * m, sizeof *made.trust);
    memcpy(made.position_mm, quiet->position_mm, m * sizeof *made.position_mm);
    for (size_t t = 0; t < made.n_times; t++) {
        size_t turn = t % (2 * last);
        size_t from = turn <= last ? turn : 2 * last - turn;

        made.time_s[t] = (double)t * step_s;
        memcpy(made.change_mm + t * m, quiet->change_mm + from * m, m * sizeof *made.change_mm);
        memcpy(made.trust + t * m, quiet->trust + from * m, m * sizeof *made.trust);
    }
    return made;
}

void quiet_free(struct quiet *quiet)
{
    free(quiet->time_s);
    free(quiet->position_mm);
    free(quiet->change_mm);
    free(quiet->trust);
    memset(quiet, 0, sizeof *quiet);
}
