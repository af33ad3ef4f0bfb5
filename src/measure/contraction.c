#include "measure/contraction.h"

#include "measure/amplitude.h"
#include "measure/band.h"
#include "measure/coherence.h"
#include "measure/direction.h"
#include "measure/peak.h"
#include "measure/phase.h"
#include "measure/train.h"
#include "measure/velocity.h"
#include "measure/wave_list.h"
#include "measure/witness.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double MOST_FALSE_ALARM = 0.003; /* of a quiet uterus */
static const double LEAST_AMPLITUDE_MM = 0.1; /* smaller motion is not told from the error of tracking */
static const double LEAST_COHERENCE = 0.5;
/* Patches reach 2.6 mm to either side: nearer ones see the same speckle. Waves of both ways at once may
 * cancel out at one distance, but not at half as much again too. */
static const double FAR_MM = 8.0;
/* Below it waves are not told from other motion surely enough for numbers: neighbouring places, and, where no
 * line stands out in the spectrum, places too far apart to share speckle. Of 160 made loops of eight
 * generators three are withheld so, two of which had a wrong frequency; the study's are among those that it
 * was set on. */
static const double TOLD_COHERENCE = 0.6;
static const double FAINT_MM = 0.2, FAINT_COHERENCE = 0.7;
static const double WEAK_MM = 0.3; /* walls that wander without waves moved by up to 0.2 mm in made loops */
/* Share of the agreement that lies in a lag. A lag of 4 mm at 1.5 per min and 4 mm/s turns the phase by 0.16
 * rad; what wanders everywhere at once has none. */
static const double LEAST_RUNNING = 0.1;
/* How far the leading pattern of motion must be of one sign and phase along the stripe to be told as that of
 * all places at once. Waves from both ends that pass through one another run as little, but change sign along
 * the stripe. */
static const double LEAST_ALIKE = 0.8;
/* Up to where motion above the band is looked at: breathing starts there (common practice, no source). */
static const double FASTER_PER_MIN = 12.0;
static const double PAST_PER_MIN = 0.25; /* past the edge: waves at the edge are told as far off */
/* Fewest frames a second. The pulse, up to 110 per min at rest (common practice, no source), must not fold
 * into the band of contractions: (110 + 8) / 60. Breathing is slower and needs less. */
static const double LEAST_FRAMES_PER_S = 1.95;

/* Frequency of waves that run either way at different times. Where two meet, or one turns round, they pass as
 * one and the next follows late; in the middle of the stripe each passes by itself, more or less. The places
 * there count by how steady their rhythm is. */
static bool measure_middle(const struct even *even, struct wave_result *result)
{
    struct even part = *even;
    double *weight = calloc(even->n_positions, sizeof *weight);
    size_t from = (size_t)(EVEN_MIDDLE_FROM * (double)even->n_positions);
    double sum = 0.0;
    double frequency = 0.0;
    double square = 0.0;
    double reach = 0.0;
    double regularity = 0.0;
    bool is_made = weight != NULL;

    part.weight = weight;
    for (size_t p = from; is_made && p + EVEN_NEIGHBOURS + from <= even->n_positions; p++) {
        struct wave_result trial = {0};
        struct peak peak = {0};
        double share = 0.0;

        memset(weight, 0, even->n_positions * sizeof *weight);
        memcpy(weight + p, even->weight + p, EVEN_NEIGHBOURS * sizeof *weight);
        is_made = peak_find(&part, &peak) && phase_frequency(&part, &peak, NULL, &trial);
        share = 1.0 / (0.01 + trial.regularity * trial.regularity);
        sum += share;
        frequency += share * trial.frequency_per_min;
        square += share * trial.frequency_per_min * trial.frequency_per_min;
        reach += share * 0.5 * (trial.high_per_min - trial.low_per_min);
        regularity += share * trial.regularity;
    }
    free(weight);
    if (!is_made || sum <= 0.0)
        return is_made;
    frequency /= sum;
    reach = hypot(reach / sum, 1.96 * sqrt(fmax(square / sum - frequency * frequency, 0.0)));
    result->frequency_per_min = frequency;
    result->low_per_min = frequency - reach;
    result->high_per_min = frequency + reach;
    result->regularity = regularity / sum;
    return true;
}

/* Waves that run one way as far as the stripe is seen may meet others beyond it. False when memory ran out.
 */
