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

/* "later.dcm", or "loop.dcm (number 2 below)" where another loop has the same name. */
static char *name_of(const struct transfer *transfer, size_t loop)
{
    const char *file = transfer->loops[loop].file;

    for (size_t i = 0; i < transfer->n_loops; i++)
        if (i != loop && strcmp(transfer->loops[i].file, file) == 0)
            return text_format("%s (number %zu below)", file, loop + 1);
    return text_copy(file);
}

/* Takes a sentence over, and warns behind it where what it tells turns round with marks that are doubted. */
static char *warned(char *sentence, const struct transfer *transfer, size_t loop, bool is_directed)
{
    char *made = NULL;

    if (sentence == NULL || !is_directed || !transfer->loops[loop].cavity.marks_doubted)
        return sentence;
    made = text_format("%s The marks may be exchanged: see the cavity.", sentence);
    free(sentence);
    return made;
}

static bool is_directed(const struct contractions *contractions)
{
    return contractions->verdict == CONTRACTIONS_MEASURED &&
           (contractions->direction == DIRECTION_CERVIX_TO_FUNDUS ||
            contractions->direction == DIRECTION_FUNDUS_TO_CERVIX);
}

/* One of several loops speaks for the transfer, so it is named; what failed alike in all of them is no one's
 * own. Takes the sentence over. False when it is NULL or memory ran out. */
static bool write_headline(FILE *to, const char *head, const struct transfer *transfer, size_t loop,
                           bool is_so_in_all, char *sentence)
{
    char *name = NULL;
    char *made = NULL;

    if (transfer->n_loops < 2 || sentence == NULL)
        return write_finding(to, head, sentence);
    if (is_so_in_all) {
        made = text_format("in each of the %zu loops: %s", transfer->n_loops, sentence);
    } else {
        name = name_of(transfer, loop);
        if (name != NULL)
            made = text_format("in %s: %s", name, sentence);
        free(name);
    }
    free(sentence);
    return write_finding(to, head, made);
}

static bool has_no_cavity(const struct loop_result *loop)
{
    return loop->cavity.verdict == CAVITY_NOT_FOUND;
}

static bool has_no_contractions_assessed(const struct loop_result *loop)
{
    return loop->contractions.verdict == CONTRACTIONS_NOT_ASSESSABLE;
}

static bool has_no_bubbles_seen(const struct loop_result *loop)
{
    return loop->deposit.verdict == DEPOSIT_NONE_SEEN && loop->drift.verdict == DRIFT_NONE_SEEN;
}

static bool has_no_bubbles_assessed(const struct loop_result *loop)
{
    return loop->deposit.verdict == DEPOSIT_NOT_ASSESSABLE && loop->drift.verdict == DRIFT_NOT_ASSESSABLE;
}

static bool all_loops(const struct transfer *transfer, bool (*is_so)(const struct loop_result *loop))
{
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (!is_so(&transfer->loops[i]))
            return false;
    return true;
}

/* A sentence that need not be: nothing is written where it is empty. Takes it over. */
static bool write_further(FILE *to, char *sentence)
{
    if (sentence != NULL && *sentence == '\0') {
        free(sentence);
        return true;
    }
    return write_finding(to, "                ", sentence);
}

/* Of several loops those that the two sides come from are named. */
static bool write_before_after(FILE *to, const struct transfer *transfer)
{
    const struct before_after *seen = &transfer->contractions.before_after;
    char *sentence = findings_of_before_after(seen);
    char *made = NULL;

    if (transfer->n_loops < 2 || sentence == NULL || *sentence == '\0')
        return write_further(to, sentence);
    made = text_format("%s Before: %s; after: %s.", sentence, transfer->loops[seen->before.loop].file,
                       transfer->loops[seen->after.loop].file);
    free(sentence);
    return write_further(to, made);
}

