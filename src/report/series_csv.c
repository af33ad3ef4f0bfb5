#include "report/series_csv.h"

#include "report/csv.h"

enum { TIME_DECIMALS = 4, PX_DECIMALS = 3, MM_DECIMALS = 4, TRUST_DECIMALS = 3, TURN_DECIMALS = 4 };

static const char header[] = "loop,file,frame,time_s,bubble_x_px,bubble_y_px,fundus_x_px,fundus_y_px,"
                             "to_fundus_mm,to_fundus_px,along_stripe_mm,along_stripe_px,tip_x_px,tip_y_px,"
                             "rigid_x_px,rigid_y_px,rigid_turn_deg,trust,is_usable\n";

static void write_quantity(FILE *to, struct quantity quantity, int decimals)
{
    (void)fputc(',', to);
    csv_quantity(to, quantity, decimals);
}

static void write_row(FILE *to, size_t loop, const char *file, const struct series_row *row)
{
    (void)fprintf(to, "%zu,", loop);
    csv_text(to, file);
    (void)fprintf(to, ",%zu,", row->frame);
    csv_number(to, row->time_s, TIME_DECIMALS);
    write_quantity(to, row->bubble_x_px, PX_DECIMALS);
    write_quantity(to, row->bubble_y_px, PX_DECIMALS);
    write_quantity(to, row->fundus_x_px, PX_DECIMALS);
    write_quantity(to, row->fundus_y_px, PX_DECIMALS);
    write_quantity(to, row->to_fundus_mm, MM_DECIMALS);
    write_quantity(to, row->to_fundus_px, PX_DECIMALS);
    write_quantity(to, row->along_stripe_mm, MM_DECIMALS);
    write_quantity(to, row->along_stripe_px, PX_DECIMALS);
    write_quantity(to, row->tip_x_px, PX_DECIMALS);
    write_quantity(to, row->tip_y_px, PX_DECIMALS);
    write_quantity(to, row->rigid_x_px, PX_DECIMALS);
    write_quantity(to, row->rigid_y_px, PX_DECIMALS);
    write_quantity(to, row->rigid_turn_deg, TURN_DECIMALS);
    write_quantity(to, quantity_of(row->trust), TRUST_DECIMALS);
    (void)fputs(row->is_usable ? ",TRUE\n" : ",FALSE\n", to);
}

void series_csv_write(FILE *to, const struct transfer *transfer)
{
    (void)fputs(header, to);
    for (size_t i = 0; i < transfer->n_loops; i++)
        for (size_t j = 0; j < transfer->loops[i].n_series; j++)
            write_row(to, i, transfer->loops[i].file, &transfer->loops[i].series[j]);
}
