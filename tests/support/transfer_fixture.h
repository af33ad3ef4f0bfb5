#ifndef AFTERFLASH_TESTS_TRANSFER_FIXTURE_H
#define AFTERFLASH_TESTS_TRANSFER_FIXTURE_H

#include "measure/transfer.h"

#include <stdio.h>

/* Transfers filled by hand, for the tests of what writes them out. No number in them was measured.
 * Each is new; end it with transfer_fixture_free. The process ends when memory runs out. */

/** One loop with everything known: 3.1 waves a minute from the cervix, deposit 11.2 mm from the fundus. */
struct transfer *transfer_fixture_measured(void);

/** The same without a scale: lengths in pixels only. */
struct transfer *transfer_fixture_without_scale(void);

/** A still with no stripe in it: everything withheld, and no reason given by the result. */
struct transfer *transfer_fixture_nothing(void);

/** A quiet uterus without bubbles. */
struct transfer *transfer_fixture_quiet(void);

/** Two loops; the second is a follow-up. */
struct transfer *transfer_fixture_two_loops(void);

/** Ends a fixture; accepts NULL, leaves NULL. */
void transfer_fixture_free(struct transfer **transfer);

/** Writes the text that `write` gives for the transfer into a new string. */
char *transfer_fixture_text(void (*write)(FILE *to, const struct transfer *transfer),
                            const struct transfer *transfer);

#endif
