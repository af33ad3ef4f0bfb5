#ifndef AFTERFLASH_TESTS_SUPPORT_SCREEN_FIXTURE_H
#define AFTERFLASH_TESTS_SUPPORT_SCREEN_FIXTURE_H

#include "image/picture.h"
#include "image/survey.h"
#include "media/frame.h"

#include <stdbool.h>
#include <stddef.h>

/* A scanner's screen drawn in memory: a picture of living speckle, and what stands around it. */

enum screen_shape { SCREEN_SECTOR, SCREEN_BOX, SCREEN_WHOLE, SCREEN_EMPTY };

/** A ruler along x_px (along y for a lying one): ticks from first_px on, `every` apart. */
struct screen_ruler {
    int n_ticks; /* 0: none */
    double x_px;
    double first_px;
    double spacing_px;
    int long_every; /* every how many ticks a longer one stands; 0: all alike */
    bool is_lying;
    int number_every;     /* every how many ticks a number stands; 0: none */
    int number_at_px;     /* from the tick on; 0: 14 */
    bool has_line;        /* a line joins the ticks */
    int pixel_more_every; /* every how many ticks one is a pixel longer, as blurred edges leave it; 0: none */
    int luma;             /* of ticks; 0: 190 */
    int short_luma;       /* of ticks that are not the longer ones; 0: as bright as these */
};

struct screen {
    int width_px;
    int height_px;
    enum screen_shape shape;
    bool is_flipped; /* apex below */
    double apex_x_px;
    double apex_y_px;
    double half_angle_deg;
    double near_px;
    double far_px;
    double left_px; /* of a box */
    double top_px;
    double right_px;
    double bottom_px;
    double brightness;   /* of the tissue */
    double speckle;      /* change from frame to frame, grey levels */
    double content_x_px; /* the tissue moved */
    double content_y_px;
    double zoom;           /* of the tissue; 1 usual */
    double gain;           /* grey levels added */
    bool has_text;         /* a header, a list of settings, a label within the picture */
    bool has_bar;          /* a grey bar */
    bool has_dark_bladder; /* a black round place within the picture */
    bool has_colour_box;   /* a flow map */
    int clock;             /* digits that change */
    struct screen_ruler ruler;
};

/** 800 x 600, a sector of 120 degrees, no text, no ruler. */
struct screen screen_usual(void);

/** Is a pixel within the picture as drawn? */
bool screen_holds(const struct screen *screen, int x_px, int y_px);

/** Draws frame `seed` of a screen; the same seed gives the same speckle. Fails the test without memory. */
struct frame *screen_frame(const struct screen *screen, unsigned seed, size_t index, double time_s);

/** Surveys n frames of an unchanging screen at 10 frames/s. */
struct survey *screen_survey(const struct screen *screen, size_t n);

/** Share of pixels in picture->outline or in the drawn picture that are in both. */
double screen_agreement(const struct screen *screen, const struct picture *picture);

#endif
