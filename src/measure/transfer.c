#include "measure/transfer.h"

#include "measure/before_after.h"
#include "measure/follow_ups.h"
#include "measure/loop_measure.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Loops of one transfer may differ by this share in scale: the ruler's own error. */
static const double SCALE_WITHIN = 0.02;

struct telling {
    const struct transfer_request *request;
    const char *file;
    size_t done;
};

static void tell(void *context, double part)
{
    const struct telling *telling = context;

    if (telling->request->progress != NULL)
        telling->request->progress(telling->request->progress_context, telling->file,
                                   ((double)telling->done + part) / (double)telling->request->n_paths);
}

static int by_start(const void *a, const void *b)
{
    const struct loop_result *one = a;
    const struct loop_result *other = b;

    if (one->has_start && other->has_start && one->start_s < other->start_s)
        return -1;
    return one->has_start && other->has_start && one->start_s > other->start_s;
}

/* By their own clocks when all have one; else the order they were given in. A stable insertion. */
static void order_loops(struct transfer *transfer)
{
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (!transfer->loops[i].has_start) {
            if (transfer->n_loops > 1)
                (void)text_list_add(&transfer->notes,
                                    "not every loop carries a clock, so they are taken in the order given");
            return;
        }
    for (size_t i = 1; i < transfer->n_loops; i++)
        for (size_t k = i; k > 0 && by_start(&transfer->loops[k - 1], &transfer->loops[k]) > 0; k--) {
            struct loop_result held = transfer->loops[k];

            transfer->loops[k] = transfer->loops[k - 1];
            transfer->loops[k - 1] = held;
        }
}

static void copy_list(struct text_list *to, const struct text_list *from)
{
    to->items = NULL;
    to->n = 0;
    for (size_t i = 0; i < from->n; i++)
        (void)text_list_add(to, "%s", from->items[i]);
}

static bool copy_cavity(struct cavity *to, const struct cavity *from)
{
    *to = *from;
    copy_list(&to->reasons, &from->reasons);
    if (from->centre_line == NULL)
        return true;
    to->centre_line = malloc(from->n_centre_line * sizeof *to->centre_line);
    if (to->centre_line == NULL)
        return false;
    memcpy(to->centre_line, from->centre_line, from->n_centre_line * sizeof *to->centre_line);
    return true;
}

/* Which loop speaks for each section. */
static size_t best_cavity(const struct transfer *transfer)
{
    size_t best = 0;

    for (size_t i = 1; i < transfer->n_loops; i++)
        if (transfer->loops[i].cavity.trust > transfer->loops[best].cavity.trust)
            best = i;
    return best;
}

static size_t best_contractions(const struct transfer *transfer)
{
    size_t best = 0;

    for (size_t i = 1; i < transfer->n_loops; i++) {
        const struct contractions *one = &transfer->loops[i].contractions;
        const struct contractions *held = &transfer->loops[best].contractions;
        bool is_assessed = one->verdict != CONTRACTIONS_NOT_ASSESSABLE;
        bool was_assessed = held->verdict != CONTRACTIONS_NOT_ASSESSABLE;

        if ((is_assessed && !was_assessed) ||
            (is_assessed == was_assessed && one->assessed_s > held->assessed_s))
            best = i;
    }
    return best;
}

static size_t first_deposit(const struct transfer *transfer)
{
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (transfer->loops[i].deposit.verdict == DEPOSIT_MEASURED)
            return i;
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (transfer->loops[i].drift.verdict == DRIFT_MEASURED)
            return i;
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (transfer->loops[i].deposit.verdict == DEPOSIT_NONE_SEEN)
            return i;
    return 0;
}

static bool speak_for_all(struct transfer *transfer, struct error **err)
{
    const struct loop_result *loop = NULL;
    bool is_made = false;

    transfer->cavity_loop = best_cavity(transfer);
    transfer->contractions_loop = best_contractions(transfer);
    transfer->deposit_loop = first_deposit(transfer);
    loop = &transfer->loops[transfer->cavity_loop];
    transfer->scale = loop->scale;
    copy_list(&transfer->scale.reasons, &loop->scale.reasons);
    is_made = copy_cavity(&transfer->cavity, &loop->cavity);
    loop = &transfer->loops[transfer->contractions_loop];
    is_made = contractions_copy(&transfer->contractions, &loop->contractions) && is_made;
    loop = &transfer->loops[transfer->deposit_loop];
    transfer->deposit = loop->deposit;
    copy_list(&transfer->deposit.reasons, &loop->deposit.reasons);
    transfer->drift = loop->drift;
    copy_list(&transfer->drift.reasons, &loop->drift.reasons);
    if (!is_made)
        return error_memory(err);
    if (!before_after_join(&transfer->contractions, transfer->loops, transfer->n_loops,
                           transfer->deposit_loop, err))
        return false;
    return follow_ups_make(&transfer->drift, transfer->loops, transfer->n_loops, transfer->deposit_loop, err);
}

