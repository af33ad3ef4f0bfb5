/* The committed loops: small, whole, and read by the program's own reader as their truth says. */
#include "media/loop.h"

#include <dirent.h>
#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include <cmocka.h>

static const long MOST_BYTES = 20L * 1000 * 1000; /* all together: what the project allows */

static const char *const loops[] = {"toward-fundus.mp4",       "triple-line-retroverted.avi",
                                    "quiet-walking-probe.mp4", "no-bubbles.mp4",
                                    "native-scale.dcm",        "toward-cervix.mp4"};

enum { N_LOOPS = sizeof loops / sizeof loops[0] };

static json_t *truth_of(const char *name)
{
    char path[256];
    json_t *truth = NULL;

    (void)snprintf(path, sizeof path, "testvideos/%.*s.truth.json", (int)(strrchr(name, '.') - name), name);
    truth = json_load_file(path, 0, NULL);
    if (truth == NULL)
        fail_msg("%s cannot be read", path);
    return truth;
}

static void the_committed_loops_stay_small(void **state)
{
    DIR *folder = opendir("testvideos");
    struct dirent *entry = NULL;
    long sum = 0;

    (void)state;
    assert_non_null(folder);
    while ((entry = readdir(folder)) != NULL) {
        char path[512];
        struct stat status;

        (void)snprintf(path, sizeof path, "testvideos/%s", entry->d_name);
        if (stat(path, &status) == 0 && S_ISREG(status.st_mode))
            sum += (long)status.st_size;
    }
    (void)closedir(folder);
    assert_in_range(sum, 1, MOST_BYTES);
}

static void each_loop_lasts_long_enough_to_judge_contractions(void **state)
{
    (void)state;
    for (int i = 0; i < N_LOOPS; i++) {
        json_t *truth = truth_of(loops[i]);

        assert_true(json_number_value(json_object_get(truth, "duration_s")) >= 60.0);
        json_decref(truth);
    }
}

/* Frames and their times are those of the truth: within a tick of the container's clock. */
static void the_reader_finds_the_frames_and_times_of_the_truth(void **state)
{
    (void)state;
    for (int i = 0; i < N_LOOPS; i++) {
        json_t *truth = truth_of(loops[i]);
        const json_t *times = json_object_get(truth, "time_s");
        struct error *err = NULL;
        struct loop *loop = NULL;
        enum loop_next next;
        size_t n = 0;
        char path[256];

        (void)snprintf(path, sizeof path, "testvideos/%s", loops[i]);
        if (!loop_open(&loop, path, &err))
            fail_msg("%s", error_message(err));
        for (;;) {
            struct frame *frame = NULL;

            next = loop_read(loop, 0.0, false, &frame, &err);
            if (next != LOOP_FRAME)
                break;
            assert_int_equal(frame->width_px, json_integer_value(json_object_get(truth, "width_px")));
            if (fabs(frame->time_s - json_number_value(json_array_get(times, n))) > 0.0011)
                fail_msg("%s: frame %zu is at %.6f s", path, n, frame->time_s);
            n++;
            frame_free(&frame);
        }
        assert_int_equal(next, LOOP_END);
        assert_int_equal(n, json_integer_value(json_object_get(truth, "frames")));
        loop_close(&loop);
        json_decref(truth);
    }
}

static void the_dicom_loop_declares_the_scale_of_its_truth(void **state)
{
    json_t *truth = truth_of("native-scale.dcm");
    struct error *err = NULL;
    struct loop *loop = NULL;
    const struct loop_facts *facts;

    (void)state;
    if (!loop_open(&loop, "testvideos/native-scale.dcm", &err))
        fail_msg("%s", error_message(err));
    facts = loop_facts(loop);
    assert_int_equal(facts->n_regions, 1);
    assert_int_equal(facts->regions[0].units_x, 3);
    assert_true(fabs(10.0 * facts->regions[0].delta_x -
                     json_number_value(json_object_get(truth, "scale_mm_per_px"))) < 1e-6);
    loop_close(&loop);
    json_decref(truth);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_committed_loops_stay_small),
        cmocka_unit_test(each_loop_lasts_long_enough_to_judge_contractions),
        cmocka_unit_test(the_reader_finds_the_frames_and_times_of_the_truth),
        cmocka_unit_test(the_dicom_loop_declares_the_scale_of_its_truth),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