static bool look_on(const struct wave_trace *trace, size_t from, size_t to, const struct pass_band *band,
                    double spacing_mm, struct wave_result *result)
{
    size_t m = trace->n_positions;
    size_t n = m + trace->on.n;
    struct wave_trace longer = {.n_times = trace->n_times, .n_positions = n, .time_s = trace->time_s};
    struct even even = {0};
    double *change_mm = NULL;
    float *trust = NULL;
    bool is_made = true;

    if (trace->on.n == 0 || result->direction != DIRECTION_FUNDUS_TO_CERVIX)
        return true;
    change_mm = malloc(n * trace->n_times * sizeof *change_mm);
    trust = malloc(n * trace->n_times * sizeof *trust);
    is_made = change_mm != NULL && trust != NULL;
    for (size_t t = 0; is_made && t < trace->n_times; t++) {
        memcpy(change_mm + t * n, trace->change_mm + t * m, m * sizeof *change_mm);
        memcpy(change_mm + t * n + m, trace->on.change_mm + t * trace->on.n, trace->on.n * sizeof *change_mm);
        memcpy(trust + t * n, trace->trust + t * m, m * sizeof *trust);
        memcpy(trust + t * n + m, trace->on.trust + t * trace->on.n, trace->on.n * sizeof *trust);
    }
    longer.change_mm = change_mm;
    longer.trust = trust;
    is_made = is_made && even_make(&even, &longer, from, to) && band_fill(&even, band);
    if (is_made)
        direction_look_on(&even, spacing_mm, m, result);
    even_free(&even);
    free(change_mm);
    free(trust);
    return is_made;
}

/* What rests on the way the waves run: frequency, velocity, counts, amplitude. */
static bool measure_so(const struct wave_trace *trace, struct even *even, size_t from, size_t to,
                       double spacing_mm, struct wave_result *result)
{
    bool is_made = true;

    result->has_frequency = true;
    result->share = 1.0;
    if (result->direction == DIRECTION_MIXED)
        is_made = measure_middle(even, result);
    if (is_made && result->has_velocity)
        is_made = velocity_estimate(even, spacing_mm, result);
    if (is_made && result->direction != DIRECTION_UNDETERMINED)
        is_made = train_count(even, spacing_mm, result);
    return is_made && amplitude_measure(trace, even, from, to, result);
}

/* Asks the list of waves: waves of which one runs the other way are mixed, and all is measured anew so. */
static bool ask_list(const struct wave_trace *trace, struct even *even, size_t from, size_t to,
                     const struct pass_band *band, struct wave_result *result)
{
    double spacing_mm = trace->position_mm[1] - trace->position_mm[0];
    struct wave_list list = {0};
    bool is_made = wave_list_make(&list, trace, result, NULL);

    if (is_made && witness_sees_other_way(&list, result, spacing_mm * (double)(trace->n_positions - 1))) {
        wave_list_free(&list);
        result->direction = DIRECTION_MIXED;
        result->has_pauses = result->is_disputed = false;
        is_made = band_fill(even, band) && measure_so(trace, even, from, to, spacing_mm, result) &&
                  wave_list_make(&list, trace, result, NULL);
    }
    if (is_made)
        witness_join(&list, result);
    if (is_made && result->has_pauses) /* strengths are told for the time in which waves come */
        is_made = band_fill(even, band) && amplitude_measure(trace, even, from, to, result);
    wave_list_free(&list);
    return is_made;
}

static bool measure_waves(const struct wave_trace *trace, struct even *even, size_t from, size_t to,
                          const struct peak *peak, struct wave_result *result)
{
    double spacing_mm = trace->position_mm[1] - trace->position_mm[0];
    double complex *pattern = calloc(even->n_positions, sizeof *pattern);
    struct pass_band band = {.low = 0.5 * peak->per_min, .high = 1.75 * peak->per_min};
    bool is_made = pattern && band_fill(even, &band) && band_lead(even, pattern) &&
                   phase_frequency(even, peak, pattern, result);

    if (is_made) {
        direction_estimate(even, spacing_mm, result);
        is_made = look_on(trace, from, to, &band, spacing_mm, result) &&
                  measure_so(trace, even, from, to, spacing_mm, result) &&
                  ask_list(trace, even, from, to, &band, result);
        result->count = round(result->frequency_per_min * (double)even->n / EVEN_HZ / 60.0);
    }
    free(pattern);
    return is_made;
}

/* Whether what runs along the stripe is faster than contractions are looked for: motion of a band above
 * theirs that is at least as large as theirs and comes later at one place than at the other. What leaks from
 * there into their band has neither their frequency nor their velocity. Breathing moves all places at once.
 */
