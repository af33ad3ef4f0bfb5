#include "report/spectrogram_csv.h"

#include "report/csv.h"

#include <math.h>

enum { TIME_DECIMALS = 2, PER_MIN_DECIMALS = 2, PX_DECIMALS = 5, MM_DECIMALS = 7 };

static void write_row(FILE *to, const struct contractions *contractions, size_t window, size_t frequency)
{
    size_t cell = window * SPECTROGRAM_FREQUENCIES + frequency;
    const double *mm = contractions->power_mm2_min;

    csv_number(to, contractions->over_time[window].from_s, TIME_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, contractions->over_time[window].to_s, TIME_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, SPECTROGRAM_LOW_PER_MIN + SPECTROGRAM_STEP_PER_MIN * (double)frequency, PER_MIN_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, mm == NULL ? (double)NAN : mm[cell], MM_DECIMALS);
    (void)fputc(',', to);
    csv_number(to, contractions->power_px2_min[cell], PX_DECIMALS);
    (void)fputc('\n', to);
}

void spectrogram_csv_write(FILE *to, const struct transfer *transfer)
{
    (void)fputs("loop,file,from_s,to_s,frequency_per_min,power_mm2_min,power_px2_min\n", to);
    for (size_t i = 0; i < transfer->n_loops; i++) {
        const struct contractions *contractions = &transfer->loops[i].contractions;

        for (size_t window = 0; window < contractions->n_over_time; window++)
            for (size_t frequency = 0; frequency < SPECTROGRAM_FREQUENCIES; frequency++) {
                (void)fprintf(to, "%zu,", i);
                csv_text(to, transfer->loops[i].file);
                (void)fputc(',', to);
                write_row(to, contractions, window, frequency);
            }
    }
}
