#ifndef AFTERFLASH_SYNTH_RECIPE_H
#define AFTERFLASH_SYNTH_RECIPE_H

#include "base/contract.h"
#include "base/error.h"

#include <stdbool.h>

/* What a synthetic loop is made from. The lists below are the only place where a parameter
 * stands: the struct, its defaults, the options of the command and the truth file come from
 * them. Lengths in mm of tissue, times in seconds of the loop, angles in degrees. */

/* X(field, option, default, low, high, summary) */
#define RECIPE_NUMBERS(X)                                                                                    \
    X(frames_per_s, "frames-per-s", 12, 0.5, 60, "frames per second")                                        \
    X(duration_s, "duration-s", 120, 0.05, 3600, "length of the loop")                                       \
    X(depth_mm, "depth-mm", 80, 30, 200, "depth shown below the probe")                                      \
    X(scale_mm_per_px, "pixel-mm", 0, 0, 2, "size of a pixel; 0: the sector is fitted to the frame")         \
    X(sector_deg, "sector-deg", 130, 30, 170, "opening angle of the sector")                                 \
    X(probe_radius_mm, "probe-radius-mm", 10, 2, 80, "radius of the probe's face")                           \
    X(frequency_mhz, "frequency-mhz", 6, 2, 12, "centre frequency of the pulse")                             \
    X(dynamic_range_db, "dynamic-range-db", 60, 20, 120, "range shown from black to white")                  \
    X(gain_db, "gain-db", 0, -30, 30, "overall gain")                                                        \
    X(noise_db, "noise-db", -34, -90, 0, "electronics noise at mid-depth, below soft tissue")                \
    X(attenuation_db, "attenuation-db", 5, 0, 40, "loss left uncompensated from the probe to the far end")   \
    X(persistence, "persistence", 0.15, 0, 0.9, "share of the frame before that stays in the picture")       \
    X(scatterers_per_mm2, "scatterers-per-mm2", 14, 0.5, 100, "density of the scatterers")                   \
    X(decorrelation_s, "decorrelation-s", 25, 0, 100000, "time after which speckle has changed; 0: never")   \
    X(elevation_walk, "elevation-walk", 0.5, 0, 10,                                                          \
      "probe walk out of the plane, in beam widths (deviation)")                                             \
    X(shadow_db, "shadow-db", 12, 0, 60, "depth of the shadows")                                             \
    X(texture_db, "texture-db", 1.8, 0, 12, "patchiness of the tissue (deviation)")                          \
    X(length_mm, "length-mm", 36, 12, 80, "stripe along its centre line, fundus to internal os")             \
    X(thickness_mm, "thickness-mm", 9, 2, 25, "stripe at its thickest, both layers")                         \
    X(myometrium_mm, "myometrium-mm", 15, 4, 40, "thickness of the muscle around the stripe")                \
    X(cervix_mm, "cervix-mm", 26, 5, 60, "length of the cervix")                                             \
    X(stripe_contrast_db, "stripe-contrast-db", 5, -10, 25, "stripe over myometrium")                        \
    X(stripe_depth_mm, "stripe-depth-mm", 36, 8, 150, "depth of the middle of the stripe")                   \
    X(stripe_across_mm, "stripe-across-mm", -3, -80, 80, "the same, across")                                 \
    X(tilt_deg, "tilt-deg", 12, -90, 90, "how far the fundus lies deeper than the os")                       \
    X(bend_deg, "bend-deg", 28, -100, 100, "bend of the stripe; positive: hollow toward the probe")          \
    X(rate_per_min, "rate-per-min", 2.4, 0, 12, "contractions a minute; 0: a quiet uterus")                  \
    X(rate_later_per_min, "rate-later-per-min", 0, 0, 12,                                                    \
      "contractions a minute later on; 0: the rate stays")                                                   \
    X(rate_changes_s, "rate-changes-s", -1, -1, 3600,                                                        \
      "when the rate changes in the middle of the stripe; -1: at half time")                                 \
    X(amplitude_mm, "amplitude-mm", 0.5, 0, 5, "half the peak-to-peak change of wall-to-wall distance")      \
    X(velocity_mm_per_s, "velocity-mm-per-s", 1.4, 0.1, 50, "speed of the waves along the stripe")           \
    X(interval_jitter, "interval-jitter", 0.08, 0, 1, "irregularity of the intervals (share)")               \
    X(amplitude_jitter, "amplitude-jitter", 0.15, 0, 1, "irregularity of the amplitudes (share)")            \
    X(pause_share, "pause-share", 0, 0, 0.9, "share of waves that stay away")                                \
    X(sharpness, "sharpness", 1.3, 1, 6, "1: sine; higher: short narrowings, long rests")                    \
    X(decay_mm, "decay-mm", 9, 1, 100, "distance from the wall in which the motion fades")                   \
    X(wall_share, "wall-share", 0.5, 0, 1, "share of the motion that the upper wall makes")                  \
    X(lengthwise_mm, "lengthwise-mm", 0.1, 0, 3, "motion along the stripe that comes with a wave")           \
    X(breathing_mm, "breathing-mm", 0.6, 0, 10, "half the peak-to-peak motion by breathing")                 \
    X(breathing_per_min, "breathing-per-min", 15, 3, 60, "breaths a minute")                                 \
    X(breathing_toward_deg, "breathing-toward-deg", 60, -180, 180, "direction; 0: right, 90: deeper")        \
    X(breathing_turn_deg, "breathing-turn-deg", 0.4, 0, 10, "turn that comes with breathing")                \
    X(breathing_strain, "breathing-strain", 0.004, 0, 0.1, "stretch that comes with breathing")              \
    X(pulse_mm, "pulse-mm", 0.05, 0, 2, "motion by the pulse")                                               \
    X(pulse_per_min, "pulse-per-min", 72, 30, 150, "heart rate")                                             \
    X(probe_walk_mm, "probe-walk-mm", 0.6, 0, 10, "random walk of the probe (deviation on each axis)")       \
    X(probe_walk_deg, "probe-walk-deg", 0.6, 0, 20, "random turn of the probe (deviation)")                  \
    X(probe_walk_hz, "probe-walk-hz", 0.5, 0.02, 5, "fastest part of the walk")                              \
    X(turn_deg_per_min, "turn-deg-per-min", 0, -60, 60, "steady turn of the probe")                          \
    X(rocking_mm, "rocking-mm", 0, 0, 10, "regular rocking of the probe: half the peak-to-peak way")         \
    X(rocking_deg, "rocking-deg", 0, 0, 20, "turn that comes with the rocking")                              \
    X(rocking_per_min, "rocking-per-min", 3, 0.1, 60, "how often the probe rocks")                           \
    X(bowel_mm, "bowel-mm", 0.5, 0, 10, "motion of the tissue outside the uterus (deviation)")               \
    X(deposit_s, "deposit-s", -1, -1, 3600, "when the bubbles appear; -1: a quarter of the loop")            \
    X(deposit_mm, "deposit-mm", 14, 1, 60, "straight distance from the bubbles to the fundus")               \
    X(bubble_db, "bubble-db", 19, -20, 40, "brightest bubble over soft tissue")                              \
    X(bubble_spread_mm, "bubble-spread-mm", 1.0, 0, 10,                                                      \
      "length of the cluster (deviation along the stripe)")                                                  \
    X(blooming, "blooming", 1, 0, 5, "trails and width of the bubbles; 0: none")                             \
    X(split_mm, "split-mm", 2.5, 0, 20, "distance between the pieces at the end")                            \
    X(drift_mm, "drift-mm", 0, -40, 40, "along the stripe by the end, + toward the fundus")                  \
    X(drift_delay_s, "drift-delay-s", 4, 0, 3600, "from the deposit to the start of the drift")              \
    X(drift_s, "drift-s", 20, 0.1, 3600,                                                                     \
      "how long the drift takes (a sudden one: its time constant is 1 s)")                                   \
    X(fade_from_s, "fade-from-s", -1, -1, 3600, "bubbles out of sight from; -1: never")                      \
    X(fade_to_s, "fade-to-s", -1, -1, 3600, "and back at; -1: not again")                                    \
    X(catheter_enters_s, "catheter-enters-s", -1, -1, 3600, "catheter comes in at; -1: 9 s before deposit")  \
    X(catheter_stays_s, "catheter-stays-s", 5, 0, 3600, "from the deposit to the withdrawal")                \
    X(catheter_db, "catheter-db", 9, -20, 40, "catheter over soft tissue")                                   \
    X(tip_mm, "tip-mm", -1, -1, 60,                                                                          \
      "tip to fundus along the stripe at the deposit; -1: 1.5 mm short of the bubbles")                      \
    X(gain_step_db, "gain-step-db", 0, -30, 30, "gain changes by")                                           \
    X(gain_step_s, "gain-step-s", -1, -1, 3600, "when; -1: at half time")                                    \
    X(depth_change_mm, "depth-change-mm", 0, 0, 200, "depth becomes; 0: it stays")                           \
    X(depth_change_s, "depth-change-s", -1, -1, 3600, "when; -1: at half time")                              \
    X(freeze_at_s, "freeze-at-s", -1, -1, 3600, "picture stands still from; -1: never")                      \
    X(freeze_s, "freeze-s", 3, 0, 3600, "for how long")                                                      \
    X(dropped_share, "dropped-share", 0, 0, 0.9, "share of frames that are missing")                         \
    X(rate_jitter, "rate-jitter", 0, 0, 0.9, "irregularity of the frame times (share)")                      \
    X(quality, "quality", 20, 1, 51, "H.264: rate factor; MPEG-4: quantiser; JPEG: 51 coarse, 1 fine")

