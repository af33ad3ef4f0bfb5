#include "synth/recipe.h"

#include <stddef.h>

const char *const orientation_words[] = {"anteverted", "retroverted", NULL};
const char *const stripe_words[] = {"bright", "triple-line", NULL};
const char *const direction_words[] = {"cervix-to-fundus", "fundus-to-cervix", "opposing", "mixed", NULL};
const char *const drift_words[] = {"slow", "sudden", NULL};
const char *const yes_words[] = {"no", "yes", NULL};
const char *const ruler_words[] = {"none", "right", "left", NULL};
const char *const codec_words[] = {"auto", "h264", "mpeg4", "mjpeg", "ffv1", "native", "jpeg", NULL};

#define NUMBER_DEFAULT(field, option, value, low, high, summary) .field = (value),
#define CHOICE_DEFAULT(field, option, value, words, summary) .field = (value),

struct recipe recipe_default(void)
{
    struct recipe made = {RECIPE_NUMBERS(NUMBER_DEFAULT) RECIPE_INTEGERS(NUMBER_DEFAULT)
                              RECIPE_CHOICES(CHOICE_DEFAULT)};

    return made;
}

static void settle_times(struct recipe *recipe)
{
    if (recipe->deposit_s < 0)
        recipe->deposit_s = 0.25 * recipe->duration_s;
    if (recipe->catheter_enters_s < 0)
        recipe->catheter_enters_s = recipe->deposit_s - 9.0;
    if (recipe->gain_step_s < 0)
        recipe->gain_step_s = 0.5 * recipe->duration_s;
    if (recipe->rate_changes_s < 0)
        recipe->rate_changes_s = 0.5 * recipe->duration_s;
    if (recipe->depth_change_s < 0)
        recipe->depth_change_s = 0.5 * recipe->duration_s;
}

bool recipe_settle(struct recipe *recipe, struct error **err)
{
    settle_times(recipe);
    if (recipe->width_px % 2 != 0 || recipe->height_px % 2 != 0)
        return error_set(err, ERROR_USAGE, "--width-px %ld, --height-px %ld: both must be even",
                         recipe->width_px, recipe->height_px);
    if (recipe->depth_change_mm > 0 && recipe->depth_change_mm < 30)
        return error_set(err, ERROR_USAGE, "--depth-change-mm: wanted is 30 or more, or 0");
    if (recipe->uterus && recipe->thickness_mm > 0.6 * recipe->length_mm)
        return error_set(err, ERROR_USAGE, "--thickness-mm: a stripe is not that thick for its --length-mm");
    if (recipe->rate_later_per_min > 0 && recipe->rate_per_min <= 0)
        return error_set(err, ERROR_USAGE,
                         "--rate-later-per-min: a rate can change only from another one; see --rate-per-min");
    if (recipe->bubbles > 0 && recipe->deposit_mm > recipe->length_mm + 5.0)
        return error_set(err, ERROR_USAGE, "--deposit-mm: beyond the internal os; see --length-mm");
    if (recipe->bubbles > 0 && recipe->deposit_s >= recipe->duration_s)
        return error_set(
            err, ERROR_USAGE,
            "--deposit-s %g: comes after the end of the loop, see --duration-s %g; without a deposit give "
            "--bubbles 0",
            recipe->deposit_s, recipe->duration_s);
    if (recipe->fade_to_s >= 0 && recipe->fade_to_s < recipe->fade_from_s)
        return error_set(err, ERROR_USAGE, "--fade-to-s: comes before --fade-from-s");
    return true;
}
