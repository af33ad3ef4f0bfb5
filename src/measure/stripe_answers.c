#include "measure/stripe_answers.h"

#include "base/fourier.h"
#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { PROFILE_REACH = 30 }; /* samples to either side */
static const double PI = 3.14159265358979323846;
static const double ALONG_SIGMA_MM = 2.5;
static const double ACROSS_SIGMA_MM = 0.35;
static const double PROFILE_STEP_MM = 0.5;
static const double OUTSIDE_MM = 4.0;        /* width of myometrium looked at beyond each wall */
static const double UNEVEN_SIDES_COST = 0.5; /* myometrium is much the same on both sides of the stripe */
static const double MOST_OFF_CENTRE = 0.3;   /* of the middle line, over the half thickness */
static const double FAINT_MIDDLE =
    0.6;                           /* what two outer lines answer that have hardly a middle one between */
static const double SIDE_MM = 6.0; /* of myometrium beyond each wall whose evenness counts */
static const double RESTLESS_SIGMA_MM = 8.0; /* neighbourhood in which a picture's restlessness is taken */
static const double LEAST_RESTLESS = 0.3;    /* of the picture's usual restlessness */
const double ANSWER_HALVES_MM[ANSWER_HALVES] = {2.25, 3.25, 4.5, 6.0, 7.75};

struct search {
    const struct raster *picture;
    const struct raster *window;
    double pixel_mm;
    double least_restless; /* grey levels: answers are not measured against less than this */
    struct stripe_answers *answers;
};

/* Transforms `values` (n = rows x columns, taken through `fourier`) into `spectrum`. */
static void transform(struct fourier *fourier, const float *values, size_t n, double complex *spectrum,
                      size_t n_spectrum)
{
    double *real = fourier_real(fourier);

    for (size_t i = 0; i < n; i++)
        real[i] = values[i];
    fourier_forward(fourier);
    memcpy(spectrum, fourier_complex(fourier), n_spectrum * sizeof *spectrum);
}

/* Mean along one direction: the spectrum times an elongated Gaussian, back into `out`. */
static void smooth_direction(struct fourier *fourier, const double complex *spectrum, int width, int height,
                             double angle_rad, double pixel_mm, float *out)
{
    double complex *other = fourier_complex(fourier);
    const double *real = fourier_real(fourier);
    int half_width = width / 2 + 1;
    double along = 2.0 * PI * PI * ALONG_SIGMA_MM * ALONG_SIGMA_MM;
    double across = 2.0 * PI * PI * ACROSS_SIGMA_MM * ACROSS_SIGMA_MM;
    double scale = 1.0 / ((double)width * height);

    for (int y = 0; y < height; y++) {
        double v = (y <= height / 2 ? y : y - height) / (height * pixel_mm);

        for (int x = 0; x < half_width; x++) {
            double u = x / (width * pixel_mm);
            double f_along = u * cos(angle_rad) + v * sin(angle_rad);
            double f_across = -u * sin(angle_rad) + v * cos(angle_rad);
            size_t i = (size_t)y * (size_t)half_width + (size_t)x;

            other[i] = spectrum[i] * exp(-along * f_along * f_along - across * f_across * f_across) * scale;
        }
    }
    fourier_backward(fourier);
    for (size_t i = 0; i < (size_t)width * (size_t)height; i++)
        out[i] = (float)real[i];
}

static double mean_between(const float *profile, double from_mm, double to_mm)
{
    int from = (int)lround(from_mm / PROFILE_STEP_MM) + PROFILE_REACH;
    int to = (int)lround(to_mm / PROFILE_STEP_MM) + PROFILE_REACH;
    double sum = 0.0;
    int n = 0;

    for (int i = from < 0 ? 0 : from; i <= to && i <= 2 * PROFILE_REACH; i++, n++)
        sum += profile[i];
    return n > 0 ? sum / n : 0.0;
}

