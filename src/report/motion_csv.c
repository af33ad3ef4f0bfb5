#include "report/motion_csv.h"

#include "report/csv.h"

#include <math.h>

enum { TIME_DECIMALS = 4, PX_DECIMALS = 4, MM_DECIMALS = 5, TRUST_DECIMALS = 3 };

static double value_at(const double *values, size_t i)
{
    return values == NULL ? (double)NAN : values[i];
}

static void write_cell(FILE *to, const struct wall_motion *motion, size_t time, size_t position)
{
    size_t cell = time * motion->n_positions + position;

    csv_number(to, motion->time_s[time], TIME_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, value_at(motion->position_mm, position), MM_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, value_at(motion->position_px, position), PX_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, value_at(motion->change_mm, cell), MM_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, value_at(motion->change_px, cell), PX_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, motion->trust == NULL ? (double)NAN : (double)motion->trust[cell], TRUST_DECIMALS);
    (void)fputc('\n', to);
}

void motion_csv_write(FILE *to, const struct transfer *transfer)
{
    (void)fputs("loop,file,time_s,position_mm,position_px,change_mm,change_px,trust\n", to);
    for (size_t i = 0; i < transfer->n_loops; i++) {
        const struct wall_motion *motion = &transfer->loops[i].motion;

        for (size_t time = 0; time < motion->n_times; time++) {
            for (size_t position = 0; position < motion->n_positions; position++) {
                (void)fprintf(to, "%zu,", i);
                csv_text(to, transfer->loops[i].file);
                (void)fputc(',', to);
                write_cell(to, motion, time, position);
            }
        }
    }
}
