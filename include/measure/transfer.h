#ifndef AFTERFLASH_MEASURE_TRANSFER_H
#define AFTERFLASH_MEASURE_TRANSFER_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "base/quantity.h"
#include "base/text.h"
#include "image/scale.h"
#include "media/loop.h"

#include <stdbool.h>
#include <stddef.h>

/* The whole result of one transfer: the one struct that every output reads.
 * Lengths are in mm where the scale is known; the *_px fields are always given. */

enum cavity_verdict { CAVITY_NOT_FOUND, CAVITY_FOUND, CAVITY_GIVEN };
enum contractions_verdict { CONTRACTIONS_NOT_ASSESSABLE, CONTRACTIONS_QUIESCENT, CONTRACTIONS_MEASURED };
enum deposit_verdict { DEPOSIT_NOT_ASSESSABLE, DEPOSIT_NONE_SEEN, DEPOSIT_MEASURED };
enum drift_verdict { DRIFT_NOT_ASSESSABLE, DRIFT_NONE_SEEN, DRIFT_MEASURED };
enum wave_direction {
    DIRECTION_UNDETERMINED,
    DIRECTION_CERVIX_TO_FUNDUS,
    DIRECTION_FUNDUS_TO_CERVIX,
    DIRECTION_OPPOSING, /* from both ends toward the middle */
    DIRECTION_MIXED,    /* either way at different times */
};

/** The endometrial stripe in one frame. */
struct cavity {
    enum cavity_verdict verdict;
    size_t frame;           /* index of the frame in which the points stand */
    double time_s;          /* its time */
    struct point fundus_px; /* where the centre line meets the fundal myometrium */
    struct point os_px;     /* the internal os */
    bool has_points;        /* fundus_px and os_px are set */
    bool fundus_given;      /* from the command line */
    bool os_given;
    bool marks_doubted; /* a catheter seems to come in by the end that is marked as the fundus, or left to be
                           it */
    struct point *centre_line; /* from fundus to os, n_centre_line points evenly spaced; owned */
    size_t n_centre_line;
    struct quantity length_mm; /* along the centre line */
    struct quantity length_px;
    struct quantity thickness_mm; /* both layers, at its thickest */
    struct quantity thickness_px;
    double trust; /* 0..1 */
    struct text_list reasons;
};

/** One wave, as waves are counted by eye: one narrowing that ran along the stripe. */
struct wave_seen {
    struct quantity start_s; /* the walls begin to draw together at the first place that it passes; not known
                                of a wave that was under way when the time looked at began */
    struct quantity end_s;   /* they are back at the last one; likewise */
    struct quantity passes_middle_s; /* they are closest in the middle of the stripe */
    enum wave_direction direction;   /* never mixed */
    struct quantity speed_mm_per_s, speed_px_per_s;
    struct quantity strength_mm, strength_px; /* half the peak-to-peak change of wall-to-wall distance */
};

/** The frequency of contractions in one window of time. */
struct rate_seen {
    double from_s, to_s;
    struct quantity frequency_per_min; /* with interval */
    const char *why;                   /* where it is not told: a sentence, a literal; else NULL */
};

/** Contractions on one side of the deposit. */
struct contraction_side {
    bool is_there;       /* there is time on this side that was looked at: loop, from_s and to_s are set */
    size_t loop;         /* index of the loop that it comes from */
    double from_s, to_s; /* on that loop's clock */
    struct quantity frequency_per_min;
    struct quantity amplitude_mm, amplitude_px; /* with interval where the loop's has one */
};

/** Contractions before the deposit and after it, and after minus before. */
struct before_after {
    struct contraction_side before, after;
    bool left_catheter_out; /* the time in which the catheter was there belongs to neither side */
    struct quantity frequency_difference_per_min;
    struct quantity amplitude_difference_mm, amplitude_difference_px;
    struct text_list reasons;
};

/** Frequencies of a spectrogram: from 0.5 per min on, every 0.25, up to 8. */
enum { SPECTROGRAM_FREQUENCIES = 31 };
#define SPECTROGRAM_LOW_PER_MIN 0.5
#define SPECTROGRAM_STEP_PER_MIN 0.25

struct contractions {
    enum contractions_verdict verdict;
    struct quantity frequency_per_min;
    struct quantity count;         /* waves that passed the middle of the places that were followed */
    struct quantity counted_at_mm; /* its distance from the fundus, along the stripe */
    struct quantity counted_at_px;
    struct quantity amplitude_mm; /* half the peak-to-peak change of wall-to-wall distance */
    struct quantity amplitude_px;
    struct quantity velocity_mm_per_s;
    struct quantity velocity_px_per_s;
    enum wave_direction direction;
    double assessed_s;           /* length of loop that was usable */
    struct quantity false_alarm; /* chance that a quiet uterus shows as much: 0..1 */
    struct wave_seen *waves;     /* n_waves, in the order of time; owned */
    size_t n_waves;
    struct rate_seen *over_time; /* n_over_time windows, in the order of time; owned */
    size_t n_over_time;
    /* n_over_time x SPECTROGRAM_FREQUENCIES; mm^2 (px^2) per (1/min), one-sided; owned. In mm NULL without a
     * scale. */
    double *power_mm2_min;
    double *power_px2_min;
    struct before_after before_after;
    struct text_list reasons;
};

struct deposit {
    enum deposit_verdict verdict;
    struct quantity time_s;
    bool has_frame;
    size_t frame;
    bool has_point;
    struct point point_px;
    struct quantity to_fundus_mm; /* straight, cluster centre to fundus, in that frame; with interval */
    struct quantity to_fundus_px;
    struct quantity relative_depth; /* to_fundus over cavity length, 0..1 */
    struct quantity tip_to_fundus_mm;
    struct quantity tip_to_fundus_px;
    struct text_list reasons;
};

