#include "report/csv.h"

#include "base/text.h"

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

/* What a spreadsheet may take for a formula: OWASP, "CSV Injection", and CWE-1236. Also the wide forms
 * (U+FF1D, U+FF0B, U+FF0D, U+FF20), and each behind blanks, which some programs strip. */
static bool is_like_formula(const char *text)
{
    static const char *const wide[] = {"\xEF\xBC\x9D", "\xEF\xBC\x8B", "\xEF\xBC\x8D", "\xEF\xBC\xA0"};

    while (*text != '\0' && ((unsigned char)*text <= ' ' || *text == 0x7F))
        text++;
    for (size_t i = 0; i < sizeof wide / sizeof wide[0]; i++)
        if (strncmp(text, wide[i], strlen(wide[i])) == 0)
            return true;
    return *text != '\0' && strchr("=+-@", *text) != NULL;
}

void csv_text(FILE *to, const char *text)
{
    bool is_quoted = false;
    bool is_defused = false;

    if (text == NULL) {
        (void)fputs("NA", to);
        return;
    }
    is_defused = is_like_formula(text);
    is_quoted = is_defused || strpbrk(text, ",;'\"") != NULL || *text == '\0' || strcmp(text, "NA") == 0;
    if (is_quoted)
        (void)fputc('"', to);
    if (is_defused)
        (void)fputc('\'', to);
    while (*text != '\0') {
        if (*text == '"')
            (void)fputc('"', to);
        text += text_write_character(to, text, ' ');
    }
    if (is_quoted)
        (void)fputc('"', to);
}
