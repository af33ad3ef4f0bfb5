#include "commands/synth.h"

#include "commands/progress.h"
#include "synth/synth.h"

struct synth_settings {
    struct recipe recipe;
    bool force;
};

#define NUMBER_ROW(field, option, value, least, most, text)                                                  \
    {.name = (option),                                                                                       \
     .kind = OPTION_NUMBER,                                                                                  \
     .argument = "NUMBER",                                                                                   \
     .wanted = "a number from " #least " to " #most,                                                         \
     .summary = text " [" #value "]",                                                                        \
     .low = (least),                                                                                         \
     .high = (most),                                                                                         \
     .offset = offsetof(struct synth_settings, recipe.field)},
#define INTEGER_ROW(field, option, value, least, most, text)                                                 \
    {.name = (option),                                                                                       \
     .kind = OPTION_INTEGER,                                                                                 \
     .argument = "COUNT",                                                                                    \
     .wanted = "a whole number from " #least " to " #most,                                                   \
     .summary = text " [" #value "]",                                                                        \
     .low = (least),                                                                                         \
     .high = (most),                                                                                         \
     .offset = offsetof(struct synth_settings, recipe.field)},
#define CHOICE_ROW(field, option, value, words, text)                                                        \
    {.name = (option),                                                                                       \
     .kind = OPTION_CHOICE,                                                                                  \
     .argument = "WORD",                                                                                     \
     .wanted = CHOICE_WANTED_##words,                                                                        \
     .summary = text " [" DEFAULT_##value##_##words "]",                                                     \
     .choices = (words),                                                                                     \
     .offset = offsetof(struct synth_settings, recipe.field)},

#define CHOICE_WANTED_orientation_words "anteverted or retroverted"
#define CHOICE_WANTED_stripe_words "bright or triple-line"
#define CHOICE_WANTED_direction_words "cervix-to-fundus, fundus-to-cervix, opposing or mixed"
#define CHOICE_WANTED_drift_words "slow or sudden"
#define CHOICE_WANTED_yes_words "yes or no"
#define CHOICE_WANTED_ruler_words "right, left or none"
#define CHOICE_WANTED_codec_words "auto, h264, mpeg4, mjpeg, ffv1, native or jpeg"

#define DEFAULT_0_orientation_words "anteverted"
#define DEFAULT_0_stripe_words "bright"
#define DEFAULT_0_direction_words "cervix-to-fundus"
#define DEFAULT_0_drift_words "slow"
#define DEFAULT_0_yes_words "no"
#define DEFAULT_1_yes_words "yes"
#define DEFAULT_1_ruler_words "right"
#define DEFAULT_0_codec_words "auto"

static const struct option_row options[] = {
    RECIPE_INTEGERS(INTEGER_ROW) RECIPE_NUMBERS(NUMBER_ROW)
        RECIPE_CHOICES(CHOICE_ROW){.name = "force",
                                   .kind = OPTION_FLAG,
                                   .summary = "replace files that are there already",
                                   .offset = offsetof(struct synth_settings, force)},
};

#define NUMBER_DEFAULT(field, option, value, low, high, summary) .recipe.field = (value),
#define CHOICE_DEFAULT(field, option, value, words, summary) .recipe.field = (value),

static const struct synth_settings defaults = {RECIPE_NUMBERS(NUMBER_DEFAULT) RECIPE_INTEGERS(NUMBER_DEFAULT)
                                                   RECIPE_CHOICES(CHOICE_DEFAULT)};

static bool synth_run(const void *given, char *const *operands, size_t n_operands, struct error **err)
{
    const struct synth_settings *settings = given;
    struct synth_request request = {.recipe = settings->recipe};
    struct progress progress;
    bool is_good;

    if (n_operands != 1)
        return error_set(err, ERROR_USAGE, "synth: wanted is one FILE to write; see afterflash synth --help");
    request.path = operands[0];
    request.existing = settings->force ? OUTPUT_REPLACE : OUTPUT_KEEP;
    request.progress = progress_show;
    request.progress_context = &progress;
    progress_begin(&progress);
    is_good = synth_make(&request, err);
    progress_end(&progress);
    return is_good;
}

const struct command synth_command = {
    .name = "synth",
    .operands = "FILE",
    .summary = "make a synthetic loop whose truth is known",
    .details = "Writes a loop of a uterus that does not exist: moving point scatterers seen\n"
               "through a scanner's point spread, log compression and sector. FILE ends in\n"
               ".mp4, .avi, .mkv or .dcm; NAME.truth.json beside it says what the loop shows\n"
               "and how it was made.\n"
               "\n"
               "What would not be seen is refused: a deposit after the end of the loop, a drift\n"
               "or a catheter tip that leads beyond the stripe, a stripe of which more than half\n"
               "lies outside the picture. Width and height are even.\n"
               "\n"
               "The same options and seed give the same bytes. A value in brackets is the\n"
               "default.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .defaults = &defaults,
    .settings_bytes = sizeof(struct synth_settings),
    .run = synth_run,
};
