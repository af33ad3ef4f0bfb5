#include "outside.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

bool outside_sample(char *path, size_t size, const char *name)
{
    const char *folder = getenv("AFTERFLASH_SAMPLES");

    (void)snprintf(path, size, "%s/%s", folder == NULL ? "../shared/samples" : folder, name);
    return access(path, R_OK) == 0;
}

size_t outside_numbers(double *values, size_t most, const char *format, ...)
{
    char arguments[1024];
    char command[1200];
    va_list list;
    size_t n = 0;
    FILE *pipe = NULL;

    va_start(list, format);
    (void)vsnprintf(arguments, sizeof arguments, format, list);
    va_end(list);
    (void)snprintf(command, sizeof command, "/usr/bin/python3 tests/outside/general_libraries.py %s",
                   arguments);
    pipe = popen(command, "r");
    assert_non_null(pipe);
    while (n < most && fscanf(pipe, "%lf", &values[n]) == 1)
        n++;
    if (pclose(pipe) != 0)
        fail_msg("%s failed", command);
    return n;
}

float *outside_raw(const char *path, size_t n)
{
    FILE *file = fopen(path, "rb");
    float *values = malloc(n * sizeof *values);

    assert_non_null(file);
    assert_non_null(values);
    assert_int_equal(fread(values, sizeof *values, n, file), n);
    (void)fclose(file);
    return values;
}

void outside_folder(char path[64])
{
    (void)snprintf(path, 64, "/tmp/afterflash-outside-XXXXXX");
    assert_non_null(mkdtemp(path));
}

void outside_folder_remove(const char *path)
{
    char command[128];

    (void)snprintf(command, sizeof command, "rm -rf '%s'", path);
    assert_int_equal(system(command), 0);
}
