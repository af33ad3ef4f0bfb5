#ifndef AFTERFLASH_MEASURE_CONTRACTION_H
#define AFTERFLASH_MEASURE_CONTRACTION_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/transfer.h"

#include <stdbool.h>
#include <stddef.h>

/** Shortest usable stretch for a frequency, seconds: below a minute a wave of the usual
 *  1 to 5 per minute does not repeat often enough. */
#define CONTRACTION_LEAST_S 60.0

/** The band in which contractions are looked for, per minute. Source: the highest verified
 *  mean plus two standard deviations is 5.65 per min (4.29 +- 0.68, Lesny et al., Hum.
 *  Reprod. Update 4:440-445, 1998); breathing starts at 12 per min (common practice, no source). */
#define CONTRACTION_LOW_PER_MIN 0.6
#define CONTRACTION_HIGH_PER_MIN 8.0

/** Change of the distance between the tissue on either side of the stripe, some way outward of its walls. */
struct wave_beside {
    size_t n;                /* pairs of places; 0: not looked at */
    const size_t *position;  /* n: index of the position whose walls they lie beside */
    double away_mm;          /* outward of each wall */
    const double *change_mm; /* n_times x n */
    const float *trust;      /* n_times x n, as of the walls */
};

/** Change of wall-to-wall distance beyond the end toward the os, at the spacing of the positions, outward. */
struct wave_on {
    size_t n;                /* places; 0: not looked at */
    const double *change_mm; /* n_times x n */
    const float *trust;      /* n_times x n */
};

/** Change of wall-to-wall distance by time and position. Positions run from fundus to os. */
struct wave_trace {
    size_t n_times;
    size_t n_positions;
    const double *time_s;      /* rising */
    const double *position_mm; /* evenly spaced */
    const double *change_mm;   /* n_times x n_positions */
    const float *trust;        /* n_times x n_positions, 0..1; below 0.4 a value is not used */
    const double *half_mm;     /* n_positions: half the distance between the walls; NULL: not known */
    double patch_sigma_mm;     /* of the Gaussian patch that read a wall, cut at two of them; 0: a point */
    struct wave_beside beside;
    struct wave_on on;
};

/** What the waves are like. Lengths in the unit of the trace. */
struct wave_result {
    enum contractions_verdict verdict;
    bool has_frequency; /* else too few waves came, with pauses between, to speak of a rhythm */
    bool is_disputed;   /* the phase and a count of the waves tell very different numbers of waves: nothing is
                           assessed */
    double phase_per_min, counted_per_min; /* what they tell; is_disputed */
    bool has_pauses;                       /* the frequency is how many came over the whole time */
    double share; /* of the time in which waves came, 0..1; 1 where they do not pause */
    double frequency_per_min, low_per_min, high_per_min;
    double alone_per_min, alone_half_per_min; /* and half of its interval, before the list had its say */
    double count;
    double amplitude;                     /* half peak-to-peak of wall-to-wall distance, at the walls */
    double amplitude_low, amplitude_high; /* 95 %; is_at_walls */
    bool is_at_walls;                     /* else the amplitude is as the patches read it, which is less */
    double fade_mm; /* distance from the wall in which the motion fades to 1/e; is_at_walls */
    bool has_velocity;
    double velocity_per_s;
    double velocity_low, velocity_high; /* 95 %; high is infinite where there is none */
    enum wave_direction direction;
    bool has_either_way; /* of waves of one way, one may as well run the other */
    size_t n_this_way;   /* waves of the list that were each clearly seen to run so */
    bool is_passing;     /* opposing waves that run on through one another: then no velocity is told */
    bool meets_aside;    /* opposing waves that meet near one end or beyond it: likewise */
    bool runs_on;        /* they meet beyond the end of the stripe toward the os: it may reach farther */
    bool is_parting; /* waves that begin in the middle and run to both ends: neither direction nor velocity */
    double assessed_s;
    double false_alarm;
    double coherence;     /* of the motion along the stripe, 0..1 */
    double coherence_far; /* of places too far apart to see the same speckle, 0..1 */
    double regularity; /* standard deviation of the phase about a steady one, rad, less what noise gives it */
};

/** Looks for contractions in a trace.
 *
 *  The spectra of all positions are added, a power-law background is fitted beside the
 *  peak, and the peak is tested against it. The frequency of a steady wave is that of the
 *  best sinusoids in all positions at once; of an unsteady one, the mean of the advance of
 *  its phase over the time looked at and of its waves counted one by one, or the count alone where the
 *  phase slipped by a wave; of waves that pause, how many came over the whole time. Motion above the
 *  band that runs along the stripe leaves nothing assessed. Direction and velocity come from the phase along
 * the stripe.
 *
 *  result   overwritten
 *  reasons  sentences are added to it
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool contraction_measure(struct wave_result *result, struct text_list *reasons,
                                    const struct wave_trace *trace, struct error **err);

#endif
