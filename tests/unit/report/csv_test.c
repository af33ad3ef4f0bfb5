#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "report/csv.h"
#include "report/motion_csv.h"
#include "report/series_csv.h"
#include "report/spectrogram_csv.h"
#include "report/waves_csv.h"
#include "transfer_fixture.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static size_t count(const char *text, char byte)
{
    size_t n = 0;

    for (; *text != '\0'; text++)
        n += *text == byte;
    return n;
}

static char *text_of_number(double number, int decimals)
{
    char *text = NULL;
    size_t n = 0;
    FILE *to = open_memstream(&text, &n);

    assert_non_null(to);
    csv_number(to, number, decimals);
    assert_int_equal(fclose(to), 0);
    return text;
}

static void assert_number(double number, int decimals, const char *expected)
{
    char *text = text_of_number(number, decimals);

    assert_string_equal(text, expected);
    free(text);
}

static void a_missing_number_is_na_and_zero_has_no_sign(void **state)
{
    (void)state;
    assert_number((double)NAN, 2, "NA");
    assert_number((double)INFINITY, 2, "NA");
    assert_number(-0.00001, 2, "0.00");
    assert_number(-0.006, 2, "-0.01");
    assert_number(1.005e6, 1, "1005000.0");
}

static void a_series_has_a_row_for_each_analysed_frame(void **state)
{
    struct transfer *transfer = transfer_fixture_two_loops();
    char *text = transfer_fixture_text(series_csv_write, transfer);

    (void)state;
    assert_int_equal(count(text, '\n'), 1 + 3 + 3);
    assert_int_equal(strncmp(text, "loop,file,frame,time_s,", 23), 0);
    assert_non_null(strstr(text, "\n1,later.dcm,2,0.1667,330.500,245.250,"));
    free(text);
    transfer_fixture_free(&transfer);
}

static void a_series_says_na_for_what_is_not_known(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    char *text = transfer_fixture_text(series_csv_write, transfer);

    (void)state;
    assert_non_null(
        strstr(text, ",0,0.0000,NA,NA,412.250,233.500,NA,NA,NA,NA,NA,NA,0.000,0.500,NA,0.900,TRUE\n"));
    assert_non_null(strstr(text, ",0.900,FALSE\n"));
    free(text);
    transfer_fixture_free(&transfer);
}

/* Quoting as in RFC 4180, section 2. */
static void a_name_with_commas_and_quotes_stays_one_field(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    char *text = transfer_fixture_text(series_csv_write, transfer);

    (void)state;
    assert_non_null(strstr(text, "\n0,\"transfer, \"\"left\"\".mp4\",0,"));
    free(text);
    transfer_fixture_free(&transfer);
}

static void assert_text(const char *given, const char *expected)
{
    char *text = NULL;
    size_t n = 0;
    FILE *to = open_memstream(&text, &n);

    assert_non_null(to);
    csv_text(to, given);
    assert_int_equal(fclose(to), 0);
    assert_string_equal(text, expected);
    free(text);
}

/* The characters: OWASP, "CSV Injection"; CWE-1236. */
static void a_name_is_no_formula_to_a_spreadsheet(void **state)
{
    (void)state;
    assert_text("=cmd.mp4", "\"'=cmd.mp4\"");
    assert_text("+1.mp4", "\"'+1.mp4\"");
    assert_text("-1.mp4", "\"'-1.mp4\"");
    assert_text("@sum.mp4", "\"'@sum.mp4\"");
    assert_text("\t=cmd.mp4", "\"' =cmd.mp4\"");
    assert_text("\r\n=\"cmd\".mp4", "\"'  =\"\"cmd\"\".mp4\"");
    assert_text("\uFF1Dcmd.mp4", "\"'\uFF1Dcmd.mp4\"");
    assert_text("a;=cmd.mp4", "\"a;=cmd.mp4\"");
    assert_text("a=b-c+d@e.mp4", "a=b-c+d@e.mp4");
    assert_text("loop.mp4", "loop.mp4");
}

/* RFC 3629; "\xE4" is how ISO 8859-1 writes a letter, and U+009B steers a terminal. */
static void a_name_that_is_no_utf8_becomes_utf8(void **state)
{
    (void)state;
    assert_text("B\xE4r.mp4", "B\uFFFDr.mp4");
    assert_text("\xC3\xA4\xC3", "\u00E4\uFFFD");
    assert_text("\xC0\xAF\xED\xA0\x80", "\uFFFD\uFFFD\uFFFD\uFFFD\uFFFD");
    assert_text("a\xC2\x9B"
                "31m.mp4",
                "a 31m.mp4");
}

static void a_negative_number_stays_a_number(void **state)
{
    struct transfer *transfer = transfer_fixture_measured();
    char *text = NULL;

    (void)state;
    free(transfer->loops[0].file);
    transfer->loops[0].file = text_copy("=cmd.mp4");
    transfer->loops[0].series[0].rigid_x_px = quantity_of(-1.5);
    text = transfer_fixture_text(series_csv_write, transfer);
    assert_non_null(strstr(text, "\n0,\"'=cmd.mp4\",0,0.0000,"));
    assert_non_null(strstr(text, ",-1.500,"));
    free(text);
    transfer_fixture_free(&transfer);
}

