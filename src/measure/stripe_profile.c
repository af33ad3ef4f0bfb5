#include "measure/stripe_profile.h"

#include "base/wide.h"

#include <assert.h>
#include <math.h>
#include <string.h>

static const double COLUMN_MM = 0.25;
static const double MOST_OFF_CENTRE = 0.3; /* of the middle line, over the half thickness */
static const double FAINT_MIDDLE = 0.5;    /* what two outer lines answer whose middle one may be lost */
static const double BRIGHTER_DARK =
    0.6;                           /* then: share of the brighter of the two dark parts, both must be dark */
static const double UNSEEN = 0.25; /* what a place counts where the dark parts are the brighter ones */
static const double OUTSIDE_MM = 4.0;
static const double LEAST_TRIPLE_MM = 2.25; /* half thickness */
enum {
    OUTSIDE = 16, /* OUTSIDE_MM in columns */
    LINE = 2,     /* half of a line's width, and the column on it */
    BETWEEN = 4,  /* from the middle of a line to the dark part beside it */
    EDGE = 8,     /* of picture beyond a wall */
};

/* ---- the profile ---- */

/* The lesser and the greater of two, as processors have them for many at a time. */
WIDE_PART double lesser(double a, double b)
{
    return a < b ? a : b;
}

WIDE_PART double greater(double a, double b)
{
    return a > b ? a : b;
}

/* What a contrast of two parts counts: their widths over the standard error that noise of unit size gives. */
static double weight_of(double one_mm, double other_mm)
{
    return sqrt(one_mm * other_mm / (one_mm + other_mm));
}

static double bright_weight(double half_mm)
{
    return weight_of(half_mm, OUTSIDE_MM);
}

static double triple_weight(double half_mm)
{
    return half_mm < LEAST_TRIPLE_MM ? 0.0 : weight_of(2.67, 2.0 * (half_mm - 1.5));
}

/* A bar from its parts: the means without, before and after it, and within, of both halves. */
WIDE_PART double bright_of(double before, double after, double upper, double lower, double weight)
{
    return 1.41421356 * (lesser(upper - before, lower - after) * weight);
}

/* Three lines from their parts: the means of the lines, the outer ones before and after, and of the dark
 * parts between them. */
WIDE_PART double triple_of(double middle, double before, double after, double upper, double lower,
                           bool is_middle_lost, double weight)
{
    double outer = 0.75 * lesser(before, after) + 0.25 * greater(before, after); /* both must show */
    double brighter = is_middle_lost ? BRIGHTER_DARK : 0.5;
    double dark = brighter * greater(upper, lower) + (1.0 - brighter) * lesser(upper, lower);
    double contrast = lesser(0.5 * (middle + outer), 1.5 * lesser(middle, outer) - 0.5 * dark) - dark;
    double faint = FAINT_MIDDLE * (outer - dark);

    contrast = is_middle_lost ? greater(contrast, faint) : contrast;
    /* Where the lines are not seen, the stripe may be there all the same. */
    return (contrast < 0.0 ? UNSEEN * contrast : contrast) * weight;
}

/* ---- at any place ---- */

static double bright_answer(const struct straight *straight, size_t row, double centre, double half)
{
    double before = straight_mean(straight, row, centre - half - OUTSIDE_MM, centre - half - 0.25);
    double after = straight_mean(straight, row, centre + half + 0.25, centre + half + OUTSIDE_MM);
    double upper = straight_mean(straight, row, centre - half + 0.25, centre);
    double lower = straight_mean(straight, row, centre, centre + half - 0.25);

    return bright_of(before, after, upper, lower, bright_weight(half));
}

/* One of the places where the middle line may lie, from the centre. */
static double middle_off(int i, double half_mm)
{
    return 0.5 * MOST_OFF_CENTRE * (i - PROFILE_MIDDLES / 2) * half_mm;
}