static bool write_findings(FILE *to, const struct transfer *transfer)
{
    bool is_bubbleless =
        all_loops(transfer, has_no_bubbles_seen) || all_loops(transfer, has_no_bubbles_assessed);

    (void)fputs("\nWhat was found\n", to);
    if (!write_headline(to, "  Cavity        ", transfer, transfer->cavity_loop,
                        all_loops(transfer, has_no_cavity), findings_of_cavity(&transfer->cavity)) ||
        !write_headline(to, "  Contractions  ", transfer, transfer->contractions_loop,
                        all_loops(transfer, has_no_contractions_assessed),
                        warned(findings_of_contractions(&transfer->contractions), transfer,
                               transfer->contractions_loop, is_directed(&transfer->contractions))) ||
        !write_further(to, findings_of_course(&transfer->contractions)) ||
        !write_before_after(to, transfer) ||
        !write_headline(to, "  Deposit       ", transfer, transfer->deposit_loop, is_bubbleless,
                        warned(findings_of_deposit(&transfer->deposit), transfer, transfer->deposit_loop,
                               transfer->deposit.verdict == DEPOSIT_MEASURED)) ||
        !write_headline(to, "  Drift         ", transfer, transfer->deposit_loop, is_bubbleless,
                        warned(findings_of_drift(&transfer->drift), transfer, transfer->deposit_loop,
                               transfer->drift.verdict == DRIFT_MEASURED)))
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

/* The reasons of a section are those of the loop that speaks for it, which is named where there are several.
 */
static bool write_loop_reasons(FILE *to, const char *head, const struct transfer *transfer, size_t loop,
                               const struct text_list *reasons)
{
    char *name = NULL;
    char *first = NULL;

    if (reasons->n > 0 && transfer->n_loops > 1) {
        name = name_of(transfer, loop);
        first = name == NULL ? NULL : text_format("of %s:", name);
        free(name);
        if (first == NULL)
            return false;
        paragraph_write(to, head, "                ", first);
        free(first);
        write_reasons(to, "                - ", reasons);
        return true;
    }
    first = text_format("%s- ", head);
    if (first == NULL)
        return false;
    write_reasons(to, first, reasons);
    free(first);
    return true;
}

static bool has_same_items(const struct text_list *one, const struct text_list *other)
{
    if (one->n != other->n)
        return false;
    for (size_t i = 0; i < one->n; i++)
        if (strcmp(one->items[i], other->items[i]) != 0)
            return false;
    return true;
}

/* What holds for one section for the same reasons as for the one above is not said again. */
static bool write_all_reasons(FILE *to, const struct transfer *transfer)
{
    const struct {
        const char *name;
        size_t loop;
        const struct text_list *reasons;
    } sections[] = {{"Scale", transfer->cavity_loop, &transfer->scale.reasons},
                    {"Cavity", transfer->cavity_loop, &transfer->cavity.reasons},
                    {"Contractions", transfer->contractions_loop, &transfer->contractions.reasons},
                    {"Deposit", transfer->deposit_loop, &transfer->deposit.reasons},
                    {"Drift", transfer->deposit_loop, &transfer->drift.reasons}};
    size_t n_all = transfer->notes.n;

    for (size_t i = 0; i < sizeof sections / sizeof *sections; i++)
        n_all += sections[i].reasons->n;
    if (n_all == 0)
        return true;
    (void)fputs("\nWhat could not be told, and what to know of the rest\n", to);
    for (size_t i = 0; i < sizeof sections / sizeof *sections; i++) {
        char head[32];

        (void)snprintf(head, sizeof head, "  %-14s", sections[i].name);
        if (i > 0 && sections[i].reasons->n > 0 && sections[i].loop == sections[i - 1].loop &&
            has_same_items(sections[i].reasons, sections[i - 1].reasons))
            (void)fprintf(to, "%s- the same as for: %s\n", head, sections[i - 1].name);
        else if (!write_loop_reasons(to, head, transfer, sections[i].loop, sections[i].reasons))
            return false;
    }
    write_reasons(to, "  Transfer      - ", &transfer->notes);
    return true;
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
        return "from the ruler in the picture";
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
    if (!write_all_reasons(to, transfer) || !write_recordings(to, transfer) || !write_cautions(to, transfer))
        return error_memory(err);
    return true;
}
