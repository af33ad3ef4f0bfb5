#include "report/summary_text.h"

#include "report/cautions.h"
#include "report/findings_internal.h"
#include "report/paragraph.h"
#include "report/published_internal.h"
#include "report/tool.h"

#include <stdlib.h>
#include <string.h>

/* Takes the sentence over. False when it is NULL. */
static bool write_finding(FILE *to, const char *head, char *sentence)
{
    if (sentence == NULL)
        return false;
    paragraph_write(to, head, "                ", sentence);
    free(sentence);
    return true;
}

static bool write_findings(FILE *to, const struct transfer *transfer)
{
    (void)fputs("\nWhat was found\n", to);
    if (!write_finding(to, "  Cavity        ", findings_of_cavity(&transfer->cavity)) ||
        !write_finding(to, "  Contractions  ", findings_of_contractions(&transfer->contractions)) ||
        !write_finding(to, "  Deposit       ", findings_of_deposit(&transfer->deposit)) ||
        !write_finding(to, "  Drift         ", findings_of_drift(&transfer->drift)))
        return false;
    for (size_t i = 0; i < transfer->drift.n_follow_ups; i++) {
        const struct follow_up *later = &transfer->drift.follow_ups[i];

        if (!write_finding(to, "                ",
                           findings_of_follow_up(later, transfer->loops[later->loop].file)))
            return false;
    }
    return true;
}

static void write_row(FILE *to, const char *name, struct quantity quantity, const char *unit, int decimals)
{
    if (!quantity.is_known) {
        (void)fprintf(to, "  %-38s%10s\n", name, "not told");
        return;
    }
    (void)fprintf(to, "  %-38s%10.*f", name, decimals, quantity.value);
    if (quantity.has_interval)
        (void)fprintf(to, " %-9s%.*f to %.*f\n", unit, decimals, quantity.low, decimals, quantity.high);
    else
        (void)fprintf(to, "%s%s\n", *unit == '\0' ? "" : " ", unit);
}

static void write_length(FILE *to, const char *name, struct quantity mm, struct quantity px, int decimals)
{
    if (mm.is_known || !px.is_known)
        write_row(to, name, mm, "mm", decimals);
    else
        write_row(to, name, px, "px", 1);
}

static void write_cavity_rows(FILE *to, const struct cavity *cavity)
{
    if (cavity->verdict == CAVITY_NOT_FOUND)
        return;
    write_length(to, "Cavity, length", cavity->length_mm, cavity->length_px, 1);
    write_length(to, "Cavity, thickness", cavity->thickness_mm, cavity->thickness_px, 1);
}

static void write_contraction_rows(FILE *to, const struct contractions *contractions)
{
    if (contractions->verdict != CONTRACTIONS_MEASURED)
        return;
    write_row(to, "Contractions, frequency", contractions->frequency_per_min, "per min", 2);
    write_row(to, "Contractions, count", contractions->count, "", 0);
    write_length(to, "Contractions, amplitude", contractions->amplitude_mm, contractions->amplitude_px, 2);
    if (contractions->velocity_mm_per_s.is_known || !contractions->velocity_px_per_s.is_known)
        write_row(to, "Contractions, velocity", contractions->velocity_mm_per_s, "mm/s", 2);
    else
        write_row(to, "Contractions, velocity", contractions->velocity_px_per_s, "px/s", 1);
}

static void write_deposit_rows(FILE *to, const struct deposit *deposit)
{
    if (deposit->verdict != DEPOSIT_MEASURED)
        return;
    write_row(to, "Deposit, time into its loop", deposit->time_s, "s", 1);
    write_length(to, "Deposit, distance to the fundus", deposit->to_fundus_mm, deposit->to_fundus_px, 1);
    write_row(to, "Deposit, share of the cavity's length", deposit->relative_depth, "", 2);
    write_length(to, "Catheter tip, distance to the fundus", deposit->tip_to_fundus_mm,
                 deposit->tip_to_fundus_px, 1);
}

