/* Looks for contractions once more in the wall motion of earlier runs, so that a change of that step is tried
 * on hundreds of loops in seconds. What motion.csv does not hold (the tissue beside the walls, what lies
 * beyond the os) is missing: amplitudes are as the patches read them, and no waves are looked for beyond the
 * stripe.
 *
 *   replay MOTION.CSV ...      a row a file: verdict, numbers, what they rest on */
#include "base/text.h"
#include "measure/contraction.h"
#include "measure/wave_list.h"
#include "motion_file.h"

#include <stdio.h>

static const char *const verdict_words[] = {"not-assessable", "quiescent", "measured"};
static const char *const direction_words[] = {"undetermined", "cervix-to-fundus", "fundus-to-cervix",
                                              "opposing", "mixed"};

static bool replay(const char *path)
{
    struct motion_file motion;
    struct wave_result result;
    struct text_list reasons = {0};
    struct error *err = NULL;
    struct wave_trace trace;
    struct wave_list list = {0};
    bool is_made = motion_file_read(&motion, path);

    if (!is_made) {
        (void)fprintf(stderr, "%s: no wall motion\n", path);
        return true;
    }
    trace = (struct wave_trace){.n_times = motion.n_times,
                                .n_positions = motion.n_positions,
                                .time_s = motion.time_s,
                                .position_mm = motion.position_mm,
                                .change_mm = motion.change_mm,
                                .trust = motion.trust};
    is_made = contraction_measure(&result, &reasons, &trace, &err);
    is_made = is_made && wave_list_make(&list, &trace, &result, &err);
    if (is_made)
        (void)printf("%s,%s,%.1f,%.4f,%.4f,%.4f,%.0f,%.4f,%.4f,%.4f,%.4f,%s,%.3f,%.3f,%.3f,%.4g,%.0f,%.0f,%."
                     "2f,%.2f,%.2f\n",
                     path, verdict_words[result.verdict], result.assessed_s, result.frequency_per_min,
                     result.low_per_min, result.high_per_min, result.count, result.amplitude,
                     result.velocity_per_s, result.velocity_low, result.velocity_high,
                     direction_words[result.direction], result.regularity, result.coherence,
                     result.coherence_far, result.false_alarm, list.n_middle, wave_list_count(&list, &result),
                     0.5 * (trace.position_mm[0] + trace.position_mm[trace.n_positions - 1]), list.from_s,
                     list.to_s);
    wave_list_free(&list);
    text_list_free(&reasons);
    motion_file_free(&motion);
    error_free(&err);
    return is_made;
}

int main(int argc, char **argv)
{
    (void)printf("path,verdict,assessed_s,frequency_per_min,low,high,count,amplitude_mm,velocity_mm_per_s,"
                 "velocity_low,velocity_high,direction,regularity_rad,coherence,coherence_far,false_alarm,"
                 "listed,counted,at_mm,from_s,to_s\n");
    for (int i = 1; i < argc; i++)
        if (!replay(argv[i]))
            return 3;
    return 0;
}