double stripe_profile_middle(const struct straight *straight, size_t row, double centre_mm, double half_mm)
{
    double best = -HUGE_VAL;
    double place = centre_mm;

    for (int i = 0; i < PROFILE_MIDDLES; i++) {
        double at = centre_mm + middle_off(i, half_mm);
        double value = straight_mean(straight, row, at - 0.5, at + 0.5);

        if (value > best) {
            best = value;
            place = at;
        }
    }
    return place;
}

static double triple_answer(const struct straight *straight, bool is_middle_lost, size_t row, double centre,
                            double half)
{
    double at = stripe_profile_middle(straight, row, centre, half);
    double middle = straight_mean(straight, row, at - 0.5, at + 0.5);
    double before = straight_mean(straight, row, centre - half - 0.5, centre - half + 0.5);
    double after = straight_mean(straight, row, centre + half - 0.5, centre + half + 0.5);
    double upper = straight_mean(straight, row, centre - half + 1.0, at - 1.0);
    double lower = straight_mean(straight, row, at + 1.0, centre + half - 1.0);

    if (half < LEAST_TRIPLE_MM)
        return 0.0;
    return triple_of(middle, before, after, upper, lower, is_middle_lost, triple_weight(half));
}

double stripe_profile_contrast(const struct straight *straight, const struct stripe_kind *kind, size_t row,
                               double centre_mm, double half_mm)
{
    return kind->look == STRIPE_BRIGHT
               ? bright_answer(straight, row, centre_mm, half_mm)
               : triple_answer(straight, kind->is_middle_lost, row, centre_mm, half_mm);
}

/* ---- on columns ---- */

struct stripe_bar stripe_bar_make(const struct stripe_kind *kind, double half_mm)
{
    bool is_bright = kind->look == STRIPE_BRIGHT;
    struct stripe_bar bar = {.is_bright = is_bright,
                             .is_middle_lost = kind->is_middle_lost,
                             .half = (int)lround(half_mm / COLUMN_MM),
                             .weight = is_bright ? bright_weight(half_mm) : triple_weight(half_mm)};

    for (int i = 0; i < PROFILE_MIDDLES; i++) {
        int middle = (int)floor(middle_off(i, half_mm) / COLUMN_MM + 0.5);
        int n_upper = middle + bar.half - 2 * BETWEEN + 1;
        int n_lower = bar.half - middle - 2 * BETWEEN + 1;

        bar.middle[i] = middle;
        bar.n_upper[i] = n_upper > 1 ? n_upper : 1;
        bar.n_lower[i] = n_lower > 1 ? n_lower : 1;
    }
    return bar;
}

void stripe_profile_take(struct stripe_profile *profile, const struct straight *straight, size_t row)
{
    int n = straight->n_columns;
    const double *sum = straight->sum + row * ((size_t)n + 1);
    const float *inside = straight->inside + row * (size_t)n;

    assert(n < PROFILE_COLUMNS && fabs(straight->column_mm - COLUMN_MM) < 1e-12);
    profile->n_columns = n;
    memset(profile->seen, 0, sizeof profile->seen);
    for (int i = 0; i < PROFILE_BESIDE; i++) {
        profile->sum[i] = sum[0];
        profile->sum[PROFILE_BESIDE + n + 1 + i] = sum[n];
    }
    memcpy(profile->sum + PROFILE_BESIDE, sum, ((size_t)n + 1) * sizeof *sum);
    for (int i = 0; i < n; i++)
        profile->seen[PROFILE_BESIDE + i] = inside[i] > 0.5F ? 1.0 : 0.0;
    for (int i = LINE; i < n + 2 * PROFILE_BESIDE - LINE; i++)
        profile->line[i] = (profile->sum[i + LINE + 1] - profile->sum[i - LINE]) / (2 * LINE + 1);
}

WIDE_PART double bright_at(const struct stripe_profile *profile, const struct stripe_bar *bar, int column)
{
    const double *sum = profile->sum + PROFILE_BESIDE + column;
    int half = bar->half;
    int n_before = column - half < OUTSIDE ? column - half : OUTSIDE;
    int room = profile->n_columns - 1 - column - half;
    int n_after = room < OUTSIDE ? room : OUTSIDE;

    return bright_of((sum[-half] - sum[-half - OUTSIDE]) / n_before,
                     (sum[half + 1 + OUTSIDE] - sum[half + 1]) / n_after, (sum[1] - sum[1 - half]) / half,
                     (sum[half] - sum[0]) / half, bar->weight);
}