static struct quantity turned(struct quantity way)
{
    struct quantity made = way;

    made.value = -way.value;
    made.low = -way.high;
    made.high = -way.low;
    return made;
}

/* The direction is told in words: a way back is a positive number "away from the fundus". */
static void write_way(FILE *to, const struct drift *drift)
{
    struct quantity mm = drift->toward_fundus_mm;
    struct quantity px = drift->toward_fundus_px;

    if (mm.is_known ? mm.value < 0 : px.is_known && px.value < 0)
        write_length(to, "Drift, away from the fundus", turned(mm), turned(px), 1);
    else
        write_length(to, "Drift, toward the fundus", mm, px, 1);
}

static void write_drift_rows(FILE *to, const struct drift *drift)
{
    if (drift->verdict != DRIFT_MEASURED)
        return;
    write_length(to, "Drift, first to last place", drift->net_mm, drift->net_px, 1);
    write_way(to, drift);
    write_length(to, "Drift, length of the way", drift->path_mm, drift->path_px, 1);
    write_length(to, "Drift, farthest from the first place", drift->farthest_mm, drift->farthest_px, 1);
    write_length(to, "Bubbles at the end, to the fundus", drift->final_to_fundus_mm,
                 drift->final_to_fundus_px, 1);
    write_length(to, "Bubbles at the end, spread", drift->spread_mm, drift->spread_px, 1);
    write_row(to, "Bubbles at the end, pieces", drift->pieces, "", 0);
}

static bool has_numbers(const struct transfer *transfer)
{
    return transfer->cavity.verdict != CAVITY_NOT_FOUND ||
           transfer->contractions.verdict == CONTRACTIONS_MEASURED ||
           transfer->deposit.verdict == DEPOSIT_MEASURED || transfer->drift.verdict == DRIFT_MEASURED;
}

static void write_numbers(FILE *to, const struct transfer *transfer)
{
    if (!has_numbers(transfer))
        return;
    (void)fprintf(to, "\n%-40s%10s %-9s%s\n", "Numbers", "value", "unit", "95 % interval");
    write_cavity_rows(to, &transfer->cavity);
    write_contraction_rows(to, &transfer->contractions);
    write_deposit_rows(to, &transfer->deposit);
    write_drift_rows(to, &transfer->drift);
}

static void write_reasons(FILE *to, const char *head, const struct text_list *reasons)
{
    for (size_t i = 0; i < reasons->n; i++)
        paragraph_write(to, i == 0 ? head : "                - ", "                  ", reasons->items[i]);
}

static void write_all_reasons(FILE *to, const struct transfer *transfer)
{
    if (transfer->scale.reasons.n + transfer->cavity.reasons.n + transfer->contractions.reasons.n +
            transfer->deposit.reasons.n + transfer->drift.reasons.n + transfer->notes.n ==
        0)
        return;
    (void)fputs("\nWhat could not be told, and what to know of the rest\n", to);
    write_reasons(to, "  Scale         - ", &transfer->scale.reasons);
    write_reasons(to, "  Cavity        - ", &transfer->cavity.reasons);
    write_reasons(to, "  Contractions  - ", &transfer->contractions.reasons);
    write_reasons(to, "  Deposit       - ", &transfer->deposit.reasons);
    write_reasons(to, "  Drift         - ", &transfer->drift.reasons);
    write_reasons(to, "  Transfer      - ", &transfer->notes);
}

static char *facts_of(const struct loop_result *loop)
{
    if (loop->frame_rate_hz > 0)
        return text_format("%s: %d x %d px, %zu frames, %.1f s at %.1f per s, %s (%s)", loop->file,
                           loop->width_px, loop->height_px, loop->frames, loop->duration_s,
                           loop->frame_rate_hz, loop->format, loop->codec);
    return text_format("%s: %d x %d px, %zu frame%s, %s (%s)", loop->file, loop->width_px, loop->height_px,
                       loop->frames, loop->frames == 1 ? "" : "s", loop->format, loop->codec);
}

