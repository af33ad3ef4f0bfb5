#include "report/csv.h"

#include <math.h>
#include <string.h>

void csv_number(FILE *to, double number, int decimals)
{
    double half_step = 0.5 * pow(10.0, -decimals);

    if (!isfinite(number)) {
        (void)fputs("NA", to);
        return;
    }
    (void)fprintf(to, "%.*f", decimals, fabs(number) < half_step ? 0.0 : number);
}

void csv_quantity(FILE *to, struct quantity quantity, int decimals)
{
    csv_number(to, quantity.is_known ? quantity.value : (double)NAN, decimals);
}

void csv_text(FILE *to, const char *text)
{
    bool is_quoted = false;

    if (text == NULL) {
        (void)fputs("NA", to);
        return;
    }
    is_quoted = strpbrk(text, ",\"") != NULL || *text == '\0' || strcmp(text, "NA") == 0;
    if (is_quoted)
        (void)fputc('"', to);
    for (; *text != '\0'; text++) {
        if (*text == '"')
            (void)fputc('"', to);
        (void)fputc((unsigned char)*text < 0x20 || *text == 0x7F ? ' ' : *text, to);
    }
    if (is_quoted)
        (void)fputc('"', to);
}
