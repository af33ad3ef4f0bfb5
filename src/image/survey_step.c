#include "image/survey_internal.h"

#include <gsl/gsl_sort_float.h>
#include <math.h>
#include <stdlib.h>

/* Common practice, no source. */
static const double WINDOW_S = 1.0;               /* what lasts is compared over this long before and after */
enum { WINDOW_MIN = 3, WINDOW_MAX = 60 };         /* frames */
static const double GAIN_MIN_LEVELS = 3.0;        /* a smaller step is not told from content */
static const double NOISE_TIMES = 5.0;            /* a step stands out of the noise by so much */
static const double SUDDEN_SHARE = 0.75;          /* of a change within two steps of a frame */
static const double AGREEING_SHARE = 0.7;         /* of the blocks that follow a gain step */
static const double BLOCK_MIN_LEVELS = 4.0;       /* change of a block that counts for geometry */
static const double GEOMETRY_SHARE = 0.25;        /* of the blocks that change beyond gain: a new picture */
static const double GEOMETRY_SHARE_MARKED = 0.10; /* the same, when burned-in marks changed too */
static const double MARKS_SHARE = 0.15;

/** Block means before and after a frame, each the median over a window, and their noise. */
struct comparison {
    float before[SURVEY_BLOCKS];
    float after[SURVEY_BLOCKS];
    float noise[SURVEY_BLOCKS];
    double shift;    /* median over the live blocks of after - before */
    double geometry; /* share of the live blocks that changed beyond the shift */
    double agreeing; /* share of the live blocks that follow the shift */
    double sudden;   /* share of the change that came within two steps */
};

struct window {
    const struct survey_row *rows;
    const float *live;
    size_t n;
    size_t length;
};

/** Median of one block over frames [first, end); *spread: half the distance of its quartiles. */
static float block_median(const struct window *window, size_t first, size_t end, int block, float *spread)
{
    float values[WINDOW_MAX];
    size_t n = 0;

    for (size_t i = first; i < end && n < WINDOW_MAX; i++)
        values[n++] = window->rows[i].mean[block];
    *spread = 0.0F;
    if (n == 0)
        return 0.0F;
    gsl_sort_float(values, 1, n);
    *spread = (values[n - 1 - (n - 1) / 4] - values[(n - 1) / 4]) / 2;
    return values[n / 2];
}

static double median_of(float *values, size_t n)
{
    if (n == 0)
        return 0;
    gsl_sort_float(values, 1, n);
    return n % 2 ? (double)values[n / 2] : ((double)values[n / 2 - 1] + (double)values[n / 2]) / 2;
}

/** What share of the lasting change of the blocks came between two frames. */
static double share_between(const struct window *window, size_t from, size_t to,
                            const struct comparison *comparison)
{
    double along = 0;
    double total = 0;

    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        double lasting = (double)(comparison->after[block] - comparison->before[block]);

        if (window->live[block] <= 0)
            continue;
        along += lasting * ((double)window->rows[to].mean[block] - (double)window->rows[from].mean[block]);
        total += lasting * lasting;
    }
    return total > 0 ? along / total : 0;
}

/** The same over two steps, the largest of which ends at `at`: a recorder may blend two frames. */
static double sudden_share(const struct window *window, size_t at, const struct comparison *comparison)
{
    double earlier = share_between(window, at >= 2 ? at - 2 : 0, at, comparison);
    double later = share_between(window, at - 1, at + 1 < window->n ? at + 1 : at, comparison);

    return fmax(earlier, later);
}

static void compare_at(const struct window *window, size_t at, struct comparison *comparison)
{
    float changes[SURVEY_BLOCKS];
    size_t n = 0;
    size_t n_new = 0;
    size_t n_agree = 0;
    size_t first = at > window->length ? at - window->length : 0;
    size_t end = at + window->length < window->n ? at + window->length : window->n;

    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        float spread_before = 0;
        float spread_after = 0;

        if (window->live[block] <= 0)
            continue;
        comparison->before[block] = block_median(window, first, at, block, &spread_before);
        comparison->after[block] = block_median(window, at, end, block, &spread_after);
        comparison->noise[block] = fmaxf(0.7F, fmaxf(spread_before, spread_after) * 1.5F);
        changes[n++] = comparison->after[block] - comparison->before[block];
    }
    comparison->shift = median_of(changes, n);
    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        double change = (double)(comparison->after[block] - comparison->before[block]);
        double rest = fabs(change - comparison->shift);

        if (window->live[block] <= 0)
            continue;
        n_agree += change * comparison->shift > 0 && fabs(change) > 0.4 * fabs(comparison->shift);
        n_new += rest > fmax(BLOCK_MIN_LEVELS, fabs(comparison->shift)) &&
                 rest > NOISE_TIMES * (double)comparison->noise[block];
    }
    comparison->geometry = n ? (double)n_new / (double)n : 0;
    comparison->agreeing = n ? (double)n_agree / (double)n : 0;
    comparison->sudden = sudden_share(window, at, comparison);
}

