#include "dicom/fragments.h"

#include <stdlib.h>
#include <string.h>

enum { MOST_FRAGMENTS = 4000000, MOST_TABLE_BYTES = 4 * MOST_FRAGMENTS, HEAD_BYTES = 8 };

/* Tags of PS3.5, 7.5; items are little endian in every encapsulated syntax (A.4). */
static const uint32_t ITEM = 0xfffee000U;
static const uint32_t ITEM_END = 0xfffee00dU;
static const uint32_t SEQUENCE_END = 0xfffee0ddU;

struct item_head {
    uint32_t tag;
    uint32_t n_bytes;
};

static uint32_t word(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 | (uint32_t)bytes[3] << 24;
}

static bool read_head(struct extents *file, uint64_t at, uint64_t end, struct item_head *head)
{
    uint8_t bytes[HEAD_BYTES];

    if (at > end || end - at < HEAD_BYTES || extents_read(file, at, bytes, sizeof bytes) != HEAD_BYTES)
        return false;
    head->tag = ((uint32_t)bytes[1] << 8 | bytes[0]) << 16 | ((uint32_t)bytes[3] << 8 | bytes[2]);
    head->n_bytes = word(bytes + 4);
    return true;
}

static bool read_table(struct fragments *fragments, struct extents *file, uint64_t at, uint32_t n_bytes,
                       struct error **err)
{
    uint8_t *bytes = NULL;

    if (n_bytes < 4 || n_bytes > MOST_TABLE_BYTES)
        return true;
    bytes = malloc(n_bytes);
    fragments->table = malloc(n_bytes / 4 * sizeof *fragments->table);
    if (bytes == NULL || fragments->table == NULL) {
        free(bytes);
        return error_memory(err);
    }
    if (extents_read(file, at, bytes, n_bytes) == (ptrdiff_t)n_bytes)
        fragments->n_table = n_bytes / 4;
    for (size_t i = 0; i < fragments->n_table; i++)
        fragments->table[i] = word(bytes + 4 * i);
    free(bytes);
    return true;
}

static bool add_fragment(struct fragments *fragments, size_t *n_room, uint64_t offset, uint32_t n_bytes,
                         struct error **err)
{
    if (fragments->n >= MOST_FRAGMENTS)
        return error_set(err, ERROR_INPUT, "the DICOM file has more pieces of pixel data than any loop");
    if (fragments->n == *n_room) {
        size_t more = *n_room == 0 ? 64 : 2 * *n_room;
        struct fragment *items = realloc(fragments->items, more * sizeof *items);

        if (items == NULL)
            return error_memory(err);
        fragments->items = items;
        *n_room = more;
    }
    fragments->items[fragments->n++] = (struct fragment){.offset = offset, .n_bytes = n_bytes};
    return true;
}

static uint64_t end_of(struct extents *file, struct dataset_pixels pixels)
{
    uint64_t end = extents_file_bytes(file);

    if (pixels.has_length && pixels.offset <= end && pixels.length < end - pixels.offset)
        end = pixels.offset + pixels.length;
    return end;
}

bool fragments_read(struct fragments *fragments, struct extents *file, struct dataset_pixels pixels,
                    struct error **err)
{
    uint64_t end = end_of(file, pixels);
    uint64_t at = pixels.offset;
    size_t n_room = 0;
    bool has_table = false;
    struct item_head head = {0};

    *fragments = (struct fragments){0};
    while (read_head(file, at, end, &head)) {
        uint64_t value = at + HEAD_BYTES;

        if (head.tag == SEQUENCE_END)
            return true;
        if (head.tag == ITEM_END && head.n_bytes == 0) {
            at = value;
            continue;
        }
        if (head.tag != ITEM) {
            fragments->is_damaged = true;
            return true;
        }
        if (head.n_bytes > end - value) {
            fragments->is_cut = true;
            return true;
        }
        if (!has_table) {
            has_table = true;
            fragments->first = value + head.n_bytes;
            if (!read_table(fragments, file, value, head.n_bytes, err))
                return false;
        } else if (!add_fragment(fragments, &n_room, value, head.n_bytes, err)) {
            return false;
        }
        at = value + head.n_bytes;
    }
    if (extents_failed(file, err))
        return false;
    fragments->is_cut = !pixels.has_length; /* no sequence end was met */
    return true;
}

/* The fragment whose item tag stands `offset` behind the first; n when none does. */
static size_t fragment_at(const struct fragments *fragments, uint64_t offset)
{
    size_t low = 0;
    size_t high = fragments->n;

    while (low < high) {
        size_t middle = low + (high - low) / 2;
        uint64_t at = fragments->items[middle].offset - HEAD_BYTES - fragments->first;

        if (at == offset)
            return middle;
        if (at < offset)
            low = middle + 1;
        else
            high = middle;
    }
    return fragments->n;
}

static void add_run(struct fragment_run *runs, size_t *n_runs, size_t first, size_t n)
{
    runs[(*n_runs)++] = (struct fragment_run){.first = first, .n = n};
}

