#include "dicom/clock.h"

#include "folder_fixture.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* What a file of these attributes says of its frames' times. The files are made by DCMTK's dump2dcm. */
struct said {
    struct clock clock;
    struct text_list problems;
};

static void read_cut_clock(struct said *said, const char *attributes, size_t n_frames, long n_declared)
{
    char *folder = folder_fixture_make();
    char command[512];
    char path[256];
    struct dataset *dataset = NULL;
    struct error *err = NULL;

    *said = (struct said){0};
    folder_fixture_put(folder, "dump", attributes);
    (void)snprintf(path, sizeof path, "%s/dump.dcm", folder);
    (void)snprintf(command, sizeof command, "dump2dcm -q %s/dump %s", folder, path);
    assert_int_equal(system(command), 0);
    assert_true(dataset_open(&dataset, path, &err));
    assert_true(clock_read(&said->clock, dataset, n_frames, n_declared, &said->problems, &err));
    dataset_close(&dataset);
    folder_fixture_remove(&folder);
}

static void read_clock(struct said *said, const char *attributes, size_t n_frames)
{
    read_cut_clock(said, attributes, n_frames, (long)n_frames);
}

static bool tells(const struct said *said, const char *words)
{
    for (size_t i = 0; i < said->problems.n; i++) {
        if (strstr(said->problems.items[i], words) != NULL)
            return true;
    }
    return false;
}

static void forget(struct said *said)
{
    clock_free(&said->clock);
    text_list_free(&said->problems);
}

static void assert_time(const struct said *said, size_t index, double time_s)
{
    assert_true(said->clock.is_known);
    assert_true(fabs(clock_time_s(&said->clock, index) - time_s) < 1e-9);
}

/* PS3.3, C.7.6.5.1.2: the first increment is 0, frame i stands at the sum up to i */
static void a_frame_time_vector_is_summed(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0018,1065) DS 0\\40\\60\\50\n(0028,0009) AT (0018,1065)\n", 4);
    assert_time(&said, 0, 0.0);
    assert_time(&said, 1, 0.040);
    assert_time(&said, 2, 0.100);
    assert_time(&said, 3, 0.150);
    assert_int_equal(said.problems.n, 0);
    forget(&said);
}

static void the_pointer_decides_between_vector_and_frame_time(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0018,1063) DS 33\n(0018,1065) DS 0\\40\\60\n(0028,0009) AT (0018,1063)\n", 3);
    assert_time(&said, 2, 0.066);
    forget(&said);
    read_clock(&said, "(0018,1063) DS 33\n(0018,1065) DS 0\\40\\60\n(0028,0009) AT (0018,1065)\n", 3);
    assert_time(&said, 2, 0.100);
    forget(&said);
}

static void without_a_pointer_whichever_is_there_is_used(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0018,1063) DS 33\n", 3);
    assert_time(&said, 2, 0.066);
    forget(&said);
    read_clock(&said, "(0018,1065) DS 0\\40\\60\n", 3);
    assert_time(&said, 2, 0.100);
    forget(&said);
}

static void a_vector_that_cannot_be_is_not_used(void **state)
{
    static const struct {
        const char *attributes;
        const char *words;
    } rows[] = {
        {"(0018,1065) DS 0\\40\n", "2 values for 3 frames"},
        {"(0018,1065) DS 0\\40\\-5\n", "step of -5 ms"},
        {"(0018,1065) DS 0\\0.04\\0.04\n", "not believable"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct said said;

        read_clock(&said, rows[i].attributes, 3);
        assert_false(said.clock.is_known);
        assert_true(clock_time_s(&said.clock, 2) == 2.0);
        assert_true(tells(&said, rows[i].words));
        forget(&said);
    }
}

static void a_frame_time_in_seconds_is_suspected(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0018,1063) DS 0.04\n", 3);
    assert_false(said.clock.is_known);
    assert_true(tells(&said, "it may be in seconds"));
    forget(&said);
}

static void display_rates_stand_in_with_a_warning(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0008,2144) IS 25\n", 3);
    assert_time(&said, 2, 0.080);
    assert_true(tells(&said, "Recommended Display Frame Rate (25/s), which is meant for display"));
    forget(&said);
    read_clock(&said, "(0008,2144) IS 25\n(0018,0040) IS 50\n", 3);
    assert_time(&said, 2, 0.040);
    forget(&said);
}

static void rates_that_disagree_are_told_and_the_frame_times_kept(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0018,0040) IS 30\n(0018,1063) DS 16.667\n", 10);
    assert_time(&said, 9, 0.150003);
    assert_true(tells(&said, "Cine Rate is 30/s"));
    forget(&said);
    read_clock(&said, "(0018,0040) IS 30\n(0018,1063) DS 33.333\n", 10);
    assert_int_equal(said.problems.n, 0);
    forget(&said);
}