/* The brightest of the middle lines so far, and the dark parts beside it. */
struct middle {
    double line;
    double upper, lower; /* sums of the dark parts */
    double n_upper, n_lower;
};

WIDE_PART struct middle brighter_middle(struct middle best, const double *sum, const double *line,
                                        const struct stripe_bar *bar, int i)
{
    int upper = BETWEEN - bar->half;
    int lower = bar->middle[i] + BETWEEN;
    struct middle middle = {.line = line[bar->middle[i]],
                            .upper = sum[upper + bar->n_upper[i]] - sum[upper],
                            .lower = sum[lower + bar->n_lower[i]] - sum[lower],
                            .n_upper = bar->n_upper[i],
                            .n_lower = bar->n_lower[i]};
    bool is_better = middle.line > best.line;

    best.line = is_better ? middle.line : best.line;
    best.upper = is_better ? middle.upper : best.upper;
    best.lower = is_better ? middle.lower : best.lower;
    best.n_upper = is_better ? middle.n_upper : best.n_upper;
    best.n_lower = is_better ? middle.n_lower : best.n_lower;
    return best;
}

WIDE_PART double triple_at(const struct stripe_profile *profile, const struct stripe_bar *bar, int column)
{
    const double *sum = profile->sum + PROFILE_BESIDE + column;
    const double *line = profile->line + PROFILE_BESIDE + column;
    struct middle best = {.line = -HUGE_VAL, .n_upper = 1.0, .n_lower = 1.0};

    best = brighter_middle(best, sum, line, bar, 0);
    best = brighter_middle(best, sum, line, bar, 1);
    best = brighter_middle(best, sum, line, bar, 2);
    best = brighter_middle(best, sum, line, bar, 3);
    best = brighter_middle(best, sum, line, bar, 4);
    return triple_of(best.line, line[-bar->half], line[bar->half], best.upper / best.n_upper,
                     best.lower / best.n_lower, bar->is_middle_lost, bar->weight);
}

WIDE_PART bool is_seen(const struct stripe_profile *profile, const struct stripe_bar *bar, int column)
{
    const double *seen = profile->seen + PROFILE_BESIDE + column;

    return seen[-bar->half - EDGE] * seen[bar->half + EDGE] > 0.5;
}

double stripe_profile_answer(const struct stripe_profile *profile, const struct stripe_bar *bar, int column)
{
    if (bar->weight <= 0.0 || !is_seen(profile, bar, column))
        return 0.0;
    return bar->is_bright ? bright_at(profile, bar, column) : triple_at(profile, bar, column);
}

WIDE static void bright_answers(float *restrict answer, const struct stripe_profile *profile,
                                const struct stripe_bar *bar, int column, int n, double chance)
{
#pragma omp simd
    for (int i = 0; i < n; i++) {
        double value = bright_at(profile, bar, column + i) / chance;

        answer[i] = is_seen(profile, bar, column + i) ? (float)value : 0.0F;
    }
}

WIDE static void triple_answers(float *restrict answer, const struct stripe_profile *profile,
                                const struct stripe_bar *bar, int column, int n, double chance)
{
#pragma omp simd
    for (int i = 0; i < n; i++) {
        double value = triple_at(profile, bar, column + i) / chance;

        answer[i] = is_seen(profile, bar, column + i) ? (float)value : 0.0F;
    }
}

void stripe_profile_answers(float *answer, const struct stripe_profile *profile, const struct stripe_bar *bar,
                            int column, int n, double chance)
{
    if (bar->weight <= 0.0)
        for (int i = 0; i < n; i++)
            answer[i] = 0.0F;
    else if (bar->is_bright)
        bright_answers(answer, profile, bar, column, n, chance);
    else
        triple_answers(answer, profile, bar, column, n, chance);
}
