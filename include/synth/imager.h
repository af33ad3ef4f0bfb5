#ifndef AFTERFLASH_SYNTH_IMAGER_H
#define AFTERFLASH_SYNTH_IMAGER_H

#include "base/contract.h"
#include "base/error.h"
#include "synth/anatomy.h"
#include "synth/curve.h"
#include "synth/recipe.h"

#include <stddef.h>

/** The scanner's front end: turns echoes into the log-compressed lines of a sector.
 *
 *  Echoes are added up as complex amplitudes (phase 4 pi f r / c, c = 1540 m/s, IEC 61391) through a
 *  Gaussian point spread that is short along the beam and wider across it, and widest away from the
 *  focus; so speckle is fully developed (Rayleigh) where many scatterers share a resolution cell:
 *  Wagner, Smith, Sandrik, Lopez, IEEE Trans. Sonics Ultrason. 30(3):156-163, 1983. */
struct imager;

/** The lines of one frame: what one thread works on. */
struct canvas {
    int n_beams, n_samples;
    int stride; /* floats from one beam to the next */
    float *in;  /* real and imaginary part; sample k of beam b stands at b * stride + IMAGER_PAD + k */
    float *quad;
    float *luma;        /* 0..255, as above, after imager_compress */
    float *spare;       /* room for a copy of luma */
    struct curve curve; /* of the last compression */
};

/** Part of the lines; ends are not included and not before the firsts. */
struct window {
    int first_beam, end_beam, first_sample, end_sample;
};

enum { IMAGER_PAD = 8 };

/** Sets an imager up for a settled recipe, showing depth_mm (the recipe's or a changed one).
 *  imager: caller's; end with imager_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool imager_make(struct imager **imager, const struct recipe *recipe, double depth_mm,
                            struct error **err);

/** Ends an imager; accepts NULL, leaves NULL. */
void imager_free(struct imager **imager);

/** A blank canvas for this imager; end with canvas_free. NULL when memory ran out. */
struct canvas *canvas_make(const struct imager *imager);

/** Ends a canvas; accepts NULL, leaves NULL. */
void canvas_free(struct canvas **canvas);

/** Blanks the canvas. */
void canvas_clear(struct canvas *canvas);

enum { ECHOES_TOGETHER = 16 };

/** Echoes of scatterers, part by part: amplitude 1 a scatterer at the recipe's density makes soft tissue of
 *  0 dB. */
struct echoes {
    size_t n; /* ECHOES_TOGETHER at most */
    float x_mm[ECHOES_TOGETHER], y_mm[ECHOES_TOGETHER], amplitude[ECHOES_TOGETHER];
    float turns[ECHOES_TOGETHER]; /* extra phase */
};

/** Adds echoes one after the other; those outside the sector are ignored. */
void imager_add(const struct imager *imager, struct canvas *canvas, const struct echoes *echoes);

/** Adds a single bright echo, peak_db over soft tissue, `wider` times the point spread (>= 0.3). */
void imager_add_bright(const struct imager *imager, struct canvas *canvas, struct place place, double peak_db,
                       double wider, double turns);

/** The window that is the whole canvas. */
struct window canvas_whole(const struct canvas *canvas);

/** Adds electronics noise (a draw that depends on frame and beam alone), takes the envelope, applies
 *  gain and log compression, and writes luma within the window. Echoes stay as they are.
 *
 *  gain_db  on top of the recipe's */
void imager_compress(const struct imager *imager, struct canvas *canvas, struct window window, long frame,
                     double gain_db);

/** Luma (0..255) of soft tissue `db` over plain at mid-depth, without noise: the display curve. */
double imager_luma(const struct imager *imager, double db);

/** Where sample (beam, sample) lies. */
struct place imager_place(const struct imager *imager, double beam, double sample);

/** Beam and sample at a place, real-valued, may lie outside the lines. */
void imager_find(const struct imager *imager, struct place place, double *beam, double *sample);

/** Samples of the sector: lines, samples a line. */
void imager_size(const struct imager *imager, int *n_beams, int *n_samples);

/** Width of the point spread (deviation), mm: along and across the beam at a depth below the probe. */
double imager_axial_mm(const struct imager *imager);
double imager_lateral_mm(const struct imager *imager, double depth_mm);

#endif