/* Offsets beyond the last whole fragment belong to frames that a cut file has lost. */
static bool sort_by_table(const struct fragments *fragments, const uint64_t *table, size_t n_table,
                          struct fragment_run *runs, size_t *n_runs)
{
    size_t before = 0;

    *n_runs = 0;
    for (size_t i = 0; i < n_table; i++) {
        size_t place = fragment_at(fragments, table[i]);

        if (place == fragments->n && fragments->is_cut && i > 0)
            break;
        if (place == fragments->n || (i == 0 && place != 0) || (i > 0 && place <= before))
            return false;
        if (i > 0)
            runs[*n_runs - 1].n = place - before;
        before = place;
        add_run(runs, n_runs, place, fragments->n - place);
    }
    return *n_runs > 0;
}

static bool is_start(struct extents *file, struct fragment fragment)
{
    static const uint8_t box[] = {0, 0, 0, 12, 'j', 'P', ' ', ' '}; /* JP2 signature, ISO/IEC 15444-1 I.5.1 */
    uint8_t bytes[8] = {0};

    if (fragment.n_bytes < sizeof bytes || extents_read(file, fragment.offset, bytes, sizeof bytes) != 8)
        return false;
    if (bytes[0] == 0xff && bytes[1] == 0xd8 && bytes[2] == 0xff) /* SOI, ITU-T T.81 B.1.1.3 */
        return true;
    if (bytes[0] == 0xff && bytes[1] == 0x4f && bytes[2] == 0xff && bytes[3] == 0x51) /* SOC, SIZ */
        return true;
    return memcmp(bytes, box, sizeof box) == 0;
}

static void sort_by_starts(const struct fragments *fragments, struct extents *file, struct fragment_run *runs,
                           size_t *n_runs)
{
    *n_runs = 0;
    for (size_t i = 0; i < fragments->n; i++) {
        if (i == 0 || is_start(file, fragments->items[i]))
            add_run(runs, n_runs, i, 1);
        else
            runs[*n_runs - 1].n++;
    }
}

/* Whether the file broke off in the middle of the last frame's run. */
static void drop_cut_run(const struct fragments *fragments, bool is_one_each, const struct fragment_run *runs,
                         size_t *n_runs)
{
    bool may_be_short = fragments->is_cut || fragments->is_damaged;

    if (may_be_short && !is_one_each && *n_runs > 0 && runs[*n_runs - 1].n > 1)
        --*n_runs; /* its last fragment may be the lost one */
}

bool fragments_sort(const struct fragments *fragments, struct extents *file, long declared_frames,
                    bool is_one_each, const uint64_t *extended, size_t n_extended, struct fragment_run **runs,
                    size_t *n_runs, bool *has_bad_table, struct error **err)
{
    bool has_table = n_extended > 0 || fragments->n_table > 0;
    struct fragment_run *made = calloc(fragments->n + 1, sizeof *made);

    if (made == NULL)
        return error_memory(err);
    *runs = made;
    *n_runs = 0;
    *has_bad_table = false;
    if (fragments->n == 0)
        return true;
    if (n_extended > 0 && sort_by_table(fragments, extended, n_extended, made, n_runs)) {
        drop_cut_run(fragments, is_one_each, made, n_runs);
        return true;
    }
    if (fragments->n_table > 0 &&
        sort_by_table(fragments, fragments->table, fragments->n_table, made, n_runs)) {
        drop_cut_run(fragments, is_one_each, made, n_runs);
        return true;
    }
    *has_bad_table = has_table;
    *n_runs = 0;
    if (is_one_each || (declared_frames > 1 && (size_t)declared_frames == fragments->n)) {
        for (size_t i = 0; i < fragments->n; i++)
            add_run(made, n_runs, i, 1);
        return true;
    }
    if (declared_frames == 1)
        add_run(made, n_runs, 0, fragments->n);
    else
        sort_by_starts(fragments, file, made, n_runs);
    drop_cut_run(fragments, is_one_each, made, n_runs);
    return true;
}

uint64_t fragments_run_bytes(const struct fragments *fragments, struct fragment_run run)
{
    uint64_t sum = 0;

    for (size_t i = run.first; i < run.first + run.n; i++)
        sum += fragments->items[i].n_bytes;
    return sum;
}

bool fragments_load(const struct fragments *fragments, struct extents *file, struct fragment_run run,
                    uint8_t *bytes)
{
    for (size_t i = run.first; i < run.first + run.n; i++) {
        struct fragment one = fragments->items[i];

        if (extents_read(file, one.offset, bytes, one.n_bytes) != (ptrdiff_t)one.n_bytes)
            return false;
        bytes += one.n_bytes;
    }
    return true;
}

void fragments_free(struct fragments *fragments)
{
    if (fragments == NULL)
        return;
    free(fragments->items);
    free(fragments->table);
    *fragments = (struct fragments){0};
}
