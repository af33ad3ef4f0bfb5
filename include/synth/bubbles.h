#ifndef AFTERFLASH_SYNTH_BUBBLES_H
#define AFTERFLASH_SYNTH_BUBBLES_H

#include "base/contract.h"
#include "base/error.h"
#include "synth/anatomy.h"
#include "synth/recipe.h"

#include <stdbool.h>
#include <stddef.h>

enum { MOST_BUBBLES = 200 };

/** One air bubble at one moment, in stripe coordinates of the resting tissue. */
struct bubble {
    struct along along;
    double peak_db;  /* over soft tissue */
    double strength; /* amplitude, 0..1: 0 while it is not there or out of sight */
    double turns;    /* phase of its echo */
    int piece;
};

/** The cluster of air bubbles that marks the deposit. */
struct bubbles;

/** Draws the cluster of a settled recipe; none when recipe->bubbles is 0 or there is no uterus.
 *  bubbles: caller's; end with bubbles_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool bubbles_make(struct bubbles **bubbles, const struct recipe *recipe,
                             const struct anatomy *anatomy, struct error **err);

/** Ends bubbles; accepts NULL, leaves NULL. */
void bubbles_free(struct bubbles **bubbles);

/** How many there are; 0 for none. */
size_t bubbles_count(const struct bubbles *bubbles);

/** The i-th bubble at a time. */
struct bubble bubbles_at(const struct bubbles *bubbles, size_t i, double time_s);

/** Where the cluster's middle is meant to be at a time, s along the centre line, before the pieces part. */
double bubbles_middle_mm(const struct bubbles *bubbles, double time_s);

/** Whether the bubbles have all appeared and are in sight. */
bool bubbles_are_seen(const struct bubbles *bubbles, double time_s);

/** From the deposit to the moment when the last bubble has appeared. */
double bubbles_appear_s(void);

/** The catheter at one moment. */
struct catheter {
    bool is_there;
    double tip_s_mm; /* along the centre line from the fundus */
};

/** Where the catheter is at a time. */
struct catheter catheter_at(const struct recipe *recipe, const struct anatomy *anatomy, double time_s);

#endif