static void motion_is_long_and_tidy(void **state)
{
    struct transfer *transfer = transfer_fixture_two_loops();
    char *text = transfer_fixture_text(motion_csv_write, transfer);

    (void)state;
    assert_int_equal(count(text, '\n'), 1 + 2 * 3 * 2);
    assert_int_equal(
        strncmp(text, "loop,file,time_s,position_mm,position_px,change_mm,change_px,trust\n", 67), 0);
    assert_non_null(strstr(text, "\n1,later.dcm,0.5000,0.00000,0.0000,0.20000,2.0000,1.000\n"));
    assert_non_null(strstr(text, "\n1,later.dcm,0.5000,2.00000,20.0000,NA,NA,0.000\n"));
    free(text);
    transfer_fixture_free(&transfer);
}

static void motion_without_a_scale_has_no_millimetres(void **state)
{
    struct transfer *transfer = transfer_fixture_without_scale();
    char *text = transfer_fixture_text(motion_csv_write, transfer);

    (void)state;
    assert_non_null(strstr(text, ",0.0000,NA,20.0000,NA,1.0000,1.000\n"));
    free(text);
    transfer_fixture_free(&transfer);
}

static void waves_are_listed_a_row_each_and_those_cut_off_say_so(void **state)
{
    struct transfer *transfer = transfer_fixture_two_loops();
    char *text = transfer_fixture_text(waves_csv_write, transfer);

    (void)state;
    assert_int_equal(count(text, '\n'), 1 + 2 * 2);
    assert_non_null(strstr(text, "\n1,later.dcm,1,NA,9.25,24.50,FALSE,cervix-to-fundus,NA,NA,0.387,3.87\n"));
    assert_non_null(
        strstr(text, "\n1,later.dcm,2,11.25,27.50,43.00,TRUE,cervix-to-fundus,1.300,13.00,0.450,4.50\n"));
    free(text);
    transfer_fixture_free(&transfer);
}

static void a_spectrogram_has_a_row_for_each_window_and_frequency(void **state)
{
    struct transfer *transfer = transfer_fixture_two_loops();
    char *text = transfer_fixture_text(spectrogram_csv_write, transfer);

    (void)state;
    assert_int_equal(count(text, '\n'), 1 + 2 * 2 * 31);
    assert_non_null(strstr(text, "\n1,later.dcm,10.50,70.50,1.00,0.0425000,4.25000\n"));
    assert_non_null(strstr(text, "\n1,later.dcm,10.50,70.50,8.00,0.0000000,0.00000\n"));
    free(text);
    transfer_fixture_free(&transfer);
    transfer = transfer_fixture_without_scale();
    text = transfer_fixture_text(spectrogram_csv_write, transfer);
    assert_non_null(strstr(text, ",10.50,70.50,1.00,NA,4.25000\n"));
    free(text);
    transfer_fixture_free(&transfer);
}

static void a_loop_without_motion_gives_the_header_alone(void **state)
{
    struct transfer *transfer = transfer_fixture_nothing();
    char *series = transfer_fixture_text(series_csv_write, transfer);
    char *motion = transfer_fixture_text(motion_csv_write, transfer);
    char *waves = transfer_fixture_text(waves_csv_write, transfer);
    char *spectrogram = transfer_fixture_text(spectrogram_csv_write, transfer);

    (void)state;
    assert_int_equal(count(spectrogram, '\n'), 1);
    free(spectrogram);
    assert_int_equal(count(series, '\n'), 1);
    assert_int_equal(count(motion, '\n'), 1);
    assert_int_equal(count(waves, '\n'), 1);
    free(waves);
    free(series);
    free(motion);
    transfer_fixture_free(&transfer);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_missing_number_is_na_and_zero_has_no_sign),
        cmocka_unit_test(a_series_has_a_row_for_each_analysed_frame),
        cmocka_unit_test(a_series_says_na_for_what_is_not_known),
        cmocka_unit_test(a_name_with_commas_and_quotes_stays_one_field),
        cmocka_unit_test(a_name_is_no_formula_to_a_spreadsheet),
        cmocka_unit_test(a_name_that_is_no_utf8_becomes_utf8),
        cmocka_unit_test(a_negative_number_stays_a_number),
        cmocka_unit_test(motion_is_long_and_tidy),
        cmocka_unit_test(waves_are_listed_a_row_each_and_those_cut_off_say_so),
        cmocka_unit_test(a_spectrogram_has_a_row_for_each_window_and_frequency),
        cmocka_unit_test(motion_without_a_scale_has_no_millimetres),
        cmocka_unit_test(a_loop_without_motion_gives_the_header_alone),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
