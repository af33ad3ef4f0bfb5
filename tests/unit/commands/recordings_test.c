#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "commands/recordings.h"
#include "folder_fixture.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* The names of what the folder stands for, joined by blanks. */
static void assert_stands_for(const char *expected)
{
    struct recordings recordings = {0};
    struct error *err = NULL;
    char joined[1024] = "";
    size_t n = 0;

    assert_true(recordings_expand(&recordings, &folder_fixture, 1, &err));
    for (size_t i = 0; i < recordings.paths.n; i++)
        n += (size_t)snprintf(joined + n, sizeof joined - n, "%s%s", i == 0 ? "" : " ",
                              recordings.paths.items[i] + strlen(folder_fixture) + 1);
    assert_string_equal(joined, expected);
    recordings_free(&recordings);
}

static void put_all(const char *names)
{
    char copy[512];
    char *rest = NULL;

    (void)snprintf(copy, sizeof copy, "%s", names);
    for (char *name = strtok_r(copy, " ", &rest); name != NULL; name = strtok_r(NULL, " ", &rest))
        folder_fixture_put(folder_fixture, name, "x");
}

static void a_folder_stands_for_its_recordings_in_order(void **state)
{
    (void)state;
    put_all("b.mp4 a.DCM c.Avi notes.txt a.truth.json .hidden.mp4 frame.png");
    assert_stands_for("a.DCM b.mp4 c.Avi");
}

static void a_folder_within_is_not_looked_into(void **state)
{
    char path[512];

    (void)state;
    put_all("a.mp4");
    (void)snprintf(path, sizeof path, "%s/sub.mp4", folder_fixture);
    assert_int_equal(mkdir(path, 0777), 0);
    assert_stands_for("a.mp4");
}

/* DICOM PS3.10, 7.1: a preamble of 128 bytes, then "DICM". */
static void a_dicom_file_is_known_without_an_ending(void **state)
{
    char content[140];

    (void)state;
    memset(content, 'x', sizeof content);
    memcpy(content + 128, "DICM", 4);
    content[139] = '\0';
    folder_fixture_put(folder_fixture, "IM0001", content);
    folder_fixture_put(folder_fixture, "1.2.840.10008.1", content);
    folder_fixture_put(folder_fixture, "README", "no");
    assert_stands_for("1.2.840.10008.1 IM0001");
}

/* An empty data set of the class Media Storage Directory (PS3.4, annex B and I.4), explicit little endian: as
 * small as a DICOMDIR may be; pydicom reads the same bytes as a file without pixel data (tests/cases). */
static void put_directory(const char *name)
{
    static const char mark[] = "DICM\2\0\0\0UL\4\0";
    static const char media_type[] = "\4\0\60\21CS\2\0A ";
    static const char meta[] = "\2\0\2\0UI\24\0"
                               "1.2.840.10008.1.3.10"
                               "\2\0\20\0UI\24\0"
                               "1.2.840.10008.1.2.1\0";
    char content[512] = "";
    char path[512];
    size_t n = 128;
    FILE *file = NULL;

    memcpy(content + n, mark, sizeof mark);
    content[n + 12] = (char)(sizeof meta - 1);
    n += 16;
    memcpy(content + n, meta, sizeof meta - 1);
    n += sizeof meta - 1;
    memcpy(content + n, media_type, sizeof media_type - 1);
    n += sizeof media_type - 1;
    (void)snprintf(path, sizeof path, "%s/%s", folder_fixture, name);
    file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(content, 1, n, file), n);
    assert_int_equal(fclose(file), 0);
}

static void a_directory_among_loops_is_passed_over_and_named(void **state)
{
    struct recordings recordings = {0};
    struct error *err = NULL;
    char *sentence = NULL;

    (void)state;
    put_directory("DICOMDIR");
    put_directory("report.dcm");
    put_all("a.mp4");
    assert_true(recordings_expand(&recordings, &folder_fixture, 1, &err));
    assert_int_equal(recordings.paths.n, 1);
    sentence = recordings_passed_over(&recordings);
    assert_string_equal(sentence,
                        "2 files of the folder hold no loop and were passed over: DICOMDIR, report.dcm");
    free(sentence);
    recordings_free(&recordings);
}

static void a_directory_that_is_named_itself_is_not_passed_over(void **state)
{
    struct recordings recordings = {0};
    struct error *err = NULL;
    char path[512];
    char *operand = path;

    (void)state;
    put_directory("DICOMDIR");
    (void)snprintf(path, sizeof path, "%s/DICOMDIR", folder_fixture);
    assert_true(recordings_expand(&recordings, &operand, 1, &err));
    assert_int_equal(recordings.paths.n, 1);
    assert_int_equal(recordings.passed_over.n, 0);
    recordings_free(&recordings);
}

static void a_folder_of_directories_alone_is_refused(void **state)
{
    struct recordings recordings = {0};
    struct error *err = NULL;

    (void)state;
    put_directory("DICOMDIR");
    assert_false(recordings_expand(&recordings, &folder_fixture, 1, &err));
    assert_int_equal(error_code(err), ERROR_INPUT);
    assert_non_null(strstr(error_message(err), "only DICOM files without pictures (1)"));
    error_free(&err);
    recordings_free(&recordings);
}