/* Variance of a profile over both sides of a bar, SIDE_MM wide, about their common mean. */
static double side_variance(const float *profile, double half_mm)
{
    int from = (int)lround((half_mm + 0.75) / PROFILE_STEP_MM);
    int to = (int)lround((half_mm + 0.75 + SIDE_MM) / PROFILE_STEP_MM);
    double sum = 0.0;
    double square = 0.0;
    double n = 0.0;

    for (int i = from; i <= to && i <= PROFILE_REACH; i++, n += 2.0) {
        double before = (double)profile[PROFILE_REACH - i];
        double after = (double)profile[PROFILE_REACH + i];

        sum += before + after;
        square += before * before + after * after;
    }
    return fmax(square / n - sum / n * (sum / n), 0.0);
}

/* Contrast of a bright bar against the brighter of its two sides. */
static double bright_answer(const float *profile, double half_mm)
{
    double inside = mean_between(profile, -half_mm + 0.5, half_mm - 0.5);
    double before = mean_between(profile, -half_mm - 0.5 - OUTSIDE_MM, -half_mm - 0.5);
    double after = mean_between(profile, half_mm + 0.5, half_mm + 0.5 + OUTSIDE_MM);

    return inside - fmax(before, after) - UNEVEN_SIDES_COST * fabs(before - after);
}

/* Height of the best line, one millimetre wide, within half a millimetre of a place. */
static double line_near(const float *profile, double at_mm)
{
    double best = mean_between(profile, at_mm - 0.5, at_mm + 0.5);

    best = fmax(best, mean_between(profile, at_mm - 1.0, at_mm));
    return fmax(best, mean_between(profile, at_mm, at_mm + 1.0));
}

/* Where the middle line lies: the layers are rarely alike in thickness. */
static double middle_place(const float *profile, double half_mm)
{
    double best = -HUGE_VAL;
    double place = 0.0;

    for (int i = -2; i <= 2; i++) {
        double at = 0.5 * MOST_OFF_CENTRE * i * half_mm;
        double value = mean_between(profile, at - 0.5, at + 0.5);

        if (value > best) {
            best = value;
            place = at;
        }
    }
    return place;
}

/* Contrast of three lines against the dark between; all must show. `profile` begins at its middle's place
 * less PROFILE_REACH. */
static double triple_answer_at(const float *profile, double half_mm)
{
    double at = middle_place(profile, half_mm);
    double middle = mean_between(profile, at - 0.5, at + 0.5);
    double before = line_near(profile, -half_mm);
    double after = line_near(profile, half_mm);
    double outer = 0.75 * fmin(before, after) + 0.25 * fmax(before, after);
    double dark = 0.5 * (mean_between(profile, -half_mm + 1.25, at - 1.0) +
                         mean_between(profile, at + 1.0, half_mm - 1.25));

    return fmax(fmin(0.5 * (middle + outer), 1.25 * fmin(middle, outer) - 0.25 * dark) - dark,
                FAINT_MIDDLE * (outer - dark));
}

/* The best within a step of the place: lines are thinner than the grid is wide. */
static double triple_answer(const float *profile, double half_mm)
{
    double best = 0.0;

    if (half_mm < 2.5)
        return -1e3; /* too thin to have layers */
    best = triple_answer_at(profile, half_mm);
    best = fmax(best, triple_answer_at(profile - 1, half_mm));
    return fmax(best, triple_answer_at(profile + 1, half_mm));
}

static void fill_profile(const struct raster *smoothed, double x_px, double y_px, double normal_x,
                         double normal_y, float *profile)
{
    for (int i = -PROFILE_REACH - 1; i <= PROFILE_REACH + 1; i++)
        profile[i + PROFILE_REACH] = raster_at(smoothed, x_px + i * normal_x, y_px + i * normal_y);
}

