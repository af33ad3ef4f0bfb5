#include "measure/shaft.h"

#include "base/statistics.h"
#include "measure/tip_rest.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double SHAFT_SEEN = 2.5;      /* of a catheter's line */
static const double SHAFT_LEAST_MM = 12.0; /* longer than any cluster */
static const double SHORT_MM = 1.5;        /* of it, just before it is seen and after */
static const double SHAFT_GAP_MM = 5.0;
static const double TIP_STRETCH_MM = 4.0; /* behind a tip */
static const double GLINT_SHARE = 0.5;    /* of the line's brightness: less is a glint */
enum { LINE_ROWS = 256 };
/* So near the strip's end, which lies 8 mm beyond the stripe's, its line begins: what is dim there may begin
 * at the stripe's own end, but for a share of its stay it is seen to come from outside, as bubbles are not.
 */
static const double SHAFT_ENTERS_MM = 8.0, SHAFT_OUTSIDE_MM = 3.0;
static const double OUTSIDE_SHARE = 0.1;
static const double LEAST_LEAP_MM = 2.0;
static const double REST_MM = 1.5; /* a tip that leaps was at rest before */
/* Of a leap, what the tip may move in the second before it and in the two after it, together: a catheter that
 * comes to rest slows down, and what it does at once it does no faster than before. */
static const double MOST_CREEP = 0.45;
static const double AT_ONCE = 0.6;       /* of a leap, between the three tips before it and the three after */
static const double MOST_LEAP_MM = 13.0; /* bubbles come to lie just ahead of the tip */
static const double SHAFT_MARGIN_S = 4.0;
static const double BRIDGE_S = 1.5;
static const double BRIDGE_MM = 6.0;
/* A tip is told where half the frames within so long to either side have one and its place is near the middle
 * of theirs: single ones are glints. */
static const double TOLD_S = 0.5;
static const double TOLD_MM = 4.0;

/* Whether a line goes on after a hole: within 8 mm a stretch begins that is longer than any
 * cluster and most of which is bright. */
static bool goes_on(const struct hunt *hunt, const float *crest, long at, bool from_last)
{
    long n = (long)hunt->n_rows;
    long length = (long)(10.0 / FOLLOW_STEP_MM);

    for (long start = at; start < at + (long)(8.0 / FOLLOW_STEP_MM) && start + length <= n; start += 2) {
        long n_strong = 0;

        for (long i = start; i < start + length; i++)
            n_strong += (double)crest[from_last ? n - 1 - i : i] > 0.8 * SHAFT_SEEN;
        if (10 * n_strong >= 7 * length)
            return true;
    }
    return false;
}

/* Cuts lone glints off the line's end (start to tip, counted from the end by which it enters): a tip stands
 * on a stretch most of which is bright, or is itself about as bright as the line. */
static long trim_glints(const struct hunt *hunt, const float *crest, long start, long tip, bool from_last)
{
    long n = (long)hunt->n_rows;
    long length = (long)(TIP_STRETCH_MM / FOLLOW_STEP_MM);
    double line[LINE_ROWS];
    double bright = 0.0;
    size_t n_line = 0;

    for (long i = start; i <= tip && n_line < LINE_ROWS; i++)
        if ((double)crest[from_last ? n - 1 - i : i] > SHAFT_SEEN)
            line[n_line++] = (double)crest[from_last ? n - 1 - i : i];
    bright = GLINT_SHARE * statistics_median(line, n_line);
    for (; tip > start; tip--) {
        long n_strong = 0;

        if (!((double)crest[from_last ? n - 1 - tip : tip] > SHAFT_SEEN))
            continue;
        for (long i = tip; i > tip - length && i >= start; i--)
            n_strong += (double)crest[from_last ? n - 1 - i : i] > SHAFT_SEEN;
        if (2 * n_strong > length || (double)crest[from_last ? n - 1 - tip : tip] > bright)
            break;
    }
    return tip;
}

/* A long bright line that reaches an end of the strip; tip row or -1. */
static long shaft_tip(const struct hunt *hunt, size_t frame, bool from_last, double least_mm,
                      double enters_mm)
{
    const float *crest = hunt->crest + frame * hunt->n_rows;
    long n = (long)hunt->n_rows;
    long gap = (long)(SHAFT_GAP_MM / FOLLOW_STEP_MM);
    long weak = 0;
    long tip = -1;
    long n_strong = 0;
    long start = -1;

    for (long i = 0; i < n; i++) {
        long row = from_last ? n - 1 - i : i;

        if ((double)crest[row] > SHAFT_SEEN) {
            if (start < 0)
                start = i;
            tip = i;
            n_strong++;
            weak = 0;
        } else if (start >= 0 && ++weak > gap && !goes_on(hunt, crest, i, from_last)) {
            break;
        } else if (start < 0 && i > (long)(enters_mm / FOLLOW_STEP_MM)) {
            return -1; /* the line must reach in from the end */
        }
    }
    if (start >= 0)
        tip = trim_glints(hunt, crest, start, tip, from_last);
    if (start < 0 || (double)(tip - start) * FOLLOW_STEP_MM < least_mm || 10 * n_strong < 6 * (tip - start))
        return -1;
    return from_last ? n - 1 - tip : tip;
}

