#ifndef AFTERFLASH_REPORT_FINDINGS_INTERNAL_H
#define AFTERFLASH_REPORT_FINDINGS_INTERNAL_H

#include "measure/transfer.h"

/* What was found, as plain sentences. Each is a new string that the caller frees; NULL when
 * memory ran out. Lengths are in pixels where no scale is known. */

/** Of the cavity: found, given or not, how long, how thick, how sure. */
char *findings_of_cavity(const struct cavity *cavity);

/** Of the contractions: how many a minute, which way; or that none were found; or that none could be looked
 * for. */
char *findings_of_contractions(const struct contractions *contractions);

/** That the frequency changed within the loop: from where it was lowest to where it was highest. Empty where
 * no two windows of time have intervals that lie apart. */
char *findings_of_course(const struct contractions *contractions);

/** How many came a minute before the deposit and after it. Empty where that could not be compared. */
char *findings_of_before_after(const struct before_after *seen);

/** Of the deposit: when and how far from the fundus. */
char *findings_of_deposit(const struct deposit *deposit);

/** Of the drift: how far, toward or away from the fundus, over what time. */
char *findings_of_drift(const struct drift *drift);

/** Of one later loop. file is the loop's name. */
char *findings_of_follow_up(const struct follow_up *later, const char *file);

#endif