/* All answers of one direction; raw[kind] is rows x columns, NAN where there is no picture. */
static void answer_direction(const struct search *search, const struct raster *smoothed, double angle_rad,
                             float *const *raw)
{
    double step_px = PROFILE_STEP_MM / search->pixel_mm;
    float wide[2 * PROFILE_REACH + 3];
    float *profile = wide + 1;

    for (int row = 0; row < search->answers->rows; row++)
        for (int column = 0; column < search->answers->columns; column++) {
            double x = (column + 0.5) * ANSWER_GRID_MM / search->pixel_mm - 0.5;
            double y = (row + 0.5) * ANSWER_GRID_MM / search->pixel_mm - 0.5;
            size_t i = (size_t)row * (size_t)search->answers->columns + (size_t)column;
            double normal_x = -sin(angle_rad) * step_px;
            double normal_y = cos(angle_rad) * step_px;
            bool is_inside = raster_at(search->window, x, y) > 0.5F;

            if (is_inside)
                fill_profile(smoothed, x, y, normal_x, normal_y, profile);
            for (int half = 0; half < ANSWER_HALVES; half++) {
                double reach = (ANSWER_HALVES_MM[half] + 2.5) / PROFILE_STEP_MM;
                bool has_walls =
                    is_inside &&
                    raster_at(search->window, x + reach * normal_x, y + reach * normal_y) > 0.5F &&
                    raster_at(search->window, x - reach * normal_x, y - reach * normal_y) > 0.5F;
                double restless = has_walls ? hypot(sqrt(side_variance(profile, ANSWER_HALVES_MM[half])),
                                                    search->least_restless)
                                            : 1.0;

                raw[half][i] =
                    has_walls ? (float)(bright_answer(profile, ANSWER_HALVES_MM[half]) / restless) : NAN;
                raw[ANSWER_HALVES + half][i] =
                    has_walls ? (float)(triple_answer(profile, ANSWER_HALVES_MM[half]) / restless) : NAN;
            }
        }
}

/* Turns contrasts into robust standard deviations of their kind; returns where no contrast ends up. */
static float scale_answers(float *values, size_t n, double *scratch)
{
    size_t n_used = 0;
    double centre = 0.0;
    double spread = 0.0;

    for (size_t i = 0; i < n; i += 7)
        if (isfinite(values[i]))
            scratch[n_used++] = values[i];
    centre = statistics_median(scratch, n_used);
    spread = fmax(statistics_spread(scratch, n_used), 1e-3);
    for (size_t i = 0; i < n; i++)
        values[i] = isfinite(values[i]) ? (float)((values[i] - centre) / spread) : -100.0F;
    return (float)(-centre / spread);
}
/* How much the slightly smoothed picture usually varies within RESTLESS_SIGMA_MM, grey levels. */
static bool find_usual_restlessness(struct search *search)
{
    size_t n = (size_t)search->picture->width_px * (size_t)search->picture->height_px;
    double sigma = RESTLESS_SIGMA_MM / search->pixel_mm;
    struct raster *mean = raster_copy(search->picture);
    struct raster *square = raster_copy(search->picture);
    struct raster *weight = raster_copy(search->window);
    double *sorted = malloc((n / 31 + 1) * sizeof *sorted);
    size_t n_sorted = 0;
    bool is_made = mean && square && weight && sorted &&
                   raster_smooth(mean, 1.0 / search->pixel_mm, 1.0 / search->pixel_mm);

    for (size_t i = 0; i < n && is_made; i++) {
        float value = mean->value[i];

        mean->value[i] = value * weight->value[i];
        square->value[i] = value * value * weight->value[i];
    }
    is_made = is_made && raster_smooth(mean, sigma, sigma) && raster_smooth(square, sigma, sigma) &&
              raster_smooth(weight, sigma, sigma);
    for (size_t i = 0; i < n && is_made; i += 31) {
        float covered = fmaxf(weight->value[i], 0.02F);
        float level = mean->value[i] / covered;

        if (search->window->value[i] > 0.5F)
            sorted[n_sorted++] = (double)sqrtf(fmaxf(square->value[i] / covered - level * level, 0.0F));
    }
    if (is_made)
        search->least_restless = fmax(LEAST_RESTLESS * statistics_median(sorted, n_sorted), 0.5);
    raster_free(&mean);
    raster_free(&square);
    raster_free(&weight);
    free(sorted);
    return is_made;
}