/* Whether a line in a frame comes from outside the stripe. */
static bool is_from_outside(const struct hunt *hunt, size_t frame, bool from_last)
{
    return shaft_tip(hunt, frame, from_last, SHAFT_LEAST_MM, SHAFT_OUTSIDE_MM) >= 0;
}

/* Marks the frames with a catheter from one end; how many. A stay in which it is hardly seen to come from
 * outside is none. */
static size_t mark_shafts(const struct hunt *hunt, bool from_last, long *tip)
{
    const double *time_s = hunt->follow->time_s;
    size_t n_frames = hunt->follow->n_frames;
    size_t n_all = 0;

    for (size_t t = 0; t < n_frames; t++)
        tip[t] = shaft_tip(hunt, t, from_last, SHAFT_LEAST_MM, SHAFT_ENTERS_MM);
    for (size_t from = 0, end = 0; from < n_frames; from = end) {
        size_t last = from;
        size_t n = 0;
        size_t n_outside = 0;

        for (end = from; end < n_frames && time_s[end] - time_s[last] <= BRIDGE_S; end++)
            if (tip[end] >= 0) {
                last = end;
                n++;
                n_outside += is_from_outside(hunt, end, from_last);
            }
        if ((double)n_outside < OUTSIDE_SHARE * (double)n)
            for (size_t t = from; t < end; t++)
                tip[t] = -1;
        else
            n_all += n;
    }
    return n_all;
}

/* Once a catheter is known (its marks), a short line from the same end just before it and after it is the
 * catheter too. */
static void widen_shafts(const struct hunt *hunt, const long *mark, long *tip)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    double before_s = -HUGE_VAL;
    double after_s = HUGE_VAL;

    for (size_t t = 0; t < n; t++) {
        if (mark[t] >= 0)
            before_s = time_s[t];
        else if (time_s[t] - before_s < SHAFT_MARGIN_S)
            tip[t] = shaft_tip(hunt, t, hunt->cluster->catheter_from_last, SHORT_MM, SHAFT_ENTERS_MM);
    }
    for (size_t t = n; t-- > 0;) {
        if (mark[t] >= 0)
            after_s = time_s[t];
        else if (tip[t] < 0 && after_s - time_s[t] < SHAFT_MARGIN_S)
            tip[t] = shaft_tip(hunt, t, hunt->cluster->catheter_from_last, SHORT_MM, SHAFT_ENTERS_MM);
    }
}

/* Middle of the next three tips from a frame on, or of the last three before it; false where there are fewer.
 */
static bool middle_of_three(const struct hunt *hunt, const long *tip, size_t frame, bool is_before,
                            double *middle)
{
    double rows[3];
    size_t n = 0;

    for (size_t k = is_before ? 1 : 0; n < 3 && (is_before ? k <= frame : frame + k < hunt->follow->n_frames);
         k++) {
        long row = tip[is_before ? frame - k : frame + k];

        if (row >= 0)
            rows[n++] = (double)row;
    }
    if (n == 3)
        *middle = statistics_median(rows, n);
    return n == 3;
}

/* Bubbles that leave a resting catheter join its line: the tip seems to leap ahead. The
 * greatest such leap is undone, so that what lies ahead of it can be told from the shaft. */
static void undo_leap(const struct hunt *hunt, long *tip)
{
    const double *time_s = hunt->follow->time_s;
    size_t n = hunt->follow->n_frames;
    double ahead = hunt->cluster->catheter_from_last ? -1.0 : 1.0;
    double greatest_mm = LEAST_LEAP_MM;
    double rest = 0.0;
    size_t at = n;

    for (size_t t = 0; t < n; t++) {
        double earlier = 0.0;
        double before = 0.0;
        double after = 0.0;
        double later = 0.0;
        double leap_mm = 0.0;
        double rest_mm = 0.0;
        double creep_mm = 0.0;
        double one = 0.0;
        double other = 0.0;

        if (tip[t] < 0 || !tip_middle(hunt, tip, time_s[t] - 1.6, time_s[t] - 0.8, &earlier) ||
            !tip_middle(hunt, tip, time_s[t] - 0.8, time_s[t] - 1e-6, &before) ||
            !tip_middle(hunt, tip, time_s[t], time_s[t] + 0.8, &after) ||
            !middle_of_three(hunt, tip, t, true, &one) || !middle_of_three(hunt, tip, t, false, &other))
            continue;
        leap_mm = ahead * (after - before) * FOLLOW_STEP_MM;
        rest_mm = creep_mm = fabs(before - earlier) * FOLLOW_STEP_MM;
        if (tip_middle(hunt, tip, time_s[t] + 0.8, time_s[t] + 2.4, &later))
            creep_mm += fabs(later - after) * FOLLOW_STEP_MM;
        if (ahead * (other - one) * FOLLOW_STEP_MM < AT_ONCE * leap_mm)
            continue;
        if (rest_mm < REST_MM && creep_mm < MOST_CREEP * leap_mm && leap_mm > greatest_mm &&
            leap_mm < MOST_LEAP_MM) {
            greatest_mm = leap_mm;
            rest = before;
            at = t;
        }
    }
    for (size_t t = at; t < n; t++)
        if (tip[t] >= 0 && ahead * ((double)tip[t] - rest) > 0.0)
            tip[t] = (long)rest;
}