static bool write_own_finding(FILE *to, const char *head, char *sentence)
{
    if (sentence == NULL)
        return false;
    paragraph_write(to, head, "      ", sentence);
    free(sentence);
    return true;
}

/* With several loops the findings above speak for the transfer; here each loop speaks for itself. */
static bool write_own_findings(FILE *to, const struct loop_result *loop)
{
    return write_own_finding(to, "    Cavity: ", findings_of_cavity(&loop->cavity)) &&
           write_own_finding(to, "    Contractions: ", findings_of_contractions(&loop->contractions)) &&
           write_own_finding(to, "    Deposit: ", findings_of_deposit(&loop->deposit)) &&
           write_own_finding(to, "    Drift: ", findings_of_drift(&loop->drift));
}

static bool write_recording(FILE *to, const struct loop_result *loop, bool has_siblings)
{
    char *facts = facts_of(loop);

    if (facts == NULL)
        return false;
    paragraph_write(to, "  ", "    ", facts);
    free(facts);
    for (size_t i = 0; i < loop->problems.n; i++)
        paragraph_write(to, "    - ", "      ", loop->problems.items[i]);
    return !has_siblings || write_own_findings(to, loop);
}

static const char *scale_origin(enum scale_source source)
{
    switch (source) {
    case SCALE_DICOM_REGION:
        return "from the DICOM region that holds the picture";
    case SCALE_RULER:
        return "from the depth ruler in the picture";
    case SCALE_GIVEN:
        return "given by hand";
    case SCALE_NONE:
        break;
    }
    return "not known";
}

static void write_scale(FILE *to, const char *indent, const struct scale *scale)
{
    if (scale->source == SCALE_NONE)
        (void)fprintf(to, "%sScale: not known; lengths are in pixels\n", indent);
    else if (scale->mm_per_px_x == scale->mm_per_px_y)
        (void)fprintf(to, "%sScale: %.4f mm per pixel, %s\n", indent, scale->mm_per_px_x,
                      scale_origin(scale->source));
    else
        (void)fprintf(to, "%sScale: %.4f mm per pixel across, %.4f down,\n%s  %s\n", indent,
                      scale->mm_per_px_x, scale->mm_per_px_y, indent, scale_origin(scale->source));
}

static bool write_recordings(FILE *to, const struct transfer *transfer)
{
    (void)fputs(transfer->n_loops == 1 ? "\nRecording\n" : "\nRecordings\n", to);
    for (size_t i = 0; i < transfer->n_loops; i++) {
        if (!write_recording(to, &transfer->loops[i], transfer->n_loops > 1))
            return false;
        if (transfer->n_loops > 1)
            write_scale(to, "    ", &transfer->loops[i].scale);
    }
    if (transfer->n_loops == 1)
        write_scale(to, "  ", &transfer->scale);
    return true;
}

static bool write_cautions(FILE *to, const struct transfer *transfer)
{
    struct text_list cautions = {0};
    bool is_whole = cautions_list(&cautions, transfer);

    (void)fputs("\nCautions\n", to);
    for (size_t i = 0; i < cautions.n; i++)
        paragraph_write(to, "  - ", "    ", cautions.items[i]);
    text_list_free(&cautions);
    return is_whole;
}

bool summary_text_write(FILE *to, const struct transfer *transfer, struct error **err)
{
    (void)fprintf(to, "Transfer summary, afterflash %s\n", tool_version());
    if (!write_findings(to, transfer))
        return error_memory(err);
    write_numbers(to, transfer);
    if (!published_write(to, transfer))
        return error_memory(err);
    write_all_reasons(to, transfer);
    if (!write_recordings(to, transfer) || !write_cautions(to, transfer))
        return error_memory(err);
    return true;
}
