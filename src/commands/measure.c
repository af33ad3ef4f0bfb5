#include "commands/measure.h"

#include "commands/progress.h"
#include "commands/recordings.h"
#include "commands/results.h"
#include "measure/transfer.h"
#include "report/summary_text.h"

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
     .summary = "the size of a pixel; wins over what the files say",
     .low = 0.001,
     .high = 10,
     .offset = offsetof(struct measure_settings, scale_mm_per_px)},
    {.name = "fundus",
     .kind = OPTION_POINT,
     .argument = "X,Y",
     .wanted = "two numbers of pixels in the first frame of the first loop, as in 412,233.5",
     .summary = "where the stripe's centre line meets the fundal myometrium",
     .offset = offsetof(struct measure_settings, fundus)},
    {.name = "os",
     .kind = OPTION_POINT,
     .argument = "X,Y",
     .wanted = "two numbers of pixels in the first frame of the first loop, as in 180,301",
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

static bool measure_recordings(struct transfer_request *request, struct results *results, struct error **err)
{
    CLEANUP(transfer_free) struct transfer *transfer = NULL;

    if (!measure(&transfer, request, err) || !results_write(results, transfer, request, err) ||
        !summary_text_write(stdout, transfer, err))
        return false;
    results_print_paths(results, stdout);
    return true;
}

static bool measure_run(const void *given, char *const *operands, size_t n_operands, struct error **err)
{
    const struct measure_settings *settings = given;
    CLEANUP(text_list_free) struct text_list recordings = {0};
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
        !results_prepare(&results, settings->out, operands[0], settings->force, err))
        return false;
    request.paths = (const char *const *)recordings.items;
    request.n_paths = recordings.n;
    return measure_recordings(&request, &results, err);
}

static const char details[] =
    "Reads the recordings of one embryo transfer: DICOM ultrasound, video files or\n"
    "numbered pictures. A folder stands for the recordings directly in it. Measures\n"
    "the uterine cavity, the contractions of its wall, the place where the marker\n"
    "bubbles came to lie and their drift, prints a summary and writes into DIR:\n"
    "\n"
    "  summary.txt   what was printed\n"
    "  summary.json  every result, by docs/summary.schema.json\n"
    "  series.csv    one row per analysed frame\n"
    "  motion.csv    wall motion by time and position along the stripe\n"
    "\n"
    "Without --out, DIR is the first LOOP's name, without its ending, followed by\n"
    "-afterflash, in the working folder. Results that are there already are kept\n"
    "and nothing is measured, unless --force is given.\n"
    "\n"
    "Pixels count from the centre of the top-left one, x to the right, y down.";

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