#define RECIPE_INTEGERS(X)                                                                                   \
    X(seed, "seed", 1, 0, 2147483647, "same seed and options, same bytes")                                   \
    X(width_px, "width-px", 800, 64, 4096, "width of the frame, even")                                       \
    X(height_px, "height-px", 600, 64, 4096, "height of the frame, even")                                    \
    X(bubbles, "bubbles", 8, 0, 200, "bubbles in the cluster; 0: none are deposited")                        \
    X(pieces, "pieces", 1, 1, 3, "pieces that the cluster ends in")                                          \
    X(threads, "threads", 0, 0, 64,                                                                          \
      "threads; 0: as many as there are cores, at most 4; the bytes are the same")

/* X(field, option, default word's index, words, summary) */
#define RECIPE_CHOICES(X)                                                                                    \
    X(orientation, "orientation", 0, orientation_words, "how the uterus lies")                               \
    X(stripe, "stripe", 0, stripe_words, "look of the stripe")                                               \
    X(direction, "direction", 0, direction_words, "where the waves run")                                     \
    X(drift_mode, "drift-mode", 0, drift_words, "how the bubbles drift")                                     \
    X(uterus, "uterus", 1, yes_words, "whether there is a uterus at all")                                    \
    X(catheter, "catheter", 1, yes_words, "whether a catheter is seen")                                      \
    X(mirrored, "mirrored", 0, yes_words, "left and right exchanged")                                        \
    X(ruler, "ruler", 1, ruler_words, "where the depth ruler stands")                                        \
    X(ruler_minor, "ruler-minor", 1, yes_words, "ticks each 5 mm too")                                       \
    X(ruler_numbers, "ruler-numbers", 0, yes_words, "numbers beside each second centimetre")                 \
    X(texts, "texts", 1, yes_words, "texts, logo and grey bar around the picture")                           \
    X(running_clock, "running-clock", 1, yes_words, "a clock that runs in a corner")                         \
    X(codec, "codec", 0, codec_words,                                                                        \
      "coding; auto: H.264 in MP4, Motion JPEG in AVI, FFV1 in MKV, native in DICOM")                        \
    X(colour, "colour", 0, yes_words, "DICOM as RGB or YBR instead of MONOCHROME2")

