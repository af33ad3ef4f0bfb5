/* Prints what is weighed about every band that the search offers in a loop: one line a band, whether it is
 * the true one, then the evidence in the order of enum stripe_evidence. For learn_stripe.py.
 *
 *   bands LOOP [FUNDUS_X FUNDUS_Y OS_X OS_Y]      true ends in pixels of the frame; without them no band is
 * true
 *   bands --speckle SEED SIGMA_PX                 a picture of speckle, smoothed so much, without a stripe */
#include "image/canvas.h"
#include "image/picture.h"
#include "image/ruler.h"
#include "image/scale.h"
#include "image/survey.h"
#include "measure/keys.h"
#include "measure/mean_picture.h"
#include "measure/stripe.h"
#include "measure/stripe_bands.h"
#include "measure/stripe_fit.h"
#include "media/loop.h"
#include "motion/tissue.h"
#include "synth/dice.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double PIXEL_MM = 0.25;     /* as loop_measure has it */
static const double NEAR_ENDS_MM = 16.0; /* both ends together */
static const double NEAR_FUNDUS_MM = 7.0;

/* The mean picture of a loop, as loop_measure makes it. What is held on the way is left to the end of the
 * process. */
static bool make_mean(struct mean_picture *mean, struct canvas *canvas, double probe_mm[2], const char *path,
                      struct error **err)
{
    struct loop *loop = NULL;
    struct survey *survey = NULL;
    struct picture *picture = NULL;
    struct tissue *tissue = NULL;
    struct ruler ruler;
    struct scale scale;
    struct keys keys;
    struct keys_aside aside;
    struct raster *window = NULL;
    double mm[2];

    if (!loop_open(&loop, path, err))
        return false;
    aside = keys_expect(loop_facts(loop));
    if (!survey_make_showing(&survey, loop, keys_show, &aside, err) ||
        !picture_find(&picture, survey, loop_facts(loop), err) || !ruler_find(&ruler, survey, picture, err))
        return false;
    scale_choose(&scale, loop_facts(loop), picture, &ruler, 0.0);
    *canvas = canvas_lay(picture, &scale);
    window = canvas_window(canvas, picture);
    probe_mm[0] = 0.5 * canvas->width_px * canvas->mm_per_px_x;
    probe_mm[1] = 0.0;
    if (picture->has_apex) {
        struct point apex = canvas_from_frame(canvas, picture->apex_px);

        probe_mm[0] = (apex.x_px + 0.5) * canvas->mm_per_px_x;
        probe_mm[1] = (apex.y_px + 0.5) * canvas->mm_per_px_y;
    }
    mm[0] = canvas->mm_per_px_x;
    mm[1] = canvas->mm_per_px_y;
    return window != NULL && keys_take(&keys, loop, &aside, survey, survey->stretches[0], canvas, err) &&
           tissue_make(&tissue, keys.picture, keys.time_s, keys.n, window, mm, err) &&
           mean_picture_make(mean, tissue, canvas, window, PIXEL_MM, err);
}

/* A mean picture of speckle alone, 85 by 65 mm. */
static bool make_speckle(struct mean_picture *mean, long seed, double sigma_px, struct error **err)
{
    enum { WIDTH = 340, HEIGHT = 260 };
    static const double LUMA = 80.0, DEVIATION = 10.0;
    struct dice dice = dice_make(seed, 2);
    double square = 0.0;

    *mean = (struct mean_picture){.n_keys = 40, .pixel_mm = PIXEL_MM, .tissue_luma = 90.0};
    mean->picture = raster_make(WIDTH, HEIGHT);
    mean->window = raster_make(WIDTH, HEIGHT);
    if (mean->picture == NULL || mean->window == NULL)
        return error_memory(err);
    for (size_t i = 0; i < (size_t)WIDTH * HEIGHT; i++) {
        mean->picture->value[i] = (float)dice_normal(&dice);
        mean->window->value[i] = 1.0F;
    }
    if (!raster_smooth(mean->picture, sigma_px, sigma_px))
        return error_memory(err);
    for (size_t i = 0; i < (size_t)WIDTH * HEIGHT; i++)
        square += (double)(mean->picture->value[i] * mean->picture->value[i]) / (WIDTH * HEIGHT);
    for (size_t i = 0; i < (size_t)WIDTH * HEIGHT; i++)
        mean->picture->value[i] = (float)(LUMA + DEVIATION / sqrt(square) * (double)mean->picture->value[i]);
    return true;
}

static double away(const double a[2], const double b[2])
{
    return hypot(a[0] - b[0], a[1] - b[1]);
}

static bool is_true(const struct stripe_fit *fit, const double fundus[2], const double os[2])
{
    const double *first = fit->place_mm[0];
    const double *last = fit->place_mm[fit->n - 1];

    return fmin(away(first, fundus) + away(last, os), away(last, fundus) + away(first, os)) < NEAR_ENDS_MM &&
           fmin(away(first, fundus), away(last, fundus)) < NEAR_FUNDUS_MM;
}

static void print_bands(const struct stripe_bands *bands, const struct mean_picture *mean,
                        const double probe_mm[2], const double ends_mm[4])
{
    for (size_t i = 0; i < bands->n; i++) {
        double evidence[STRIPE_N_EVIDENCE];
        double ends[STRIPE_N_END_EVIDENCE];
        const struct stripe_fit *fit = &bands->fits[i];
        double turn = away(fit->place_mm[0], ends_mm) < away(fit->place_mm[fit->n - 1], ends_mm) ? 1.0 : -1.0;

        stripe_weigh(evidence, fit, mean);
        stripe_weigh_ends(ends, fit, mean, probe_mm);
        (void)printf("%d", is_true(fit, ends_mm, ends_mm + 2));
        for (int k = 0; k < STRIPE_N_EVIDENCE; k++)
            (void)printf(" %.4f", evidence[k]);
        for (int k = 0; k < STRIPE_N_END_EVIDENCE; k++)
            (void)printf(" %.4f", turn * ends[k]);
        (void)printf("\n");
    }
}

int main(int argc, char **argv)
{
    bool is_speckle = argc == 4 && strcmp(argv[1], "--speckle") == 0;
    struct mean_picture mean = {0};
    struct canvas canvas;
    struct stripe_bands *bands = NULL;
    double probe_mm[2] = {42.0, 0.0};
    double ends_mm[4] = {-1e4, -1e4, -1e4, -1e4};
    struct error *err = NULL;
    bool is_made = false;

    if (is_speckle)
        is_made = make_speckle(&mean, strtol(argv[2], NULL, 10), strtod(argv[3], NULL), &err);
    else if (argc == 2 || argc == 6)
        is_made = make_mean(&mean, &canvas, probe_mm, argv[1], &err);
    if (!is_made || !stripe_bands_make(&bands, &mean, &err)) {
        (void)fprintf(stderr, "%s\n",
                      err != NULL ? error_message(err)
                                  : "bands LOOP [FUNDUS_X FUNDUS_Y OS_X OS_Y] | --speckle SEED SIGMA_PX");
        return 1;
    }
    for (int i = 0; argc == 6 && i < 4; i += 2) {
        struct point px = {.x_px = strtod(argv[2 + i], NULL), .y_px = strtod(argv[3 + i], NULL)};
        struct point place = canvas_from_frame(&canvas, px);

        ends_mm[i] = (place.x_px + 0.5) * canvas.mm_per_px_x;
        ends_mm[i + 1] = (place.y_px + 0.5) * canvas.mm_per_px_y;
    }
    print_bands(bands, &mean, probe_mm, ends_mm);
    stripe_bands_free(&bands);
    return 0;
}
