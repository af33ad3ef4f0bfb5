#include "commands/results.h"

#include "base/leftovers.h"
#include "base/output.h"
#include "report/motion_csv.h"
#include "report/series_csv.h"
#include "report/spectrogram_csv.h"
#include "report/summary_json.h"
#include "report/summary_text.h"
#include "report/waves_csv.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* In the order of their appearance: where summary.json is, all the others are. */
enum { MOTION, SERIES, SPECTROGRAM, WAVES, TEXT, JSON, N_FILES };
static const char *const names[N_FILES] = {"motion.csv", "series.csv",  "spectrogram.csv",
                                           "waves.csv",  "summary.txt", "summary.json"};
static const int print_order[N_FILES] = {TEXT, JSON, WAVES, SPECTROGRAM, SERIES, MOTION};

static char *path_of(const struct results *results, int file)
{
    size_t n = strlen(results->folder);

    return text_format("%s%s%s", results->folder, n > 0 && results->folder[n - 1] == '/' ? "" : "/",
                       names[file]);
}

/* The name by which a person knows the recording: its last part, without its ending when it is a file. */
static char *default_folder(const char *operand)
{
    struct stat status;
    bool is_folder = stat(operand, &status) == 0 && S_ISDIR(status.st_mode);
    char *real = is_folder ? realpath(operand, NULL) : NULL;
    const char *path = real == NULL ? operand : real;
    const char *slash = strrchr(path, '/');
    const char *name = slash == NULL ? path : slash + 1;
    const char *dot = is_folder ? NULL : strrchr(name, '.');
    char *made = NULL;

    if (dot == NULL || dot == name)
        dot = name + strlen(name);
    made = text_format("%.*s%safterflash", (int)(dot - name), name, dot == name ? "" : "-");
    free(real);
    return made;
}

/* Makes a folder and notes it, to be taken away when nothing comes into it. */
static bool make_noted(struct results *results, const char *path, bool *is_noted)
{
    bool is_made = false;
    int cause = 0;

    leftovers_hold();
    is_made = mkdir(path, 0777) == 0;
    cause = errno;
    *is_noted = !is_made || (text_list_add(&results->made, "%s", path) && leftovers_add(path));
    leftovers_release();
    errno = cause;
    return is_made;
}

static bool make_one(struct results *results, const char *path, struct error **err)
{
    struct stat status;
    bool is_noted = false;

    if (stat(path, &status) == 0 && S_ISDIR(status.st_mode))
        return true;
    if (make_noted(results, path, &is_noted))
        return is_noted ? true : error_memory(err);
    return error_set(err, ERROR_OUTPUT,
                     errno == EEXIST ? "%s: is no folder, so the results cannot be written into it (%s)"
                                     : "%s: the folder for the results cannot be made (%s)",
                     path, strerror(errno));
}

static bool make_folders(struct results *results, struct error **err)
{
    char *path = text_copy(results->folder);
    bool is_made = path != NULL;

    for (char *at = path; is_made && at != NULL && *at != '\0';) {
        char *slash = strchr(at + 1, '/');

        if (slash != NULL)
            *slash = '\0';
        is_made = at[0] == '/' && at[1] == '\0' ? true : make_one(results, path, err);
        if (slash != NULL)
            *slash = '/';
        at = slash;
    }
    free(path);
    return is_made || error_memory(err); /* keeps the first error */
}

static enum output_existing existing(const struct results *results)
{
    return results->is_forced ? OUTPUT_REPLACE : OUTPUT_KEEP;
}

static bool begin_file(struct results *results, int file, struct output **out, struct error **err)
{
    char *path = path_of(results, file);
    bool is_begun = path != NULL && output_begin(out, path, existing(results), err);

    free(path);
    return is_begun || error_memory(err); /* keeps the first error */
}

