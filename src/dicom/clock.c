#include "dicom/clock.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SHORTEST_STEP_S 0.001 /* 1000 frames/s: beyond scanners' recordings; common practice, no source */
#define LONGEST_STEP_S 2.0    /* a cine this slow shows no motion; common practice, no source */
#define TELL_RATIO 0.02       /* rates further apart than this are told */
#define REFUSE_RATIO 0.20     /* durations further apart than this leave no clock */

enum { SECONDS_PER_DAY = 86400 };

static const uint32_t FRAME_TIME = DICOM_TAG(0x0018, 0x1063);
static const uint32_t FRAME_TIME_VECTOR = DICOM_TAG(0x0018, 0x1065);
static const uint32_t FRAME_DELAY = DICOM_TAG(0x0018, 0x1066);
static const uint32_t FRAME_INCREMENT_POINTER = DICOM_TAG(0x0028, 0x0009);
static const uint32_t CINE_RATE = DICOM_TAG(0x0018, 0x0040);
static const uint32_t DISPLAY_RATE = DICOM_TAG(0x0008, 0x2144);
static const uint32_t EFFECTIVE_DURATION = DICOM_TAG(0x0018, 0x0072);
static const uint32_t HEART_RATE = DICOM_TAG(0x0018, 0x1088);
static const uint32_t R_WAVE_TIMES = DICOM_TAG(0x0018, 0x6060);

static bool is_step(double step_s)
{
    return step_s >= SHORTEST_STEP_S && step_s <= LONGEST_STEP_S;
}

static double last_s(const struct clock *clock, size_t n_frames)
{
    return clock_time_s(clock, n_frames - 1);
}

/* Frame 1 stands at 0, frame i at the sum of the increments 2..i (PS3.3, C.7.6.5.1.2). */
static bool sum_steps(struct clock *clock, const double *steps_ms, size_t n, struct text_list *problems)
{
    double mean_ms = 0.0;

    clock->n_times = n;
    for (size_t i = 1; i < n; i++) {
        if (!(steps_ms[i] > 0.0) || steps_ms[i] > 3.6e6)
            return text_list_add(problems, "Frame Time Vector has a step of %g ms; it is not used",
                                 steps_ms[i]);
        clock->times_s[i] = clock->times_s[i - 1] + steps_ms[i] / 1e3;
    }
    mean_ms = 1e3 * clock->times_s[n - 1] / (double)(n - 1);
    clock->is_known = is_step(mean_ms / 1e3);
    if (!clock->is_known)
        return text_list_add(problems,
                             "Frame Time Vector has a mean step of %g ms, which is not "
                             "believable; it is not used",
                             mean_ms);
    if (steps_ms[0] != 0.0)
        return text_list_add(problems,
                             "the first value of Frame Time Vector is %g ms where the standard has 0; it is "
                             "not used",
                             steps_ms[0]);
    return true;
}

static bool read_vector(struct clock *clock, const struct dataset *dataset, size_t n_frames,
                        struct text_list *problems, struct error **err)
{
    double *steps_ms = NULL;
    size_t n = 0;
    bool is_told = false;

    if (!dataset_numbers(dataset, FRAME_TIME_VECTOR, &steps_ms, &n) || n < n_frames) {
        free(steps_ms);
        return text_list_add(problems, "Frame Time Vector has %zu values for %zu frames; it is not used", n,
                             n_frames) ||
               error_memory(err);
    }
    clock->times_s = calloc(n, sizeof *clock->times_s);
    is_told = clock->times_s != NULL && sum_steps(clock, steps_ms, n, problems);
    free(steps_ms);
    if (!is_told)
        return error_memory(err);
    if (!clock->is_known) {
        free(clock->times_s);
        clock->times_s = NULL;
        clock->n_times = 0;
    }
    return true;
}

static bool read_step(struct clock *clock, const struct dataset *dataset, struct text_list *problems,
                      struct error **err)
{
    double step_ms = 0.0;

    if (!dataset_number(dataset, FRAME_TIME, 0, &step_ms))
        return true;
    clock->is_known = is_step(step_ms / 1e3);
    clock->step_s = step_ms / 1e3;
    if (clock->is_known)
        return true;
    return text_list_add(problems, "Frame Time is %g ms, which cannot be%s", step_ms,
                         is_step(step_ms) ? " (it may be in seconds)" : "") ||
           error_memory(err);
}

/* A rate that says how to show the loop, not how it was taken. */
static bool read_rate(struct clock *clock, const struct dataset *dataset, uint32_t tag, const char *name,
                      struct text_list *problems, struct error **err)
{
    double rate_hz = 0.0;

    if (clock->is_known || !dataset_number(dataset, tag, 0, &rate_hz) || rate_hz <= 0.0 ||
        !is_step(1.0 / rate_hz))
        return true;
    clock->is_known = true;
    clock->step_s = 1.0 / rate_hz;
    return text_list_add(problems,
                         "the file does not say when its frames were taken; %s (%g/s), which is meant for "
                         "display, is used instead: check it",
                         name, rate_hz) ||
           error_memory(err);
}

