#include "commands/measure.h"

#include "commands/progress.h"
#include "commands/recordings.h"
#include "commands/results.h"
#include "measure/transfer.h"
#include "report/summary_text.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct measure_settings {
    const char *out;
    double scale_mm_per_px;
    struct option_point fundus;
    struct option_point os;
    bool force;
};

static const struct option_row options[] = {
    {.name = "out",
     .kind = OPTION_TEXT,
     .argument = "DIR",
     .wanted = "a folder, made when it is not there",
     .summary = "where the results go",
     .offset = offsetof(struct measure_settings, out)},
    {.name = "scale",
     .kind = OPTION_NUMBER,
     .argument = "MM_PER_PX",
     .wanted = "millimetres per pixel, from 0.001 to 10",
     .summary = "the size of a pixel; wins over what the file and the ruler in the picture say",
     .low = 0.001,
     .high = 10,
     .offset = offsetof(struct measure_settings, scale_mm_per_px)},
    {.name = "fundus",
     .kind = OPTION_POINT,
     .argument = "X,Y",
     .wanted = "two numbers of pixels, as in 412,233.5",
     .summary = "where the stripe's centre line meets the fundal myometrium",
     .offset = offsetof(struct measure_settings, fundus)},
    {.name = "os",
     .kind = OPTION_POINT,
     .argument = "X,Y",
     .wanted = "two numbers of pixels, as in 180,301",
     .summary = "where the internal os is",
     .offset = offsetof(struct measure_settings, os)},
    {.name = "force",
     .kind = OPTION_FLAG,
     .summary = "replace results that are there already",
     .offset = offsetof(struct measure_settings, force)},
};

static bool measure(struct transfer **transfer, struct transfer_request *request, struct error **err)
{
    struct progress progress;
    bool is_measured = false;

    progress_begin(&progress);
    request->progress = progress_show;
    /* cppcheck-suppress autoVariables ; taken back below */
    request->progress_context = &progress;
    is_measured = transfer_measure(transfer, request, err);
    request->progress_context = NULL;
    request->progress = NULL;
    progress_end(&progress);
    return is_measured;
}

static bool note_passed_over(struct transfer *transfer, const struct recordings *recordings,
                             struct error **err)
{
    char *sentence = NULL;
    bool is_noted = false;

    if (recordings->passed_over.n == 0)
        return true;
    sentence = recordings_passed_over(recordings);
    is_noted = sentence != NULL && text_list_add(&transfer->notes, "%s", sentence);
    free(sentence);
    return is_noted ? true : error_memory(err);
}

/* The files are written by now: a full or closed standard output takes nothing back. */
static bool print_results(const struct results *results, const struct transfer *transfer, struct error **err)
{
    if (!summary_text_write(stdout, transfer, err))
        return false;
    results_print_paths(results, stdout);
    if (fflush(stdout) == 0 && ferror(stdout) == 0)
        return true;
    return error_set(err, ERROR_OUTPUT,
                     "standard output: cannot be written (%s); the results were written before and are in %s",
                     strerror(errno), results->folder);
}

static bool measure_recordings(struct transfer_request *request, const struct recordings *recordings,
                               struct results *results, struct error **err)
{
    CLEANUP(transfer_free) struct transfer *transfer = NULL;

    request->paths = (const char *const *)recordings->paths.items;
    request->n_paths = recordings->paths.n;
    return measure(&transfer, request, err) && note_passed_over(transfer, recordings, err) &&
           results_write(results, transfer, request, err) && print_results(results, transfer, err);
}

static bool measure_run(const void *given, char *const *operands, size_t n_operands, struct error **err)
{
    const struct measure_settings *settings = given;
    CLEANUP(recordings_free) struct recordings recordings = {0};
    CLEANUP(results_end) struct results results = {0};
    struct transfer_request request = {
        .scale_mm_per_px = settings->scale_mm_per_px,
        .has_fundus = settings->fundus.is_given,
        .has_os = settings->os.is_given,
        .fundus_px = settings->fundus.point,
        .os_px = settings->os.point,
    };

    if (n_operands == 0)
        return error_set(err, ERROR_USAGE, "measure: no recording was given; see afterflash measure --help");
    if (!recordings_expand(&recordings, operands, n_operands, err) ||
        !results_prepare(&results, settings->out, operands[0], settings->force, err) ||
        !results_spare(&results, &recordings.paths, err))
        return false;
    return measure_recordings(&request, &recordings, &results, err);
}

static const char details[] =
    "Reads the recordings of one embryo transfer: DICOM ultrasound, video files or\n"
    "numbered pictures. A folder stands for the recordings directly in it. Measures\n"
    "the uterine cavity, the contractions of its wall, the place where the marker\n"
    "bubbles came to lie and their drift, prints a summary and writes into DIR:\n"
    "\n"
    "  summary.txt      what was printed\n"
    "  summary.json     every result, by docs/summary.schema.json\n"
    "  waves.csv        the contractions one by one\n"
    "  spectrogram.csv  power of the wall motion by time and frequency\n"
    "  series.csv       one row per analysed frame\n"
    "  motion.csv       wall motion by time and position along the stripe\n"
    "\n"
    "Without --out, DIR is the first LOOP's name, without its ending, followed by\n"
    "-afterflash, in the working folder. Results that are there already are kept\n"
    "and nothing is measured, unless --force is given.\n"
    "\n"
    "Pixels count from the centre of the top-left one, x to the right, y down.\n"
    "--fundus and --os count on the first LOOP as given (in a folder the first by\n"
    "name, numbers by value), whatever the loops' clocks say, and in its first\n"
    "frame; where its depth or layout changes, in the first frame of the longest\n"
    "stretch without a change. The other loops are measured without marks. Where\n"
    "the ends were taken to be stands in summary.json: fundus_px and os_px in\n"
    "frame, under cavity and under each loop's own.\n"
    "\n"
    "DICOM files in a folder that hold no pictures (DICOMDIR, reports) are passed\n"
    "over and named in the summary; named themselves, they are refused.";

const struct command measure_command = {
    .name = "measure",
    .operands = "LOOP...",
    .summary = "measure the loops of one transfer and write its summary",
    .details = details,
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .settings_bytes = sizeof(struct measure_settings),
    .run = measure_run,
};