enum orientation { ORIENTATION_ANTEVERTED, ORIENTATION_RETROVERTED };
enum stripe_look { STRIPE_BRIGHT, STRIPE_TRIPLE_LINE };
enum flow {
    FLOW_CERVIX_TO_FUNDUS,
    FLOW_FUNDUS_TO_CERVIX,
    FLOW_OPPOSING, /* from both ends to the middle */
    FLOW_MIXED,    /* some waves one way, some the other */
};
enum drift_mode { DRIFT_SLOW, DRIFT_SUDDEN };
enum ruler_place { RULER_NONE, RULER_RIGHT, RULER_LEFT };
enum recipe_codec { CODEC_AUTO, CODEC_H264, CODEC_MPEG4, CODEC_MJPEG, CODEC_FFV1, CODEC_NATIVE, CODEC_JPEG };

#define RECIPE_NUMBER_FIELD(field, option, value, low, high, summary) double field;
#define RECIPE_INTEGER_FIELD(field, option, value, low, high, summary) long field;
#define RECIPE_CHOICE_FIELD(field, option, value, words, summary) int field;

/** All parameters of one loop, as in the lists above. */
struct recipe {
    RECIPE_NUMBERS(RECIPE_NUMBER_FIELD)
    RECIPE_INTEGERS(RECIPE_INTEGER_FIELD)
    RECIPE_CHOICES(RECIPE_CHOICE_FIELD)
};

/** The words of each choice, in the order of its enum, ended by NULL. */
extern const char *const orientation_words[],
    *const stripe_words[], *const direction_words[], *const drift_words[], *const yes_words[],
                                                                               *const ruler_words[],
                                                                                   *const codec_words[];

/** The recipe of a plain loop: everything at its default. */
struct recipe recipe_default(void);

/** Puts actual times in the place of "-1: ..." ones and refuses what cannot be made.
 *  Errors: ERROR_USAGE names the option. */
MUST_CHECK bool recipe_settle(struct recipe *recipe, struct error **err);

#endif