static bool read_increments(struct clock *clock, const struct dataset *dataset, size_t n_frames,
                            struct text_list *problems, struct error **err)
{
    size_t n_pointers = dataset_n_values(dataset, FRAME_INCREMENT_POINTER);
    bool wants_vector = false;
    bool is_pointed = false;

    for (size_t i = 0; i < n_pointers && i < 8; i++) {
        uint32_t tag = 0;

        if (dataset_tag(dataset, FRAME_INCREMENT_POINTER, i, &tag)) {
            wants_vector = wants_vector || tag == FRAME_TIME_VECTOR;
            is_pointed = is_pointed || tag == FRAME_TIME || tag == FRAME_TIME_VECTOR;
        }
    }
    if (!is_pointed)
        wants_vector = dataset_n_values(dataset, FRAME_TIME_VECTOR) > 1;
    if (wants_vector && !read_vector(clock, dataset, n_frames, problems, err))
        return false;
    return clock->is_known || read_step(clock, dataset, problems, err);
}

static bool differ(double one, double other, double ratio)
{
    return fabs(one - other) > ratio * fmin(fabs(one), fabs(other));
}

static bool compare_rate(const struct clock *clock, const struct dataset *dataset, uint32_t tag,
                         const char *name, size_t n_frames, struct text_list *problems, struct error **err)
{
    double mean_hz = (double)(n_frames - 1) / last_s(clock, n_frames);
    double rate_hz = 0.0;

    if (!dataset_number(dataset, tag, 0, &rate_hz) || rate_hz <= 0.0 || !differ(rate_hz, mean_hz, TELL_RATIO))
        return true;
    return text_list_add(problems, "%s is %g/s, the frame times give %.4g/s; the frame times are used", name,
                         rate_hz, mean_hz) ||
           error_memory(err);
}

/* Seconds between a duration that is said, with or without the last frame's own time, and a span. */
static double apart_s(double said_s, double span_s, size_t n_frames)
{
    double step_s = span_s / (double)(n_frames - 1);

    return fabs(said_s - (span_s + step_s / 2.0)) - step_s / 2.0;
}

/* Of a file that ends early the duration counts the frames that it was made with. */
static bool compare_duration(struct clock *clock, size_t n_frames, long n_declared,
                             struct text_list *problems, struct error **err)
{
    double said_s = clock->declared_duration_s;
    double span_s = last_s(clock, n_frames);
    double differs_s = apart_s(said_s, span_s, n_frames);

    if (n_declared > 0 && (size_t)n_declared > n_frames) {
        double whole_s = last_s(clock, (size_t)n_declared);
        double whole_differs_s = apart_s(said_s, whole_s, (size_t)n_declared);

        if (whole_differs_s < differs_s) {
            span_s = whole_s;
            differs_s = whole_differs_s;
        }
    }
    if (said_s <= 0.0 || differs_s <= TELL_RATIO * span_s)
        return true;
    if (differs_s > REFUSE_RATIO * fmin(span_s, said_s)) {
        clock->is_known = false;
        return text_list_add(problems,
                             "Effective Duration is %g s, the frame times span %.4g s: one is wrong, so "
                             "neither is used",
                             said_s, span_s) ||
               error_memory(err);
    }
    return text_list_add(problems,
                         "Effective Duration is %g s, the frame times span %.4g s; the frame times are used",
                         said_s, span_s) ||
           error_memory(err);
}

/* R waves carry the patient's own clock; both come from the ECG, so that they disagree only
 * where one of the two time bases is wrong. */
static bool compare_heart(const struct dataset *dataset, struct text_list *problems, struct error **err)
{
    size_t n = dataset_n_values(dataset, R_WAVE_TIMES);
    double first_ms = 0.0;
    double last_ms = 0.0;
    double said_per_min = 0.0;
    double seen_per_min = 0.0;

    if (n < 2 || !dataset_number(dataset, HEART_RATE, 0, &said_per_min) || said_per_min <= 0.0 ||
        !dataset_number(dataset, R_WAVE_TIMES, 0, &first_ms) ||
        !dataset_number(dataset, R_WAVE_TIMES, n - 1, &last_ms) || last_ms <= first_ms)
        return true;
    seen_per_min = 6e4 * (double)(n - 1) / (last_ms - first_ms);
    if (!differ(seen_per_min, said_per_min, REFUSE_RATIO))
        return true;
    return text_list_add(
               problems,
               "Heart Rate is %g per min, the R waves give %.4g per min: the clock of this file may "
               "be wrong",
               said_per_min, seen_per_min) ||
           error_memory(err);
}

/* Days since 1970-01-01 of a date of the Gregorian calendar. */
static long days(long year, long month, long day)
{
    static const int before[] = {0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334};
    long past = year - 1;
    bool is_leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    long n = past * 365 + past / 4 - past / 100 + past / 400 + before[month - 1] + day - 1;

    return n + (is_leap && month > 2 ? 1 : 0) - 719162;
}