/* Whether the tips about a frame bear its own out. */
static bool is_borne_out(const struct hunt *hunt, const long *tip, size_t frame)
{
    const double *time_s = hunt->follow->time_s;
    double rows[128];
    size_t n_rows = 0;
    size_t n = 0;

    for (size_t t = hunt_frame_at(hunt, time_s[frame] - TOLD_S); t < hunt->follow->n_frames; t++) {
        if (time_s[t] > time_s[frame] + TOLD_S)
            break;
        n++;
        if (tip[t] >= 0 && n_rows < 128)
            rows[n_rows++] = (double)tip[t];
    }
    return 2 * n_rows >= n &&
           fabs((double)tip[frame] - statistics_median(rows, n_rows)) * FOLLOW_STEP_MM < TOLD_MM;
}

/* A hole between two tips that lie near one another is bridged: the shaft is lost from sight now and then. */
static void bridge_holes(const struct hunt *hunt, long *tip)
{
    const double *time_s = hunt->follow->time_s;
    size_t last = hunt->follow->n_frames; /* frame of the tip before */

    for (size_t t = 0; t < hunt->follow->n_frames; t++) {
        if (tip[t] < 0)
            continue;
        if (last < t && time_s[t] - time_s[last] < BRIDGE_S &&
            (double)labs(tip[t] - tip[last]) * FOLLOW_STEP_MM < BRIDGE_MM)
            for (size_t k = last + 1; k < t; k++)
                tip[k] =
                    lround((double)tip[last] + (double)(tip[t] - tip[last]) * (time_s[k] - time_s[last]) /
                                                   (time_s[t] - time_s[last]));
        last = t;
    }
}

bool shaft_find(struct hunt *hunt, long *tip)
{
    size_t n = hunt->follow->n_frames;
    long *other = calloc(n, sizeof *other);
    size_t n_first = 0;
    size_t n_last = 0;
    double step_s = n > 1 ? (hunt->follow->time_s[n - 1] - hunt->follow->time_s[0]) / (double)(n - 1) : 1.0;

    if (other == NULL)
        return false;
    n_last = mark_shafts(hunt, true, tip);
    n_first = mark_shafts(hunt, false, other);
    if (n_first > n_last) {
        memcpy(tip, other, n * sizeof *tip);
        hunt->cluster->catheter_from_last = false;
    } else {
        hunt->cluster->catheter_from_last = true;
    }
    hunt->cluster->has_catheter = (double)(n_first > n_last ? n_first : n_last) * step_s >= 0.8;
    if (!hunt->cluster->has_catheter) {
        for (size_t t = 0; t < n; t++)
            tip[t] = -1;
    } else {
        memcpy(other, tip, n * sizeof *tip);
        widen_shafts(hunt, other, tip);
        undo_leap(hunt, tip);
    }
    memcpy(other, tip, n * sizeof *tip);
    bridge_holes(hunt, tip);
    for (size_t t = 0; t < n; t++)
        if (other[t] >= 0 && is_borne_out(hunt, tip, t)) {
            hunt->cluster->sight[t].has_tip = true;
            hunt->cluster->sight[t].tip_along_mm = hunt_along_mm(hunt, (double)tip[t]);
            hunt->cluster->sight[t].tip_across_mm =
                hunt_across_mm(hunt, hunt->crest_column[t * hunt->n_rows + (size_t)tip[t]]);
        }
    hunt->rest = tip_rest(hunt, tip);
    hunt->bead_luma = tip_bead_luma(hunt, tip);
    hunt->cluster->catheter_odds = !hunt->cluster->has_catheter        ? 0.0
                                   : hunt->cluster->catheter_from_last ? 4.0
                                                                       : -4.0;
    free(other);
    return true;
}