bool results_prepare(struct results *results, const char *folder, const char *first_operand, bool force,
                     struct error **err)
{
    *results = (struct results){.is_forced = force};
    results->folder = folder == NULL ? default_folder(first_operand) : text_copy(folder);
    if (results->folder == NULL)
        return error_memory(err);
    if (!make_folders(results, err))
        return false;
    for (int file = 0; file < N_FILES; file++) {
        struct output *trial = NULL;

        if (!begin_file(results, file, &trial, err))
            return false;
        output_abandon(&trial);
    }
    return true;
}

bool results_spare(const struct results *results, const struct text_list *recordings, struct error **err)
{
    for (int file = 0; file < N_FILES; file++) {
        char *path = path_of(results, file);
        struct stat result;
        bool is_there = path != NULL && stat(path, &result) == 0;

        for (size_t i = 0; is_there && i < recordings->n; i++) {
            struct stat recording;

            if (stat(recordings->items[i], &recording) == 0 && recording.st_dev == result.st_dev &&
                recording.st_ino == result.st_ino) {
                (void)error_set(err, ERROR_OUTPUT,
                                "%s: this recording has the name of a result and would be replaced; choose "
                                "another folder with --out",
                                path);
                free(path);
                return false;
            }
        }
        free(path);
    }
    return true;
}

static bool write_file(FILE *to, int file, const struct transfer *transfer,
                       const struct transfer_request *request, struct error **err)
{
    switch (file) {
    case MOTION:
        motion_csv_write(to, transfer);
        return true;
    case SERIES:
        series_csv_write(to, transfer);
        return true;
    case SPECTROGRAM:
        spectrogram_csv_write(to, transfer);
        return true;
    case WAVES:
        waves_csv_write(to, transfer);
        return true;
    case TEXT:
        return summary_text_write(to, transfer, err);
    default:
        return summary_json_write(to, transfer, request, err);
    }
}

/* When a later file cannot take its name, those that did go again: they were not there before. */
static void take_back(const struct results *results, int n_files)
{
    for (int file = 0; file < n_files && !results->is_forced; file++) {
        char *path = path_of(results, file);

        if (path != NULL)
            (void)unlink(path);
        free(path);
    }
}

bool results_write(struct results *results, const struct transfer *transfer,
                   const struct transfer_request *request, struct error **err)
{
    struct output *outs[N_FILES] = {NULL};
    bool is_good = true;

    for (int file = 0; is_good && file < N_FILES; file++)
        is_good = begin_file(results, file, &outs[file], err) &&
                  write_file(output_stream(outs[file]), file, transfer, request, err) &&
                  output_finish(outs[file], err);
    leftovers_hold(); /* an end from outside comes before the first name or after the last */
    for (int file = 0; is_good && file < N_FILES; file++) {
        is_good = output_commit(&outs[file], err);
        if (!is_good)
            take_back(results, file);
    }
    leftovers_release();
    for (int file = 0; file < N_FILES; file++)
        output_abandon(&outs[file]);
    results->is_written = is_good;
    return is_good;
}

void results_print_paths(const struct results *results, FILE *to)
{
    (void)fputs("\nWritten\n", to);
    for (int i = 0; i < N_FILES; i++) {
        char *path = path_of(results, print_order[i]);

        (void)fputs("  ", to);
        text_write(to, path == NULL ? names[print_order[i]] : path, '?');
        (void)fputc('\n', to);
        free(path);
    }
}

/* Takes away the folders that were made, the deepest first; rmdir leaves alone whatever holds something. */
static void unmake_folders(struct results *results)
{
    for (size_t i = results->made.n; i-- > 0;)
        if (rmdir(results->made.items[i]) != 0)
            return;
}

void results_end(struct results *results)
{
    leftovers_hold();
    if (!results->is_written)
        unmake_folders(results);
    for (size_t i = 0; i < results->made.n; i++)
        leftovers_drop(results->made.items[i]);
    leftovers_release();
    text_list_free(&results->made);
    free(results->folder);
    results->folder = NULL;
}