static void a_duration_far_from_the_frame_times_leaves_no_clock(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0018,0072) DS 8\n(0018,1063) DS 40\n", 101); /* 4 s */
    assert_false(said.clock.is_known);
    assert_true(tells(&said, "Effective Duration is 8 s"));
    forget(&said);
    read_clock(&said, "(0018,0072) DS 4.04\n(0018,1063) DS 40\n", 101); /* with the last frame's own time */
    assert_true(said.clock.is_known);
    assert_int_equal(said.problems.n, 0);
    assert_true(said.clock.declared_duration_s == 4.04);
    forget(&said);
}

/* Effective Duration was written for all the frames, of which the end was lost. */
static void the_duration_of_a_loop_that_was_cut_off_counts_the_frames_declared(void **state)
{
    struct said said;

    (void)state;
    read_cut_clock(&said, "(0018,0072) DS 4.04\n(0018,1063) DS 40\n", 30, 101);
    assert_time(&said, 29, 1.16);
    assert_int_equal(said.problems.n, 0);
    forget(&said);
    read_cut_clock(&said, "(0018,0072) DS 1.2\n(0018,1063) DS 40\n", 30, 101); /* or only what is there */
    assert_time(&said, 29, 1.16);
    assert_int_equal(said.problems.n, 0);
    forget(&said);
    read_cut_clock(&said, "(0018,0072) DS 8\n(0018,1063) DS 40\n", 30, 101); /* agrees with neither */
    assert_false(said.clock.is_known);
    assert_true(tells(&said, "Effective Duration is 8 s, the frame times span 4 s"));
    forget(&said);
}

static void r_waves_against_the_heart_rate_unmask_a_wrong_clock(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0018,1063) DS 40\n(0018,1088) IS 140\n(0018,6060) FL 0\\857\\1714\n",
               50); /* 70 per min */
    assert_true(tells(&said, "Heart Rate is 140 per min, the R waves give 70.01"));
    forget(&said);
    read_clock(&said, "(0018,1063) DS 40\n(0018,1088) IS 72\n(0018,6060) FL 0\\857\\1714\n", 50);
    assert_int_equal(said.problems.n, 0);
    forget(&said);
}

/* Seconds of date -u -d "2024-02-29 13:45:59" +%s */
static void the_start_is_the_acquisition_then_the_content_time(void **state)
{
    struct said said;

    (void)state;
    read_clock(&said, "(0008,002a) DT 20240229134559.25+0100\n(0008,0023) DA 20200101\n(0008,0033) TM 10\n",
               1);
    assert_true(said.clock.has_start);
    assert_true(fabs(said.clock.start_s - 1709214359.25) < 1e-6);
    forget(&said);
    read_clock(&said, "(0008,0022) DA 20240229\n(0008,0032) TM 134559\n(0018,1066) DS 500\n",
               1); /* Frame Delay */
    assert_true(fabs(said.clock.start_s - 1709214359.5) < 1e-6);
    forget(&said);
    read_clock(&said, "(0008,0023) DA 2024.02.29\n(0008,0033) TM 13:45:59\n", 1);
    assert_true(fabs(said.clock.start_s - 1709214359.0) < 1e-6);
    forget(&said);
    read_clock(&said, "(0008,0020) DA 20240229\n(0008,0030) TM 134559\n",
               1); /* the study's: shared by its loops */
    assert_false(said.clock.has_start);
    forget(&said);
}

static void dates_and_times_that_are_none_are_refused(void **state)
{
    static const char *const dates[] = {"", "2024", "20241301", "20240132", "2024-2-1", "abcdefgh"};
    static const char *const times[] = {"", "25", "1260", "12005x", "125962"};
    double seconds = 5.0;

    (void)state;
    for (size_t i = 0; i < sizeof dates / sizeof dates[0]; i++)
        assert_false(clock_parse(dates[i], "12", &seconds));
    for (size_t i = 0; i < sizeof times / sizeof times[0]; i++)
        assert_false(clock_parse("20240101", times[i], &seconds));
    assert_true(seconds == 5.0);
    assert_true(clock_parse("19700102", "0000", &seconds));
    assert_true(seconds == 86400.0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_frame_time_vector_is_summed),
        cmocka_unit_test(the_pointer_decides_between_vector_and_frame_time),
        cmocka_unit_test(without_a_pointer_whichever_is_there_is_used),
        cmocka_unit_test(a_vector_that_cannot_be_is_not_used),
        cmocka_unit_test(a_frame_time_in_seconds_is_suspected),
        cmocka_unit_test(display_rates_stand_in_with_a_warning),
        cmocka_unit_test(rates_that_disagree_are_told_and_the_frame_times_kept),
        cmocka_unit_test(a_duration_far_from_the_frame_times_leaves_no_clock),
        cmocka_unit_test(the_duration_of_a_loop_that_was_cut_off_counts_the_frames_declared),
        cmocka_unit_test(r_waves_against_the_heart_rate_unmask_a_wrong_clock),
        cmocka_unit_test(the_start_is_the_acquisition_then_the_content_time),
        cmocka_unit_test(dates_and_times_that_are_none_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