static bool find_faster(struct even *even, size_t lag, size_t *shift, double *scratch, double amplitude,
                        bool *is_faster)
{
    struct pass_band band = {
        .low = CONTRACTION_HIGH_PER_MIN, .high = FASTER_PER_MIN, .keeps_breathing_out = true};
    double coherence = 0.0;
    double running = 0.0;

    *is_faster = false;
    if (!band_fill(even, &band))
        return false;
    if (band_amplitude(even, scratch) < fmax(LEAST_AMPLITUDE_MM, amplitude))
        return true;
    *is_faster =
        coherence_test(even, lag, shift, &coherence, &running) <= 1.5 / (COHERENCE_SURROGATES + 1.0) &&
        coherence >= LEAST_COHERENCE && running >= LEAST_RUNNING;
    return true;
}

/* Whether what the band holds is of one sign and phase along the stripe. False when memory ran out. */
static bool find_together(const struct even *even, bool *is_together)
{
    double complex *pattern = calloc(even->n_positions, sizeof *pattern);
    double complex sum = 0.0;
    double total = 0.0;
    bool is_made = pattern != NULL && band_lead(even, pattern);

    for (size_t p = 0; is_made && p < even->n_positions; p++) {
        sum += pattern[p];
        total += cabs(pattern[p]);
    }
    *is_together = is_made && cabs(sum) >= LEAST_ALIKE * total;
    free(pattern);
    return is_made;
}

/* Motion that is no contraction and hides whether there are any. */
struct other_motion {
    bool is_faster;   /* waves above the band */
    bool is_together; /* a rhythm of all places at once */
    bool is_weak;     /* what moves rhythmically hardly agrees along the stripe */
};

/* Whether there are waves: a rhythm that stands out in the spectrum, or motion that runs along
 * the stripe as chance would not have it; either large enough to be told from tracking error. A rhythm that
 * all places share at once (is_together) is neither waves nor quiet: a probe that is rocked or pressed, and
 * the pulse where frames are few, leave as much. */
static bool decide(struct even *even, struct peak *peak, double spacing_mm, struct other_motion *other,
                   struct wave_result *result)
{
    double duration_min = (double)even->n / EVEN_HZ / 60.0;
    struct pass_band band = {.low = fmax(0.9, 1.5 / duration_min), .high = 7.0, .keeps_breathing_out = true};
    size_t lag = even_lag(spacing_mm);
    size_t far = (size_t)fmax(1.0, round(FAR_MM / spacing_mm));
    size_t *shift = calloc(even->n_positions, sizeof *shift);
    double *scratch = calloc(even->n_positions, sizeof *scratch);
    double coherence = 0.0;
    double running = 0.0;
    double chance = 1.0;
    bool is_made = shift != NULL && scratch != NULL && band_fill(even, &band);

    if (is_made) {
        double amplitude = band_amplitude(even, scratch);
        bool is_line = peak->false_alarm <= MOST_FALSE_ALARM;
        bool is_wave = false;
        bool is_rhythm = false;
        bool is_together = false;

        chance = coherence_test(even, lag, shift, &coherence, &running);
        is_wave = chance <= 1.5 / (COHERENCE_SURROGATES + 1.0) && coherence >= LEAST_COHERENCE &&
                  running >= LEAST_RUNNING;
        result->false_alarm = fmin(peak->false_alarm, is_wave ? chance : 1.0);
        is_rhythm = is_line && coherence >= 0.5 * LEAST_COHERENCE;
        if (is_rhythm && !is_wave && running < LEAST_RUNNING)
            is_made = find_together(even, &is_together);
        result->verdict = amplitude >= LEAST_AMPLITUDE_MM && (is_wave || (is_rhythm && !is_together))
                              ? CONTRACTIONS_MEASURED
                              : CONTRACTIONS_QUIESCENT;
        other->is_together = is_together && amplitude >= LEAST_AMPLITUDE_MM;
        if (!is_line) /* no line: the waves are unsteady, their band is taken about the centre of their power
                       */
            peak->per_min = peak->centre_per_min;
        result->coherence = coherence;
        result->coherence_far =
            fmax(coherence_at(even, far, shift), coherence_at(even, far + far / 2, shift));
        result->amplitude = amplitude;
        other->is_weak = result->verdict == CONTRACTIONS_MEASURED &&
                         (coherence < (amplitude < FAINT_MM ? FAINT_COHERENCE : TOLD_COHERENCE) ||
                          (!is_line && amplitude < WEAK_MM && result->coherence_far < TOLD_COHERENCE));
        is_made = is_made && find_faster(even, lag, shift, scratch, amplitude, &other->is_faster);
    }
    free(shift);
    free(scratch);
    return is_made;
}

