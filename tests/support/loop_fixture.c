#include "loop_fixture.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void grow(struct loop_fixture *fixture)
{
    size_t n = fixture->n + 1;

    fixture->times_s = realloc(fixture->times_s, n * sizeof *fixture->times_s);
    fixture->indexes = realloc(fixture->indexes, n * sizeof *fixture->indexes);
    fixture->luma = realloc(fixture->luma, n * fixture->frame_bytes);
    assert_non_null(fixture->times_s);
    assert_non_null(fixture->indexes);
    assert_non_null(fixture->luma);
}

static void take(struct loop_fixture *fixture, const struct frame *frame)
{
    assert_int_equal((size_t)frame->width_px * (size_t)frame->height_px, fixture->frame_bytes);
    grow(fixture);
    fixture->times_s[fixture->n] = frame->time_s;
    fixture->indexes[fixture->n] = frame->index;
    memcpy(fixture->luma + fixture->n * fixture->frame_bytes, frame->luma, fixture->frame_bytes);
    fixture->n++;
}

static void compare(const struct loop_fixture *fixture, size_t i, const struct frame *frame)
{
    assert_true(i < fixture->n);
    assert_true(frame->time_s == fixture->times_s[i]);
    assert_int_equal(frame->index, fixture->indexes[i]);
    assert_memory_equal(frame->luma, fixture->luma + i * fixture->frame_bytes, fixture->frame_bytes);
}

static void read_once(struct loop_fixture *fixture, bool is_again)
{
    size_t n = 0;

    for (;;) {
        struct frame *frame = NULL;
        enum loop_next next = loop_read(fixture->loop, 0.0, is_again, &frame, &fixture->err);

        if (next == LOOP_FAILED)
            fail_msg("%s", error_message(fixture->err));
        if (next == LOOP_END)
            break;
        if (is_again)
            compare(fixture, n, frame);
        else
            take(fixture, frame);
        n++;
        frame_free(&frame);
    }
    assert_int_equal(n, fixture->n);
}

bool loop_fixture_read(struct loop_fixture *fixture, const char *path)
{
    const struct loop_facts *facts = NULL;
    size_t n_problems = 0;

    *fixture = (struct loop_fixture){0};
    if (!loop_open(&fixture->loop, path, &fixture->err))
        return false;
    facts = loop_facts(fixture->loop);
    fixture->frame_bytes = (size_t)facts->width_px * (size_t)facts->height_px;
    read_once(fixture, false);
    n_problems = facts->problems.n;
    assert_true(loop_rewind(fixture->loop, &fixture->err));
    read_once(fixture, true);
    assert_int_equal(facts->problems.n, n_problems);
    assert_true(loop_rewind(fixture->loop, &fixture->err));
    for (size_t i = 1; i < fixture->n; i++)
        assert_true(fixture->times_s[i] > fixture->times_s[i - 1]);
    return true;
}

bool loop_fixture_tells(const struct loop_fixture *fixture, const char *words)
{
    const struct text_list *problems = &loop_facts(fixture->loop)->problems;

    for (size_t i = 0; i < problems->n; i++) {
        if (strstr(problems->items[i], words) != NULL)
            return true;
    }
    return false;
}

void loop_fixture_refused(const char *path, const char *words)
{
    struct loop_fixture fixture = {0};

    if (loop_fixture_read(&fixture, path))
        fail_msg("%s was opened", path);
    if (strstr(error_message(fixture.err), words) == NULL)
        fail_msg("\"%s\" does not say \"%s\"", error_message(fixture.err), words);
    assert_int_equal(error_code(fixture.err), ERROR_INPUT);
    loop_fixture_free(&fixture);
}

void loop_fixture_free(struct loop_fixture *fixture)
{
    loop_close(&fixture->loop);
    error_free(&fixture->err);
    free(fixture->times_s);
    free(fixture->indexes);
    free(fixture->luma);
    *fixture = (struct loop_fixture){0};
}

void loop_fixture_run(const char *format, ...)
{
    char command[8192];
    va_list list;

    va_start(list, format);
    (void)vsnprintf(command, sizeof command, format, list);
    va_end(list);
    if (system(command) != 0)
        fail_msg("%s failed", command);
}

size_t loop_fixture_numbers(double *values, size_t most, const char *format, ...)
{
    char command[8192];
    va_list list;
    size_t n = 0;
    FILE *pipe = NULL;

    va_start(list, format);
    (void)vsnprintf(command, sizeof command, format, list);
    va_end(list);
    pipe = popen(command, "r");
    assert_non_null(pipe);
    while (n < most && fscanf(pipe, "%lf%*[, \n]", &values[n]) == 1)
        n++;
    if (pclose(pipe) != 0)
        fail_msg("%s failed", command);
    return n;
}