/* The digits of a text with its points and colons left out; the fraction stays. */
static bool plain_digits(const char *from, char mark, char *to, size_t n_room)
{
    size_t n = 0;

    for (; *from != '\0'; from++) {
        if (*from == mark)
            continue;
        if (n + 1 >= n_room || (!isdigit((unsigned char)*from) && *from != '.'))
            return false;
        to[n++] = *from;
    }
    to[n] = '\0';
    return n > 0;
}

static bool part(const char *digits, size_t at, size_t n, long low, long high, long *value)
{
    char text[8] = "";

    if (strlen(digits) < at + n)
        return false;
    memcpy(text, digits + at, n);
    return text_to_long(text, low, high, value);
}

bool clock_parse(const char *date, const char *time, double *seconds)
{
    char date_digits[16];
    char time_digits[24];
    long year = 0, month = 0, day = 0, hour = 0, minute = 0;
    double second = 0.0;

    if (!plain_digits(date, '.', date_digits, sizeof date_digits) || strlen(date_digits) != 8 ||
        !part(date_digits, 0, 4, 1900, 9999, &year) || !part(date_digits, 4, 2, 1, 12, &month) ||
        !part(date_digits, 6, 2, 1, 31, &day))
        return false;
    if (!plain_digits(time, ':', time_digits, sizeof time_digits) || !part(time_digits, 0, 2, 0, 23, &hour))
        return false;
    if (strlen(time_digits) > 2 && !part(time_digits, 2, 2, 0, 59, &minute))
        return false;
    if (strlen(time_digits) > 4 &&
        (!text_to_double(time_digits + 4, &second) || second < 0.0 || second >= 61.0))
        return false;
    *seconds = (double)(days(year, month, day) * SECONDS_PER_DAY + hour * 3600 + minute * 60) + second;
    return true;
}

/* Only instants of this very recording: study and series times are shared by all its loops. */
static void read_start(struct clock *clock, const struct dataset *dataset)
{
    static const uint32_t pairs[][2] = {
        {DICOM_TAG(0x0008, 0x0022), DICOM_TAG(0x0008, 0x0032)}, /* Acquisition Date, Time */
        {DICOM_TAG(0x0008, 0x0023), DICOM_TAG(0x0008, 0x0033)}, /* Content Date, Time */
    };
    char date[32];
    char time[32];
    double delay_ms = 0.0;

    if (dataset_text(dataset, DICOM_TAG(0x0008, 0x002a), 0, date, sizeof date) && strlen(date) >= 10) {
        date[strcspn(date, "+-&")] = '\0'; /* the zone: all loops of a machine carry the same */
        (void)snprintf(time, sizeof time, "%s", date + 8);
        date[8] = '\0';
        clock->has_start = clock_parse(date, time, &clock->start_s);
    }
    for (size_t i = 0; i < 2 && !clock->has_start; i++) {
        if (dataset_text(dataset, pairs[i][0], 0, date, sizeof date) &&
            dataset_text(dataset, pairs[i][1], 0, time, sizeof time))
            clock->has_start = clock_parse(date, time, &clock->start_s);
    }
    if (clock->has_start && dataset_number(dataset, FRAME_DELAY, 0, &delay_ms) && fabs(delay_ms) < 3.6e6)
        clock->start_s += delay_ms / 1e3;
}

bool clock_read(struct clock *clock, const struct dataset *dataset, size_t n_frames, long n_declared,
                struct text_list *problems, struct error **err)
{
    *clock = (struct clock){.declared_duration_s = -1.0};
    read_start(clock, dataset);
    (void)dataset_number(dataset, EFFECTIVE_DURATION, 0, &clock->declared_duration_s);
    if (n_frames < 2)
        return true;
    if (!read_increments(clock, dataset, n_frames, problems, err) ||
        !read_rate(clock, dataset, CINE_RATE, "Cine Rate", problems, err) ||
        !read_rate(clock, dataset, DISPLAY_RATE, "Recommended Display Frame Rate", problems, err))
        return false;
    if (!clock->is_known)
        return true;
    return compare_rate(clock, dataset, CINE_RATE, "Cine Rate", n_frames, problems, err) &&
           compare_rate(clock, dataset, DISPLAY_RATE, "Recommended Display Frame Rate", n_frames, problems,
                        err) &&
           compare_duration(clock, n_frames, n_declared, problems, err) &&
           compare_heart(dataset, problems, err);
}

double clock_time_s(const struct clock *clock, size_t index)
{
    if (!clock->is_known)
        return (double)index;
    if (clock->times_s == NULL)
        return (double)index * clock->step_s;
    if (index < clock->n_times)
        return clock->times_s[index];
    if (clock->n_times < 2)
        return (double)index;
    return clock->times_s[clock->n_times - 1] *
           ((double)index / (double)(clock->n_times - 1)); /* more frames than the vector has times */
}

void clock_free(struct clock *clock)
{
    if (clock == NULL)
        return;
    free(clock->times_s);
    *clock = (struct clock){.declared_duration_s = -1.0};
}