static bool is_without_rhythm(const struct wave_result *result)
{
    return result->verdict == CONTRACTIONS_MEASURED && !result->has_frequency;
}

/* Why neither waves nor quiet is told: what moves hides both. */
static void explain_withheld(const struct wave_result *result, const struct other_motion *other,
                             struct text_list *reasons)
{
    if (result->is_disputed && !other->is_faster)
        (void)text_list_add(reasons,
                            "two ways of counting the waves disagree (%.1f a minute by their phase, %.1f "
                            "counted one by one), so whether what moves is waves is not told",
                            result->phase_per_min, result->counted_per_min);
    else if (is_without_rhythm(result) && !other->is_weak && !other->is_together && !other->is_faster)
        (void)text_list_add(reasons,
                            "something ran along the stripe, but too seldom and too unevenly to speak of a "
                            "rhythm, so whether it was waves is not told");
    else if (other->is_weak && !other->is_together && !other->is_faster)
        (void)text_list_add(
            reasons,
            "something moves rhythmically, but hardly alike along the stripe: waves, if they are any, "
            "are too weak beside the walls' other motion to be told");
    else if (other->is_together && !other->is_faster)
        (void)text_list_add(
            reasons,
            "the walls move in a rhythm, but everywhere along the stripe at once, as under a probe that "
            "is rocked or pressed: waves cannot be told beside it");
    else
        (void)text_list_add(
            reasons,
            "waves run along the stripe more often than %.0f times a minute, the fastest that "
            "contractions are told at; slower ones cannot be told beside them",
            CONTRACTION_HIGH_PER_MIN);
}

static void withhold(struct wave_result *result, const struct other_motion *other, struct text_list *reasons)
{
    explain_withheld(result, other, reasons);
    *result = (struct wave_result){
        .verdict = CONTRACTIONS_NOT_ASSESSABLE, .false_alarm = 1.0, .assessed_s = result->assessed_s};
}

bool contraction_measure(struct wave_result *result, struct text_list *reasons,
                         const struct wave_trace *trace, struct error **err)
{
    struct even even = {0};
    struct peak peak = {0};
    size_t from = 0;
    size_t to = 0;
    double frames_per_s = 0.0;
    struct other_motion other = {0};
    bool is_made = true;

    memset(result, 0, sizeof *result);
    result->verdict = CONTRACTIONS_NOT_ASSESSABLE;
    result->false_alarm = 1.0;
    if (trace->n_times < 2 || trace->n_positions < 4) {
        (void)text_list_add(reasons, "there is too little of the stripe to follow its walls");
        return true;
    }
    even_stretch(trace, &from, &to);
    result->assessed_s = to > from ? trace->time_s[to] - trace->time_s[from] : 0.0;
    /* The last frame is shown for as long as the others. */
    if (to <= from || result->assessed_s * (1.0 + 1.0 / (double)(to - from)) < CONTRACTION_LEAST_S - 1e-6) {
        (void)text_list_add(
            reasons, "only %.0f s of the loop let the walls be followed; a frequency needs at least %.0f s",
            result->assessed_s, CONTRACTION_LEAST_S);
        return true;
    }
    frames_per_s = even_frames_per_s(trace, from, to);
    if (frames_per_s < LEAST_FRAMES_PER_S) {
        (void)text_list_add(reasons,
                            "%.1f frames a second are too few: breathing or the pulse would pass for "
                            "contractions",
                            frames_per_s);
        return true;
    }
    if (!even_make(&even, trace, from, to))
        return error_memory(err);
    is_made = peak_find(&even, &peak) &&
              decide(&even, &peak, trace->position_mm[1] - trace->position_mm[0], &other, result);
    if (is_made && !other.is_faster && !other.is_weak && result->verdict == CONTRACTIONS_MEASURED)
        is_made = measure_waves(trace, &even, from, to, &peak, result);
    if (other.is_faster || other.is_together || other.is_weak || is_without_rhythm(result) ||
        (result->verdict == CONTRACTIONS_MEASURED &&
         result->frequency_per_min > CONTRACTION_HIGH_PER_MIN + PAST_PER_MIN)) {
        withhold(result, &other, reasons);
    } else if (is_made && result->verdict != CONTRACTIONS_MEASURED) {
        (void)text_list_add(
            reasons, "no rhythm between %.1f and %.0f per minute stands out from the walls' other motion",
            CONTRACTION_LOW_PER_MIN, CONTRACTION_HIGH_PER_MIN);
    }
    even_free(&even);
    return is_made ? true : error_memory(err);
}
