#include "commands/recordings.h"

#include "media/loop.h"

#include <ctype.h>
#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

static const char *const recording_endings[] = {
    ".dcm", ".dicom", ".ima",  ".mp4",  ".m4v", ".mov",  ".avi",  ".mkv",   ".webm", ".wmv",
    ".asf", ".mpg",   ".mpeg", ".mpe",  ".m2v", ".mpv",  ".ts",   ".mts",   ".m2ts", ".vob",
    ".dv",  ".gif",   ".264",  ".h264", ".265", ".hevc", ".mjpg", ".mjpeg",
};
static const char *const picture_endings[] = {
    ".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".jp2",
};

enum kind { KIND_OTHER, KIND_RECORDING, KIND_PICTURE };

static bool ends_like(const char *name, const char *const *endings, size_t n_endings)
{
    const char *dot = strrchr(name, '.');

    for (size_t i = 0; dot != NULL && i < n_endings; i++)
        if (strcasecmp(dot, endings[i]) == 0)
            return true;
    return false;
}

static bool has_dicom_mark(const char *path)
{
    FILE *file = fopen(path, "rb");
    char head[132] = "";
    size_t n = 0;

    if (file == NULL)
        return false;
    n = fread(head, 1, sizeof head, file);
    (void)fclose(file);
    return n == sizeof head && memcmp(head + 128, "DICM", 4) == 0;
}

static enum kind kind_of(const char *path, const char *name)
{
    struct stat status;

    if (name[0] == '.' || stat(path, &status) != 0 || !S_ISREG(status.st_mode))
        return KIND_OTHER;
    if (ends_like(name, recording_endings, sizeof recording_endings / sizeof recording_endings[0]))
        return KIND_RECORDING;
    if (ends_like(name, picture_endings, sizeof picture_endings / sizeof picture_endings[0]))
        return KIND_PICTURE;
    return has_dicom_mark(path) ? KIND_RECORDING : KIND_OTHER;
}

static int by_bytes(const void *first, const void *second)
{
    return strcmp(*(char *const *)first, *(char *const *)second);
}

/* A run of digits, passed over with the zeros before it; n_digits is what is left. */
static const char *skip_number(const char **text, size_t *n_digits)
{
    const char *first = *text;

    while (*first == '0')
        first++;
    *n_digits = strspn(first, "0123456789");
    *text = first + *n_digits;
    return first;
}

/* Numbers by their value: what was recorded as loop 10 comes after loop 9. */
static int by_number(const void *first, const void *second)
{
    const char *a = *(char *const *)first;
    const char *b = *(char *const *)second;
    size_t n_a = 0;
    size_t n_b = 0;

    while (*a != '\0' && *b != '\0') {
        if (isdigit((unsigned char)*a) && isdigit((unsigned char)*b)) {
            const char *number_a = skip_number(&a, &n_a);
            const char *number_b = skip_number(&b, &n_b);

            if (n_a != n_b)
                return n_a < n_b ? -1 : 1;
            if (memcmp(number_a, number_b, n_a) != 0)
                return memcmp(number_a, number_b, n_a);
        } else if (*a != *b) {
            return (unsigned char)*a < (unsigned char)*b ? -1 : 1;
        } else {
            a++;
            b++;
        }
    }
    if (*a != *b)
        return *a == '\0' ? -1 : 1;
    return by_bytes(first, second);
}

static void sort(struct text_list *list, int (*order)(const void *, const void *))
{
    if (list->n > 1)
        qsort(list->items, list->n, sizeof list->items[0], order);
}

static bool sort_out(const char *folder, DIR *stream, struct text_list *recordings,
                     struct text_list *pictures, struct error **err)
{
    size_t n = strlen(folder);
    const char *slash = n > 0 && folder[n - 1] == '/' ? "" : "/";
    struct dirent *entry = NULL;

    errno = 0;
    while ((entry = readdir(stream)) != NULL) {
        char *path = text_format("%s%s%s", folder, slash, entry->d_name);
        enum kind kind = path == NULL ? KIND_OTHER : kind_of(path, entry->d_name);
        bool is_kept = path != NULL;

        if (kind != KIND_OTHER)
            is_kept = text_list_add(kind == KIND_RECORDING ? recordings : pictures, "%s", path);
        free(path);
        if (!is_kept)
            return error_memory(err);
        errno = 0;
    }
    if (errno != 0)
        return error_set(err, ERROR_INPUT, "%s: the folder cannot be read (%s)", folder, strerror(errno));
    return true;
}

static size_t name_at(const char *path)
{
    const char *slash = strrchr(path, '/');

    return slash == NULL ? 0 : (size_t)(slash + 1 - path);
}

/* The last run of digits before the ending: "scan-0012.png" has 4 of them from place 5. */
static size_t number_in(const char *path, size_t *n_digits)
{
    const char *name = path + name_at(path);
    const char *end = strrchr(name, '.');

    *n_digits = 0;
    while (end > name && isdigit((unsigned char)end[-1])) {
        end--;
        ++*n_digits;
    }
    return (size_t)(end - path);
}

/* "9" and "10" count on from one another, "09" and "10" too, but not "9" and "09". */
static bool is_unpadded(const char *digits, size_t n)
{
    return n == 1 || digits[0] != '0';
}