static void numbered_pictures_are_one_recording(void **state)
{
    (void)state;
    put_all("scan-0001.png scan-0002.png scan-0003.png other.png");
    assert_stands_for("other.png scan-%04d.png");
}

static void numbers_of_another_length_are_another_recording(void **state)
{
    (void)state;
    put_all("a01.png a02.png a001.png b%1.png b%2.png");
    assert_stands_for("a001.png a%02d.png b%1.png b%2.png");
}

static void numbers_without_zeros_before_them_count_on_past_nine(void **state)
{
    (void)state;
    put_all("f0.png f1.png f9.png f10.png f11.png g01.png g02.png g001.png g002.png");
    assert_stands_for("f%d.png g%03d.png g%02d.png");
}

/* The first of a sequence tells what counts on from it: "10" counts on from "01" and is then not the "%d"
 * one's. */
static void a_number_belongs_to_the_sequence_that_begins_first(void **state)
{
    (void)state;
    put_all("f01.png f02.png f10.png f100.png f9.png");
    assert_stands_for("f%02d.png f%d.png");
}

static void sequences_stand_in_the_order_of_their_first_pictures(void **state)
{
    (void)state;
    put_all("b-1.png b-1.jpg a9.png b-2.png a10.png b-2.jpg 7.png 8.png c.png");
    assert_stands_for("%01d.png a%d.png b-%01d.jpg b-%01d.png c.png");
}

/* A scanner's export of single pictures: as many as a loop of minutes has, and more that are alone. */
static void thousands_of_pictures_are_few_recordings(void **state)
{
    enum { PICTURES = 6000 };
    struct recordings recordings = {0};
    struct error *err = NULL;
    size_t n_patterns = 0;

    (void)state;
    for (int i = 0; i < PICTURES; i++) {
        char name[64];

        (void)snprintf(name, sizeof name, i % 2 == 0 ? "left-%05d.png" : "right %d of 6000.png", i);
        folder_fixture_put(folder_fixture, name, "");
        (void)snprintf(name, sizeof name, "alone-%05d-.png", i);
        folder_fixture_put(folder_fixture, name, "");
    }
    assert_true(recordings_expand(&recordings, &folder_fixture, 1, &err));
    for (size_t i = 0; i < recordings.paths.n; i++)
        n_patterns += strchr(recordings.paths.items[i], '%') != NULL;
    assert_int_equal(n_patterns, 1);
    assert_int_equal(recordings.paths.n, 1 + PICTURES / 2 + PICTURES);
    recordings_free(&recordings);
}

/* Names are all the order there is where loops carry no clock. */
static void loop_ten_comes_after_loop_nine(void **state)
{
    (void)state;
    put_all("loop10.mp4 loop9.mp4 loop1.mp4 loop.mp4 loop09.mp4 b2.mp4");
    assert_stands_for("b2.mp4 loop.mp4 loop1.mp4 loop09.mp4 loop9.mp4 loop10.mp4");
}

static void a_folder_without_recordings_is_refused(void **state)
{
    struct recordings recordings = {0};
    struct error *err = NULL;

    (void)state;
    put_all("notes.txt");
    assert_false(recordings_expand(&recordings, &folder_fixture, 1, &err));
    assert_int_equal(error_code(err), ERROR_INPUT);
    assert_non_null(strstr(error_message(err), "no recording in this folder"));
    error_free(&err);
    recordings_free(&recordings);
}

static void what_is_named_twice_counts_once(void **state)
{
    char path[512];
    char *operands[3] = {folder_fixture, path, "missing.mp4"};
    struct recordings recordings = {0};
    struct error *err = NULL;

    (void)state;
    put_all("a.mp4 b.mp4");
    operands[0] = folder_fixture;
    (void)snprintf(path, sizeof path, "%s/a.mp4", folder_fixture);
    assert_true(recordings_expand(&recordings, operands, 3, &err));
    assert_int_equal(recordings.paths.n, 3);
    assert_string_equal(recordings.paths.items[2], "missing.mp4");
    recordings_free(&recordings);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_folder_stands_for_its_recordings_in_order, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(loop_ten_comes_after_loop_nine, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_folder_within_is_not_looked_into, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_dicom_file_is_known_without_an_ending, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_directory_among_loops_is_passed_over_and_named,
                                        folder_fixture_set_up, folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_directory_that_is_named_itself_is_not_passed_over,
                                        folder_fixture_set_up, folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_folder_of_directories_alone_is_refused, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(numbered_pictures_are_one_recording, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(numbers_of_another_length_are_another_recording,
                                        folder_fixture_set_up, folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(numbers_without_zeros_before_them_count_on_past_nine,
                                        folder_fixture_set_up, folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_number_belongs_to_the_sequence_that_begins_first,
                                        folder_fixture_set_up, folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(sequences_stand_in_the_order_of_their_first_pictures,
                                        folder_fixture_set_up, folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(thousands_of_pictures_are_few_recordings, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(a_folder_without_recordings_is_refused, folder_fixture_set_up,
                                        folder_fixture_tear_down),
        cmocka_unit_test_setup_teardown(what_is_named_twice_counts_once, folder_fixture_set_up,
                                        folder_fixture_tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