/** Where the cluster was in a later loop of the same transfer. */
struct follow_up {
    size_t loop;                           /* index of the loop */
    struct quantity minutes_after_deposit; /* from the deposit to when they were last seen there */
    struct quantity to_fundus_mm;
    struct quantity toward_fundus_mm; /* since the deposit; + is toward the fundus */
};

struct drift {
    enum drift_verdict verdict;
    struct quantity net_mm; /* straight distance between first and last place, against the anatomy */
    struct quantity toward_fundus_mm; /* along the stripe, + toward the fundus; with interval */
    struct quantity by_speckle_mm;    /* the same, told by the pattern of the bubbles; with interval */
    struct quantity path_mm;          /* length of the way, smoothed */
    struct quantity farthest_mm;      /* largest distance from the first place */
    struct quantity final_to_fundus_mm;
    struct quantity net_px, toward_fundus_px, path_px, farthest_px, final_to_fundus_px, spread_px,
        by_speckle_px;
    struct quantity followed_s;   /* time in which the cluster was seen */
    struct quantity spread_mm;    /* root mean square distance of its echoes from its centre, at the end */
    struct quantity pieces;       /* at the end */
    struct follow_up *follow_ups; /* owned; transfer level only */
    size_t n_follow_ups;
    struct text_list reasons;
};

/** One analysed frame: a row of series.csv. */
struct series_row {
    size_t frame;
    double time_s;
    struct quantity bubble_x_px, bubble_y_px; /* cluster centre in this frame */
    struct quantity fundus_x_px, fundus_y_px; /* fundus point, carried along with the tissue */
    struct quantity to_fundus_mm, to_fundus_px;
    struct quantity along_stripe_mm,
        along_stripe_px;                /* arc length from the fundus to the cluster, along the centre line */
    struct quantity tip_x_px, tip_y_px; /* catheter tip */
    struct quantity rigid_x_px,
        rigid_y_px; /* whole-uterus motion since the cavity's frame, removed from the rest */
    struct quantity rigid_turn_deg;
    double trust;   /* of the tissue tracking, 0..1 */
    bool is_usable; /* false: frozen, changed or lost; not used for contractions */
};

/** Wall motion: a grid of positions along the stripe by times. */
struct wall_motion {
    size_t n_positions;
    size_t n_times;
    double *position_mm; /* from the fundus along the centre line; NULL without a scale */
    double *position_px;
    double *time_s;
    double *change_mm; /* n_times x n_positions, change of wall-to-wall distance; NULL without a scale; NAN =
                          not known */
    double *change_px;
    float *trust; /* n_times x n_positions, 0..1 */
};

/** One recording of the transfer, as outputs show it. */
struct loop_result {
    char *path;
    char *file;
    char sha256[65];
    char *format;
    char *codec;
    int width_px;
    int height_px;
    size_t frames;
    double duration_s;
    double frame_rate_hz;
    double frozen_s;
    long dropped_frames;
    bool has_start;
    double start_s;
    struct text_list problems;
    struct scale scale;
    struct cavity cavity;
    struct contractions contractions;
    struct deposit deposit;
    struct drift drift;
    struct series_row *series; /* owned */
    size_t n_series;
    struct wall_motion motion;
};

/** What the user asked for. */
struct transfer_request {
    const char *const *paths; /* loops and folders, as given */
    size_t n_paths;
    double scale_mm_per_px; /* 0: not given */
    bool has_fundus, has_os;
    struct point fundus_px; /* in the first frame of the first loop */
    struct point os_px;
    void (*progress)(void *context, const char *file, double fraction); /* may be NULL */
    void *progress_context;
};

struct transfer {
    struct loop_result *loops; /* owned, in the order of their own clocks */
    size_t n_loops;
    struct scale scale; /* these speak for the transfer */
    size_t cavity_loop; /* index of the loop that cavity comes from */
    struct cavity cavity;
    size_t contractions_loop;
    struct contractions contractions;
    size_t deposit_loop;
    struct deposit deposit;
    struct drift drift;
    struct text_list notes; /* sentences about the transfer as a whole */
};

/** Measures the loops of one transfer. A recording that is given again under another name (same SHA-256) is
 *  measured once, and its problems say so.
 *
 *  transfer  caller's; set on success; end with transfer_free
 *  Errors: those of loop_open and loop_read (ERROR_INPUT), ERROR_USAGE for marks outside
 *  the picture or loops whose scales contradict each other, ERROR_MEMORY. */
MUST_CHECK bool transfer_measure(struct transfer **transfer, const struct transfer_request *request,
                                 struct error **err);

/** Ends a transfer; accepts NULL, leaves NULL. */
void transfer_free(struct transfer **transfer);

/** Frees what a loop's result holds and empties it; accepts NULL. */
void loop_result_free(struct loop_result *result);

/** Frees what a cavity holds and empties it; accepts NULL. */
void cavity_free(struct cavity *cavity);

/** Frees what contractions hold and empties them; accepts NULL. */
void contractions_free(struct contractions *contractions);

/** Copies contractions with all that they hold. to: overwritten, whole or empty. False when memory ran out.
 */
MUST_CHECK bool contractions_copy(struct contractions *to, const struct contractions *from);

/** Frees what a drift holds and empties it; accepts NULL. */
void drift_free(struct drift *drift);

#endif
