#ifndef AFTERFLASH_REPORT_SECTIONS_INTERNAL_H
#define AFTERFLASH_REPORT_SECTIONS_INTERNAL_H

#include "base/json.h"
#include "measure/transfer.h"

#include <jansson.h>
#include <stdbool.h>

/* The sections of summary.json as JSON objects; NULL when memory ran out. Every fixed key is
 * there; when one is null and the result gives no reason, a plain one is added. */

/** A section whose keys could all be put; else it is ended, and NULL. */
static inline json_t *whole_or_null(json_t *made, bool is_whole)
{
    if (is_whole)
        return made;
    json_decref(made);
    return NULL;
}

/** Puts a quantity, null where it is not known. */
static inline bool put_number(json_t *section, const char *key, struct quantity quantity, int decimals)
{
    return json_put(section, key, json_from_quantity(quantity, decimals));
}

/** `scale`. */
json_t *sections_scale(const struct scale *scale);

/** `cavity`; loop is the index of the loop that it comes from, SIZE_MAX for a loop's own section. */
json_t *sections_cavity(const struct cavity *cavity, const struct scale *scale, size_t loop);

/** `contractions`; loop as above. */
json_t *sections_contractions(const struct contractions *contractions, const struct scale *scale,
                              size_t loop);

/** `waves` of the contractions, one by one. */
json_t *sections_waves(const struct contractions *contractions);

/** `over_time` of the contractions, window by window. */
json_t *sections_over_time(const struct contractions *contractions);

/** `before_after` of the contractions; its sides name their loops where has_loops. */
json_t *sections_before_after(const struct before_after *seen, bool has_loops);

/** `deposit`; loop as above. */
json_t *sections_deposit(const struct deposit *deposit, const struct scale *scale, size_t loop);

/** `drift`; with_follow_ups for the transfer's own. */
json_t *sections_drift(const struct drift *drift, const struct scale *scale, bool with_follow_ups);

/** One entry of `loops`. */
json_t *sections_loop(const struct loop_result *loop);

#endif