/** How much the live blocks differ between frame i and the one before, root mean square. */
static double frame_step(const struct window *window, size_t i)
{
    double sum = 0;
    size_t n = 0;

    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        double change = (double)window->rows[i].mean[block] - (double)window->rows[i - 1].mean[block];

        if (window->live[block] <= 0)
            continue;
        sum += change * change;
        n++;
    }
    return n ? sqrt(sum / (double)n) : 0;
}

/** A frame whose step is the largest within a window to both sides: where a step may be. */
static bool is_peak(const double *steps, size_t at, size_t n, size_t reach)
{
    size_t first = at > reach ? at - reach : 1;

    for (size_t i = first; i < n && i <= at + reach; i++)
        if (steps[i] > steps[at] || (i < at && steps[i] >= steps[at]))
            return false;
    return steps[at] > 1.0;
}

static float marks_changed(const struct window *window, size_t at)
{
    float most = 0;
    double until_s = window->rows[at].time_s + 0.6;

    for (size_t i = at; i < window->n && window->rows[i].time_s <= until_s; i++)
        most = fmaxf(most, window->rows[i].structure);
    return most;
}

static bool is_geometry(const struct comparison *comparison, double marks)
{
    if (comparison->sudden < SUDDEN_SHARE)
        return false;
    if (marks >= MARKS_SHARE && comparison->geometry >= GEOMETRY_SHARE_MARKED)
        return true;
    return comparison->geometry >= GEOMETRY_SHARE;
}

static bool is_gain(const struct comparison *comparison)
{
    double noise = 0;
    int n = 0;

    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        noise += (double)comparison->noise[block];
        n += comparison->noise[block] > 0;
    }
    noise = n ? noise / n : 0;
    return fabs(comparison->shift) >= GAIN_MIN_LEVELS && fabs(comparison->shift) > 1.5 * noise &&
           comparison->agreeing >= AGREEING_SHARE && comparison->sudden >= SUDDEN_SHARE;
}

static double level_of(const struct survey *survey, size_t first, size_t end)
{
    double sum = 0;

    for (size_t i = first; i < end; i++)
        sum += (double)survey->brightness[i];
    return sum / (double)(end - first);
}

/** Turns the frames where a gain step happens into a factor relative to the longest segment. */
static void fill_gain(struct survey *survey, const size_t *steps, size_t n_steps)
{
    size_t longest = 0;
    double usual = 0;

    for (size_t i = 0; i <= n_steps; i++) {
        size_t first = i ? steps[i - 1] : 0;
        size_t end = i < n_steps ? steps[i] : survey->n_frames;

        if (end - first > longest) {
            longest = end - first;
            usual = level_of(survey, first, end);
        }
    }
    for (size_t i = 0; i <= n_steps; i++) {
        size_t first = i ? steps[i - 1] : 0;
        size_t end = i < n_steps ? steps[i] : survey->n_frames;
        double level = level_of(survey, first, end);

        for (size_t k = first; k < end; k++)
            survey->gain[k] = usual > 0.5 && n_steps ? (float)(level / usual) : 1.0F;
    }
}

static int compare_stretches(const void *left, const void *right)
{
    const struct stretch *a = left;
    const struct stretch *b = right;
    size_t length_a = a->end - a->first;
    size_t length_b = b->end - b->first;

    if (length_a != length_b)
        return length_a < length_b ? 1 : -1;
    return (a->first > b->first) - (a->first < b->first);
}

