#include "commands/measure.h"

#include "commands/progress.h"
#include "measure/transfer.h"

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

static bool measure_run(const void *given, char *const *operands, size_t n_operands, struct error **err)
{
    const struct measure_settings *settings = given;
    struct transfer_request request = {.paths = (const char *const *)operands, .n_paths = n_operands};
    struct progress progress;
    CLEANUP(transfer_free) struct transfer *transfer = NULL;

    if (n_operands == 0)
        return error_set(err, ERROR_USAGE, "measure: no loop was given; see afterflash measure --help");
    request.scale_mm_per_px = settings->scale_mm_per_px;
    request.progress = progress_show;
    request.progress_context = &progress;
    progress_begin(&progress);
    if (!transfer_measure(&transfer, &request, err)) {
        progress_end(&progress);
        return false;
    }
    progress_end(&progress);
    return true;
}

const struct command measure_command = {
    .name = "measure",
    .operands = "LOOP...",
    .summary = "measure the loops of one transfer and write its summary",
    .details = "Reads the loops of one transfer.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .settings_bytes = sizeof(struct measure_settings),
    .run = measure_run,
};
