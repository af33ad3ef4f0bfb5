#include "report/findings_internal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LIST_BYTES = 160 };

/* Begins the reason by which measure/loop_sections leaves open which end is which. */
static const char ends_untold[] = "which end of the stripe is the fundus cannot be told";

/* "52.3 mm", or pixels where there are no millimetres, or "an unknown length". */
static char *length_words(struct quantity mm, struct quantity px, int decimals)
{
    if (mm.is_known)
        return text_format("%.*f mm", decimals, mm.value);
    if (px.is_known)
        return text_format("%.1f px", px.value);
    return text_copy("a length that could not be told");
}

static bool knows_its_ends(const struct cavity *cavity)
{
    for (size_t i = 0; i < cavity->reasons.n; i++)
        if (strncmp(cavity->reasons.items[i], ends_untold, sizeof ends_untold - 1) == 0)
            return false;
    return true;
}

/* "52.3 mm long from end to end", or that the length is not known. */
static char *span_words(const struct cavity *cavity, const char *span)
{
    char *length = NULL;
    char *made = NULL;

    if (!cavity->length_mm.is_known && !cavity->length_px.is_known)
        return text_copy("its length could not be told");
    length = length_words(cavity->length_mm, cavity->length_px, 1);
    if (length != NULL)
        made = text_format("%s long %s", length, span);
    free(length);
    return made;
}

/* " and 9.8 mm thick" behind a length, or that the thickness is not known. */
static char *thickness_words(const struct cavity *cavity)
{
    bool has_length = cavity->length_mm.is_known || cavity->length_px.is_known;
    char *thickness = NULL;
    char *made = NULL;

    if (!cavity->thickness_mm.is_known && !cavity->thickness_px.is_known)
        return text_copy("; its thickness could not be told");
    thickness = length_words(cavity->thickness_mm, cavity->thickness_px, 1);
    if (thickness != NULL)
        made = text_format("%s %s thick", has_length ? " and" : ",", thickness);
    free(thickness);
    return made;
}

char *findings_of_cavity(const struct cavity *cavity)
{
    bool is_given = cavity->verdict == CAVITY_GIVEN;
    bool is_open = !is_given && !knows_its_ends(cavity);
    const char *span = is_given  ? "between the marks"
                       : is_open ? "from end to end"
                                 : "from the fundus to the internal os";
    char *length = NULL;
    char *thickness = NULL;
    char *made = NULL;

    if (cavity->verdict == CAVITY_NOT_FOUND)
        return text_copy("no endometrial stripe was found. If there is one, mark it: --fundus X,Y --os X,Y.");
    length = span_words(cavity, span);
    thickness = thickness_words(cavity);
    if (length != NULL && thickness != NULL)
        made =
            text_format("%s, %s%s (%s trusted %.2f of 1).%s%s", is_given ? "marked by hand" : "found", length,
                        thickness, is_open ? "its likelier fundal end" : "its fundal end", cavity->trust,
                        is_open ? " Which end is the fundus could not be told." : "",
                        cavity->marks_doubted ? " A catheter seems to come in by the fundus: check that the "
                                                "marks are not exchanged."
                                              : "");
    free(length);
    free(thickness);
    return made;
}

static const char *direction_words(enum wave_direction direction)
{
    switch (direction) {
    case DIRECTION_CERVIX_TO_FUNDUS:
        return "They run from the cervix to the fundus.";
    case DIRECTION_FUNDUS_TO_CERVIX:
        return "They run from the fundus to the cervix.";
    case DIRECTION_OPPOSING:
        return "They run from both ends toward the middle.";
    case DIRECTION_MIXED:
        return "They run now one way, now the other.";
    case DIRECTION_UNDETERMINED:
        break;
    }
    return "Which way they run could not be told.";
}

/* ", 5 waves counted (7 listed one by one, 2 of them seen in part)" into words; empty where none is. */
static const char *list_words(const struct contractions *contractions, char words[LIST_BYTES])
{
    size_t n_whole = 0;

    for (size_t i = 0; i < contractions->n_waves; i++)
        n_whole += contractions->waves[i].start_s.is_known && contractions->waves[i].end_s.is_known;
    words[0] = '\0';
    if (contractions->n_waves == 0 || !contractions->count.is_known)
        return words;
    if (n_whole == contractions->n_waves)
        (void)snprintf(words, LIST_BYTES, ", %.0f waves counted (%zu listed one by one)",
                       contractions->count.value, n_whole);
    else
        (void)snprintf(words, LIST_BYTES,
                       ", %.0f waves counted (%zu listed one by one, %zu of them seen in part)",
                       contractions->count.value, contractions->n_waves, contractions->n_waves - n_whole);
    return words;
}

char *findings_of_contractions(const struct contractions *contractions)
{
    char words[LIST_BYTES];

    switch (contractions->verdict) {
    case CONTRACTIONS_MEASURED:
        if (!contractions->frequency_per_min.is_known)
            return text_format("present, how many a minute could not be told. %s",
                               direction_words(contractions->direction));
        return text_format("%.1f per minute over %.0f s of usable loop%s. %s",
                           contractions->frequency_per_min.value, contractions->assessed_s,
                           list_words(contractions, words), direction_words(contractions->direction));
    case CONTRACTIONS_QUIESCENT:
        return text_format("none were found in %.0f s of usable loop (quiescent).", contractions->assessed_s);
    case CONTRACTIONS_NOT_ASSESSABLE:
        break;
    }
    return text_copy("could not be assessed.");
}