static bool fill_stretches(struct survey *survey, const size_t *cuts, size_t n_cuts)
{
    survey->stretches = calloc(n_cuts + 1, sizeof *survey->stretches);
    if (survey->stretches == NULL)
        return false;
    survey->n_stretches = n_cuts + 1;
    for (size_t i = 0; i <= n_cuts; i++) {
        survey->stretches[i].first = i ? cuts[i - 1] : 0;
        survey->stretches[i].end = i < n_cuts ? cuts[i] : survey->n_frames;
    }
    qsort(survey->stretches, survey->n_stretches, sizeof *survey->stretches, compare_stretches);
    return true;
}

struct found_steps {
    size_t *gains;
    size_t n_gains;
    size_t *cuts;
    size_t n_cuts;
};

static bool find_steps(struct survey *survey, const struct window *window, const double *steps,
                       struct found_steps *found)
{
    for (size_t i = WINDOW_MIN; i + WINDOW_MIN <= window->n; i++) {
        struct comparison comparison = {0};

        if (!is_peak(steps, i, window->n, window->length / 2))
            continue;
        compare_at(window, i, &comparison);
        if (is_geometry(&comparison, (double)marks_changed(window, i))) {
            found->cuts[found->n_cuts++] = i;
            if (!text_list_add(
                    &survey->problems,
                    "the picture changes at %.2f s (frame %zu): depth, zoom or layout is no longer the same",
                    survey->time_s[i], i))
                return false;
        } else if (is_gain(&comparison)) {
            found->gains[found->n_gains++] = i;
            if (!text_list_add(
                    &survey->problems,
                    "the gain changes at %.2f s (frame %zu): the picture is %.0f grey levels %s from there",
                    survey->time_s[i], i, fabs(comparison.shift),
                    comparison.shift > 0 ? "brighter" : "darker"))
                return false;
        }
    }
    return true;
}

static size_t window_length(const struct survey *survey)
{
    double rate_hz = survey->frame_rate_hz > 0 ? survey->frame_rate_hz : 10.0;
    double length = ceil(WINDOW_S * rate_hz);

    if (length < WINDOW_MIN + 1)
        return WINDOW_MIN + 1;
    return length > WINDOW_MAX ? WINDOW_MAX : (size_t)length;
}

bool survey_judge_steps(struct survey *survey, const struct survey_row *rows, const float *live,
                        struct error **err)
{
    size_t n = survey->n_frames;
    struct window window = {.rows = rows, .live = live, .n = n, .length = window_length(survey)};
    double *steps = calloc(n, sizeof *steps);
    struct found_steps found = {.gains = calloc(n, sizeof(size_t)), .cuts = calloc(n, sizeof(size_t))};
    bool is_good = steps != NULL && found.gains != NULL && found.cuts != NULL;

    for (size_t i = 1; is_good && i < n; i++)
        steps[i] = frame_step(&window, i);
    is_good = is_good && find_steps(survey, &window, steps, &found) &&
              fill_stretches(survey, found.cuts, found.n_cuts);
    if (is_good)
        fill_gain(survey, found.gains, found.n_gains);
    free(steps);
    free(found.gains);
    free(found.cuts);
    return is_good || error_memory(err);
}

static double brightness_of(const struct survey_row *row, const float *live)
{
    double sum = 0;
    double all = 0;
    size_t n = 0;

    for (int block = 0; block < SURVEY_BLOCKS; block++) {
        all += row->mean[block];
        if (live[block] > 0) {
            sum += row->mean[block];
            n++;
        }
    }
    return n ? sum / (double)n : all / SURVEY_BLOCKS;
}

bool survey_judge_rows(struct survey *survey, const struct survey_row *rows, bool has_clock,
                       struct error **err)
{
    float live[SURVEY_BLOCKS] = {0};
    bool still[SURVEY_BLOCKS] = {0};
    size_t n_live = survey_live_blocks(live, still, rows, survey->n_frames);

    for (size_t i = 0; i < survey->n_frames; i++)
        survey->brightness[i] = (float)brightness_of(&rows[i], live);
    if (n_live == 0 && survey->n_frames > 1 &&
        !text_list_add(&survey->problems, "nothing moves in this loop: it shows one still picture"))
        return error_memory(err);
    return survey_judge_repeats(survey, rows, has_clock, live, still, err) &&
           survey_judge_steps(survey, rows, live, err);
}
