#include "report/waves_csv.h"

#include "report/csv.h"
#include "report/verdict.h"

enum { TIME_DECIMALS = 2, PX_DECIMALS = 2, MM_DECIMALS = 3 };

static const char header[] = "loop,file,wave,start_s,passes_middle_s,end_s,is_complete,direction,"
                             "speed_mm_per_s,speed_px_per_s,strength_mm,strength_px\n";

static void write_quantity(FILE *to, struct quantity quantity, int decimals)
{
    (void)fputc(',', to);
    csv_quantity(to, quantity, decimals);
}

static void write_row(FILE *to, size_t loop, const char *file, size_t number, const struct wave_seen *wave)
{
    (void)fprintf(to, "%zu,", loop);
    csv_text(to, file);
    (void)fprintf(to, ",%zu", number);
    write_quantity(to, wave->start_s, TIME_DECIMALS);
    write_quantity(to, wave->passes_middle_s, TIME_DECIMALS);
    write_quantity(to, wave->end_s, TIME_DECIMALS);
    (void)fputs(wave->start_s.is_known && wave->end_s.is_known ? ",TRUE," : ",FALSE,", to);
    csv_text(to, verdict_of_direction(wave->direction));
    write_quantity(to, wave->speed_mm_per_s, MM_DECIMALS);
    write_quantity(to, wave->speed_px_per_s, PX_DECIMALS);
    write_quantity(to, wave->strength_mm, MM_DECIMALS);
    write_quantity(to, wave->strength_px, PX_DECIMALS);
    (void)fputc('\n', to);
}

void waves_csv_write(FILE *to, const struct transfer *transfer)
{
    (void)fputs(header, to);
    for (size_t i = 0; i < transfer->n_loops; i++) {
        const struct loop_result *loop = &transfer->loops[i];

        for (size_t k = 0; k < loop->contractions.n_waves; k++)
            write_row(to, i, loop->file, k + 1, &loop->contractions.waves[k]);
    }
}