static bool is_same_sequence(const char *first, const char *second)
{
    size_t n_first = 0;
    size_t n_second = 0;
    size_t at = number_in(first, &n_first);

    /* a percent sign of its own would make the pattern ambiguous */
    return n_first > 0 && strchr(first + name_at(first), '%') == NULL && number_in(second, &n_second) == at &&
           (n_second == n_first ||
            (n_second > 0 && is_unpadded(first + at, n_first) && is_unpadded(second + at, n_second))) &&
           strncmp(first, second, at) == 0 && strcmp(first + at + n_first, second + at + n_second) == 0;
}

/* "dir/scan-0012.png" becomes "dir/scan-%04d.png"; where the numbers differ in length, "dir/scan-%d.png". */
static char *pattern_of(const char *path, bool is_one_length)
{
    size_t n_digits = 0;
    size_t at = number_in(path, &n_digits);

    if (!is_one_length)
        return text_format("%.*s%%d%s", (int)at, path, path + at + n_digits);
    return text_format("%.*s%%0%zud%s", (int)at, path, n_digits, path + at + n_digits);
}

/* Sorted pictures; those that differ in a number alone become one pattern. */
static bool add_pictures(struct text_list *recordings, const struct text_list *pictures)
{
    bool *is_taken = calloc(pictures->n + 1, sizeof *is_taken);
    bool is_added = is_taken != NULL;

    for (size_t i = 0; is_added && i < pictures->n; i++) {
        const char *first = pictures->items[i];
        size_t n = 1;
        bool is_one_length = true;
        char *pattern = NULL;

        if (is_taken[i])
            continue;
        for (size_t k = i + 1; k < pictures->n; k++)
            if (!is_taken[k] && is_same_sequence(first, pictures->items[k])) {
                is_taken[k] = true;
                is_one_length = is_one_length && strlen(pictures->items[k]) == strlen(first);
                n++;
            }
        pattern = n == 1 ? text_copy(first) : pattern_of(first, is_one_length);
        is_added = pattern != NULL && text_list_add_once(recordings, "%s", pattern);
        free(pattern);
    }
    free(is_taken);
    return is_added;
}

/* Sorted files; those that hold no pictures are named aside. n_added counts the others. */
static bool add_found(struct recordings *recordings, const struct text_list *found, size_t *n_added)
{
    for (size_t i = 0; i < found->n; i++) {
        const char *path = found->items[i];
        bool is_added = false;

        if (loop_is_pictureless(path)) {
            is_added = text_list_add_once(&recordings->passed_over, "%s", path);
        } else {
            is_added = text_list_add_once(&recordings->paths, "%s", path);
            ++*n_added;
        }
        if (!is_added)
            return false;
    }
    return true;
}

static bool refuse_folder(const char *folder, size_t n_pictureless, struct error **err)
{
    if (n_pictureless == 0)
        return error_set(err, ERROR_INPUT,
                         "%s: there is no recording in this folder; folders within it are not looked into",
                         folder);
    return error_set(err, ERROR_INPUT,
                     "%s: there is no recording in this folder, only DICOM files without pictures (%zu); "
                     "folders within it are not looked into",
                     folder, n_pictureless);
}

static bool add_folder(struct recordings *recordings, const char *folder, struct error **err)
{
    struct text_list found = {0};
    struct text_list pictures = {0};
    DIR *stream = opendir(folder);
    size_t n_added = 0;
    bool is_good = false;

    if (stream == NULL)
        return error_set(err, ERROR_INPUT, "%s: the folder cannot be read (%s)", folder, strerror(errno));
    is_good = sort_out(folder, stream, &found, &pictures, err);
    (void)closedir(stream);
    sort(&found, by_number);
    sort(&pictures, by_bytes);
    is_good = is_good && add_found(recordings, &found, &n_added);
    if (is_good && n_added == 0)
        is_good = add_pictures(&recordings->paths, &pictures);
    if (is_good && n_added + pictures.n == 0)
        is_good = refuse_folder(folder, found.n, err);
    text_list_free(&found);
    text_list_free(&pictures);
    return is_good || error_memory(err); /* keeps the first error */
}

bool recordings_expand(struct recordings *recordings, char *const *operands, size_t n_operands,
                       struct error **err)
{
    struct stat status;

    for (size_t i = 0; i < n_operands; i++) {
        if (stat(operands[i], &status) == 0 && S_ISDIR(status.st_mode)) {
            if (!add_folder(recordings, operands[i], err))
                return false;
        } else if (!text_list_add_once(&recordings->paths, "%s", operands[i])) {
            return error_memory(err);
        }
    }
    return true;
}

char *recordings_passed_over(const struct recordings *recordings)
{
    const struct text_list *names = &recordings->passed_over;
    char *joined = text_copy(names->items[0] + name_at(names->items[0]));
    char *made = NULL;

    for (size_t i = 1; joined != NULL && i < names->n; i++) {
        char *longer = text_format("%s, %s", joined, names->items[i] + name_at(names->items[i]));

        free(joined);
        joined = longer;
    }
    if (joined != NULL)
        made = text_format(names->n == 1 ? "%zu file of the folder holds no loop and was passed over: %s"
                                         : "%zu files of the folder hold no loop and were passed over: %s",
                           names->n, joined);
    free(joined);
    return made;
}

void recordings_free(struct recordings *recordings)
{
    if (recordings == NULL)
        return;
    text_list_free(&recordings->paths);
    text_list_free(&recordings->passed_over);
}