/* The window in which the frequency was lowest (sign -1) or highest; NULL where none tells one. */
static const struct rate_seen *extreme(const struct contractions *contractions, double sign)
{
    const struct rate_seen *found = NULL;

    for (size_t i = 0; i < contractions->n_over_time; i++) {
        const struct rate_seen *seen = &contractions->over_time[i];

        if (seen->frequency_per_min.is_known &&
            (found == NULL || sign * seen->frequency_per_min.value > sign * found->frequency_per_min.value))
            found = seen;
    }
    return found;
}

char *findings_of_course(const struct contractions *contractions)
{
    const struct rate_seen *lowest = extreme(contractions, -1.0);
    const struct rate_seen *highest = extreme(contractions, 1.0);

    if (lowest == NULL || !lowest->frequency_per_min.has_interval ||
        !highest->frequency_per_min.has_interval ||
        lowest->frequency_per_min.high >= highest->frequency_per_min.low)
        return text_copy("");
    return text_format(
        "The frequency changes: %.1f per minute from %.0f to %.0f s, %.1f from %.0f to %.0f s.",
        lowest->frequency_per_min.value, lowest->from_s, lowest->to_s, highest->frequency_per_min.value,
        highest->from_s, highest->to_s);
}

char *findings_of_before_after(const struct before_after *seen)
{
    struct quantity apart = seen->frequency_difference_per_min;

    if (!apart.is_known)
        return text_copy("");
    return text_format(
        "Before the deposit %.1f per minute (%.0f s), after it %.1f (%.0f s): %s%.1f %s (95 %% interval of "
        "after "
        "minus before: %.1f to %.1f).",
        seen->before.frequency_per_min.value, seen->before.to_s - seen->before.from_s,
        seen->after.frequency_per_min.value, seen->after.to_s - seen->after.from_s,
        apart.low <= 0.0 && apart.high >= 0.0 ? "no difference beyond the error of measurement, " : "",
        fabs(apart.value), apart.value < 0.0 ? "fewer" : "more", apart.low, apart.high);
}

/* ", 11.2 mm from the fundus", or why no distance stands there. */
static char *depth_words(const struct deposit *deposit)
{
    char *length = NULL;
    char *made = NULL;

    if (!deposit->to_fundus_mm.is_known && !deposit->to_fundus_px.is_known)
        return text_copy("; how far from the fundus could not be told");
    length = length_words(deposit->to_fundus_mm, deposit->to_fundus_px, 1);
    if (length != NULL)
        made = text_format(", %s from the fundus", length);
    free(length);
    return made;
}

char *findings_of_deposit(const struct deposit *deposit)
{
    char *depth = NULL;
    char *made = NULL;

    if (deposit->verdict == DEPOSIT_NONE_SEEN)
        return text_copy("no bubbles were seen.");
    if (deposit->verdict == DEPOSIT_NOT_ASSESSABLE)
        return text_copy("could not be assessed.");
    depth = depth_words(deposit);
    if (depth != NULL && deposit->time_s.is_known)
        made = text_format("the bubbles appeared %.1f s into the loop%s.", deposit->time_s.value, depth);
    else if (depth != NULL)
        made = text_format("bubbles were seen%s.", depth);
    free(depth);
    return made;
}

static char *toward_words(struct quantity way, const char *unit)
{
    if (fabs(way.value) < 0.05)
        return text_format("0.0 %s", unit);
    return text_format("%.1f %s %s the fundus", fabs(way.value), unit,
                       way.value < 0 ? "away from" : "toward");
}

/* An interval that holds zero is no drift along the stripe, unless the bubbles went farther on their way and
 * came back; a millimetre value decides, else pixels. */
static char *way_words(const struct drift *drift)
{
    bool is_mm = drift->toward_fundus_mm.is_known;
    struct quantity way = is_mm ? drift->toward_fundus_mm : drift->toward_fundus_px;
    struct quantity farthest = is_mm ? drift->farthest_mm : drift->farthest_px;
    const char *unit = is_mm ? "mm" : "px";
    bool is_back = way.has_interval && way.low <= 0 && way.high >= 0;

    char *toward = NULL;
    char *made = NULL;

    if (!way.is_known)
        return text_copy("how far along the stripe, and which way, could not be told");
    toward = toward_words(way, unit);
    if (toward != NULL && is_back && farthest.is_known && farthest.value > fmax(-way.low, way.high))
        made = text_format("at the end where they were put, within the error of measurement (%s), after "
                           "lying up to %.1f %s away",
                           toward, farthest.value, unit);
    else if (toward != NULL && is_back)
        made = text_format("no movement along the stripe beyond the error of measurement (%s)", toward);
    if (!is_back)
        return toward;
    free(toward);
    return made;
}

char *findings_of_drift(const struct drift *drift)
{
    char *way = NULL;
    char *made = NULL;

    if (drift->verdict == DRIFT_NONE_SEEN)
        return text_copy("no bubbles were seen.");
    if (drift->verdict == DRIFT_NOT_ASSESSABLE)
        return text_copy("could not be assessed.");
    way = way_words(drift);
    if (way != NULL && drift->followed_s.is_known)
        made = text_format("%s, seen for %.0f s.", way, drift->followed_s.value);
    else if (way != NULL)
        made = text_format("%s.", way);
    free(way);
    return made;
}

char *findings_of_follow_up(const struct follow_up *later, const char *file)
{
    struct quantity none = {0};
    char *length = NULL;
    char *made = NULL;

    if (!later->to_fundus_mm.is_known)
        return text_format("later the bubbles were seen, but not how far from the fundus (%s).", file);
    length = length_words(later->to_fundus_mm, none, 1);
    if (length != NULL && later->minutes_after_deposit.is_known)
        made = text_format("%.1f min after the deposit the bubbles lay %s from the fundus (%s).",
                           later->minutes_after_deposit.value, length, file);
    else if (length != NULL)
        made = text_format("later the bubbles lay %s from the fundus (%s).", length, file);
    free(length);
    return made;
}