/* Lengths of loops with different pixels may be compared; a scale that is given for all may not differ from
 * theirs. */
static bool check_scales(const struct transfer *transfer, const struct transfer_request *request,
                         struct error **err)
{
    const struct loop_result *first = &transfer->loops[0];

    if (request->scale_mm_per_px <= 0.0)
        return true;
    for (size_t i = 1; i < transfer->n_loops; i++) {
        const struct loop_result *other = &transfer->loops[i];

        if (other->width_px != first->width_px || other->height_px != first->height_px)
            return error_set(
                err, ERROR_USAGE,
                "--scale is one scale, but %s is %d x %d pixels and %s is %d x %d; measure them one by one",
                first->file, first->width_px, first->height_px, other->file, other->width_px,
                other->height_px);
    }
    return true;
}

static void note_scales(struct transfer *transfer)
{
    const struct scale *first = &transfer->loops[0].scale;

    for (size_t i = 1; i < transfer->n_loops; i++) {
        const struct scale *other = &transfer->loops[i].scale;

        if (first->source != SCALE_NONE && other->source != SCALE_NONE &&
            fabs(other->mm_per_px_x / first->mm_per_px_x - 1.0) > SCALE_WITHIN)
            (void)text_list_add(&transfer->notes,
                                "%s and %s have different scales; each is measured with its own",
                                transfer->loops[0].file, transfer->loops[i].file);
        if ((first->source == SCALE_NONE) != (other->source == SCALE_NONE))
            (void)text_list_add(&transfer->notes,
                                "only one of %s and %s has a scale; they cannot be compared in millimetres",
                                transfer->loops[0].file, transfer->loops[i].file);
    }
}

/* The loop measured before that holds the same bytes; NULL: none. */
static struct loop_result *same_bytes(struct transfer *transfer, const struct loop_facts *facts)
{
    for (size_t i = 0; i < transfer->n_loops; i++)
        if (strcmp(transfer->loops[i].sha256, facts->sha256) == 0)
            return &transfer->loops[i];
    return NULL;
}

/* A copy under another name is no second loop: it would count as its own follow-up. */
static bool measure_next(struct transfer *transfer, const char *path, const struct loop_request *request,
                         struct error **err)
{
    CLEANUP(loop_close) struct loop *loop = NULL;
    struct loop_result *same = NULL;

    if (!loop_open(&loop, path, err))
        return false;
    same = same_bytes(transfer, loop_facts(loop));
    if (same != NULL)
        return text_list_add_once(&same->problems,
                                  "the recording was given again as %s, the same byte for byte; it is "
                                  "measured once",
                                  loop_facts(loop)->file)
                   ? true
                   : error_memory(err);
    if (!loop_measure(&transfer->loops[transfer->n_loops], loop, request, err))
        return false;
    transfer->n_loops++;
    return true;
}

bool transfer_measure(struct transfer **transfer, const struct transfer_request *request, struct error **err)
{
    CLEANUP(transfer_free) struct transfer *made = NULL;
    struct telling telling = {.request = request};

    if (request->n_paths == 0)
        return error_set(err, ERROR_USAGE, "no recording was given");
    made = calloc(1, sizeof *made);
    if (made != NULL)
        made->loops = calloc(request->n_paths, sizeof *made->loops);
    if (made == NULL || made->loops == NULL)
        return error_memory(err); /* NOLINT(clang-analyzer-unix.Malloc): CLEANUP ends it */
    for (size_t i = 0; i < request->n_paths; i++) {
        struct loop_request loop = {.scale_mm_per_px = request->scale_mm_per_px,
                                    .has_fundus = request->has_fundus && i == 0,
                                    .has_os = request->has_os && i == 0,
                                    .fundus_px = request->fundus_px,
                                    .os_px = request->os_px,
                                    .progress = tell,
                                    .progress_context = &telling};

        telling.file = request->paths[i];
        telling.done = i;
        if (!measure_next(made, request->paths[i], &loop, err))
            return false;
    }
    if (!check_scales(made, request, err))
        return false;
    order_loops(made);
    note_scales(made);
    if (!speak_for_all(made, err))
        return false;
    *transfer = made;
    made = NULL;
    return true;
}

void transfer_free(struct transfer **transfer)
{
    if (transfer == NULL || *transfer == NULL)
        return;
    for (size_t i = 0; i < (*transfer)->n_loops; i++)
        loop_result_free(&(*transfer)->loops[i]);
    free((*transfer)->loops);
    text_list_free(&(*transfer)->scale.reasons);
    cavity_free(&(*transfer)->cavity);
    contractions_free(&(*transfer)->contractions);
    text_list_free(&(*transfer)->deposit.reasons);
    drift_free(&(*transfer)->drift);
    text_list_free(&(*transfer)->notes);
    free(*transfer);
    *transfer = NULL;
}
