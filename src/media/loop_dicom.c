#include "media/backend.h"

#include <fcntl.h>
#include <string.h>
#include <unistd.h>

/* DICM at byte 128 (PS3.10, 7.1), or a data set without preamble: a tag of group 0002 or
 * 0008 with an explicit VR or a short implicit length, little or big endian */
static bool is_bare_data_set(const unsigned char *head)
{
    bool is_little = (head[0] == 2 || head[0] == 8) && head[1] == 0 && head[3] == 0;
    bool is_big = head[0] == 0 && (head[1] == 2 || head[1] == 8) && head[2] == 0;
    bool is_explicit = head[4] >= 'A' && head[4] <= 'Z' && head[5] >= 'A' && head[5] <= 'Z';
    bool is_implicit = head[6] == 0 && head[7] == 0 && head[5] == 0;

    return (is_little && (is_explicit || is_implicit)) ||
           (is_big && (is_explicit || (head[4] == 0 && head[5] == 0)));
}

static bool takes(const char *path)
{
    unsigned char head[132] = {0};
    int file = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    ssize_t got = file < 0 ? -1 : pread(file, head, sizeof head, 0);

    if (file >= 0)
        (void)close(file);
    if (got >= 132 && memcmp(head + 128, "DICM", 4) == 0)
        return true;
    return got >= 8 && is_bare_data_set(head);
}

static bool dicom_open(void **state, const char *path, struct loop_facts *facts, struct error **err)
{
    (void)state;
    (void)path;
    (void)facts;
    return error_set(err, ERROR_INPUT, "this DICOM file cannot be read yet");
}

static void dicom_close(void *state)
{
    (void)state;
}

const struct backend dicom_backend = {.takes = takes, .open = dicom_open, .close = dicom_close};
