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

/* "dir/scan-0012.png" becomes "dir/scan-%04d.png"; where the numbers differ in length, "dir/scan-%d.png". */
static char *pattern_of(const char *path, bool is_one_length)
{
    size_t n_digits = 0;
    size_t at = number_in(path, &n_digits);

    if (!is_one_length)
        return text_format("%.*s%%d%s", (int)at, path, path + at + n_digits);
    return text_format("%.*s%%0%zud%s", (int)at, path, n_digits, path + at + n_digits);
}

/* One of the pictures, by the parts of its name. */
struct numbered {
    const char *path;
    size_t index;    /* among the sorted pictures */
    size_t at;       /* of its number */
    size_t n_digits; /* 0: it has none, or a percent sign of its own that would make the pattern ambiguous */
};

static struct numbered numbered_of(const char *path, size_t index)
{
    struct numbered made = {.path = path, .index = index};

    made.at = number_in(path, &made.n_digits);
    if (strchr(path + name_at(path), '%') != NULL)
        made.n_digits = 0;
    return made;
}

/* What stands before the number, then what stands behind it: 0 where both are the same. */
static int compare_parts(const struct numbered *a, const struct numbered *b)
{
    int order = 0;

    if ((a->n_digits == 0) != (b->n_digits == 0))
        return a->n_digits == 0 ? 1 : -1;
    if (a->n_digits == 0)
        return a->index < b->index ? -1 : 1;
    if (a->at != b->at)
        return a->at < b->at ? -1 : 1;
    order = memcmp(a->path, b->path, a->at);
    return order != 0 ? order : strcmp(a->path + a->at + a->n_digits, b->path + b->at + b->n_digits);
}

static int by_parts(const void *first, const void *second)
{
    const struct numbered *a = first;
    const struct numbered *b = second;
    int order = compare_parts(a, b);

    return order != 0 ? order : a->index < b->index ? -1 : a->index > b->index;
}

/* Of names that differ in their numbers only. */
static bool is_same_sequence(const struct numbered *a, const struct numbered *b)
{
    return a->n_digits == b->n_digits ||
           (is_unpadded(a->path + a->at, a->n_digits) && is_unpadded(b->path + b->at, b->n_digits));
}

/* Takes the sequence that the first of a run begins out of it: names[0], and those of names[1..n) that are
 * not taken and count on from it. patterns[index of names[0]] is set, the others' stay NULL. */
static bool take_sequence(const struct numbered *names, size_t n, bool *is_taken, char **patterns)
{
    size_t n_pictures = 1;
    bool is_one_length = true;

    for (size_t k = 1; k < n; k++)
        if (!is_taken[names[k].index] && is_same_sequence(&names[0], &names[k])) {
            is_taken[names[k].index] = true;
            is_one_length = is_one_length && names[k].n_digits == names[0].n_digits;
            n_pictures++;
        }
    patterns[names[0].index] =
        n_pictures == 1 ? text_copy(names[0].path) : pattern_of(names[0].path, is_one_length);
    return patterns[names[0].index] != NULL;
}

/* Sorted by their parts, names of one sequence stand in one run. A run holds few sequences, one for each
 * number of digits at most, so this is no search of all names for each. */
static bool take_runs(const struct numbered *names, size_t n, bool *is_taken, char **patterns)
{
    for (size_t first = 0, end = 0; first < n; first = end) {
        for (end = first + 1; end < n && compare_parts(&names[first], &names[end]) == 0;)
            end++;
        for (size_t i = first; i < end; i++)
            if (!is_taken[names[i].index] && !take_sequence(names + i, end - i, is_taken, patterns))
                return false;
    }
    return true;
}

static bool is_among(const struct text_list *list, size_t n, const char *path)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(list->items[i], path) == 0)
            return true;
    return false;
}

/* The patterns of one folder differ from one another; another operand may have named one of them. */
static bool add_patterns(struct text_list *recordings, char *const *patterns, size_t n)
{
    size_t n_before = recordings->n;

    for (size_t i = 0; i < n; i++)
        if (patterns[i] != NULL && !is_among(recordings, n_before, patterns[i]) &&
            !text_list_add(recordings, "%s", patterns[i]))
            return false;
    return true;
}

/* Sorted pictures; those that differ in a number alone become one pattern, in the place of their first. */
static bool add_pictures(struct text_list *recordings, const struct text_list *pictures)
{
    struct numbered *names = calloc(pictures->n + 1, sizeof *names);
    bool *is_taken = calloc(pictures->n + 1, sizeof *is_taken);
    char **patterns = calloc(pictures->n + 1, sizeof *patterns);
    bool is_added = names != NULL && is_taken != NULL && patterns != NULL;

    if (is_added) {
        for (size_t i = 0; i < pictures->n; i++)
            names[i] = numbered_of(pictures->items[i], i);
        qsort(names, pictures->n, sizeof *names, by_parts);
        is_added = take_runs(names, pictures->n, is_taken, patterns) &&
                   add_patterns(recordings, patterns, pictures->n);
    }
    for (size_t i = 0; patterns != NULL && i < pictures->n; i++)
        free(patterns[i]);
    free(patterns);
    free(is_taken);
    free(names);
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
        if (operands[i][0] == '\0')
            return error_set(err, ERROR_USAGE, "the name of a loop is empty");
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