/* All answers of all kinds, in robust standard deviations of each kind. */
static bool fill_answers(struct search *search)
{
    int width = search->picture->width_px;
    int height = search->picture->height_px;
    size_t n = (size_t)width * (size_t)height;
    size_t n_spectrum = (size_t)height * ((size_t)width / 2 + 1);
    size_t n_places = (size_t)search->answers->rows * (size_t)search->answers->columns;
    size_t n_all = ANSWER_ANGLES * n_places;
    struct fourier *fourier = fourier_make((size_t)height, (size_t)width);
    double complex *picture_spectrum = malloc(n_spectrum * sizeof *picture_spectrum);
    double complex *window_spectrum = malloc(n_spectrum * sizeof *window_spectrum);
    struct raster *smoothed = raster_make(width, height);
    float *covered = malloc(n * sizeof *covered);
    float *masked = malloc(n * sizeof *masked);
    double *scratch = malloc((n_all / 7 + 1) * sizeof *scratch);
    bool is_made = fourier && picture_spectrum && window_spectrum && smoothed && covered && masked && scratch;

    if (is_made) {
        for (size_t i = 0; i < n; i++)
            masked[i] = search->picture->value[i] * search->window->value[i];
        transform(fourier, masked, n, picture_spectrum, n_spectrum);
        transform(fourier, search->window->value, n, window_spectrum, n_spectrum);
    }
    for (int angle = 0; is_made && angle < ANSWER_ANGLES; angle++) {
        float *kinds[ANSWER_KINDS];
        double angle_rad = PI * angle / ANSWER_ANGLES;

        for (size_t kind = 0; kind < ANSWER_KINDS; kind++)
            kinds[kind] = search->answers->value + kind * n_all + (size_t)angle * n_places;
        smooth_direction(fourier, picture_spectrum, width, height, angle_rad, search->pixel_mm,
                         smoothed->value);
        smooth_direction(fourier, window_spectrum, width, height, angle_rad, search->pixel_mm, covered);
        for (size_t i = 0; i < n; i++)
            smoothed->value[i] /= fmaxf(covered[i], 0.05F);
        answer_direction(search, smoothed, angle_rad, kinds);
    }
    for (size_t kind = 0; is_made && kind < ANSWER_KINDS; kind++)
        search->answers->nothing[kind] = scale_answers(search->answers->value + kind * n_all, n_all, scratch);
    fourier_free(&fourier);
    free(picture_spectrum);
    free(window_spectrum);
    raster_free(&smoothed);
    free(covered);
    free(masked);
    free(scratch);
    return is_made;
}

bool stripe_answers_make(struct stripe_answers *answers, const struct raster *picture,
                         const struct raster *window, double pixel_mm, struct error **err)
{
    struct search search = {.picture = picture, .window = window, .pixel_mm = pixel_mm, .answers = answers};

    memset(answers, 0, sizeof *answers);
    answers->columns = (int)(picture->width_px * pixel_mm / ANSWER_GRID_MM);
    answers->rows = (int)(picture->height_px * pixel_mm / ANSWER_GRID_MM);
    answers->value = malloc(ANSWER_KINDS * (size_t)ANSWER_ANGLES * (size_t)answers->columns *
                                (size_t)answers->rows * sizeof *answers->value +
                            1);
    if (answers->value != NULL && find_usual_restlessness(&search) && fill_answers(&search))
        return true;
    stripe_answers_free(answers);
    return error_memory(err);
}

void stripe_answers_free(struct stripe_answers *answers)
{
    if (answers == NULL)
        return;
    free(answers->value);
    memset(answers, 0, sizeof *answers);
}
