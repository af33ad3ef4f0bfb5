#include "dicom/palette.h"

#include <stdlib.h>
#include <string.h>

enum { SEGMENT_DISCRETE = 0, SEGMENT_LINEAR = 1, SEGMENT_INDIRECT = 2, MOST_DEPTH = 2 };

/* Where the expansion of segmented words stands. */
struct expansion {
    const uint16_t *words;
    size_t n_words;
    uint16_t *entries;
    size_t n;
    size_t n_done;
    size_t n_steps; /* segments met, to end an expansion that goes round without filling anything */
};

static bool expand_discrete(struct expansion *to, size_t *at, size_t count)
{
    if (count > to->n_words - *at || count > to->n - to->n_done)
        return false;
    memcpy(to->entries + to->n_done, to->words + *at, count * sizeof *to->entries);
    to->n_done += count;
    *at += count;
    return true;
}

static bool expand_linear(struct expansion *to, size_t *at, size_t count)
{
    double from = 0.0;
    double step = 0.0;

    if (to->n_done == 0 || count == 0 || *at >= to->n_words || count > to->n - to->n_done)
        return false;
    from = to->entries[to->n_done - 1];
    step = (to->words[*at] - from) / (double)count;
    for (size_t i = 1; i <= count; i++)
        to->entries[to->n_done++] = (uint16_t)(from + step * (double)i + 0.5);
    ++*at;
    return true;
}

static bool expand(struct expansion *to, size_t at, size_t most_segments, int depth)
{
    for (size_t k = 0; k < most_segments && at + 2 <= to->n_words && to->n_done < to->n; k++) {
        unsigned code = to->words[at];
        size_t count = to->words[at + 1];
        size_t place = 0;

        at += 2;
        if (++to->n_steps > to->n + to->n_words)
            return false;
        switch (code) {
        case SEGMENT_DISCRETE:
            if (!expand_discrete(to, &at, count))
                return false;
            break;
        case SEGMENT_LINEAR:
            if (!expand_linear(to, &at, count))
                return false;
            break;
        case SEGMENT_INDIRECT: /* `count` segments again, from a byte offset in two words */
            if (at + 2 > to->n_words || depth >= MOST_DEPTH)
                return false;
            place = ((size_t)to->words[at] | (size_t)to->words[at + 1] << 16) / 2;
            at += 2;
            if (place >= to->n_words || !expand(to, place, count, depth + 1))
                return false;
            break;
        default:
            return false;
        }
    }
    return true;
}

/* NOLINTNEXTLINE(readability-non-const-parameter): filled through the struct */
bool palette_expand(const uint16_t *segments, size_t n_segments, uint16_t *entries, size_t n)
{
    struct expansion to = {.words = segments, .n_words = n_segments, .entries = entries, .n = n};

    return expand(&to, 0, n_segments, 0) && to.n_done == n;
}

/* Plain entries: a word each, or two to a word where entries have 8 bits and the data are packed. */
static bool copy_plain(const uint16_t *words, size_t n_words, uint16_t *entries, size_t n, int bits)
{
    if (n_words >= n) {
        memcpy(entries, words, n * sizeof *entries);
        return true;
    }
    if (bits != 8 || n_words < (n + 1) / 2)
        return false;
    for (size_t i = 0; i < n; i++)
        entries[i] = (uint16_t)(i % 2 == 0 ? words[i / 2] & 255U : words[i / 2] >> 8);
    return true;
}

static bool read_table(const struct dataset *dataset, unsigned colour, size_t n, int bits, uint16_t *entries)
{
    uint16_t *words = NULL;
    size_t n_words = 0;
    bool fits = false;

    if (dataset_words(dataset, DICOM_TAG(0x0028, 0x1201 + colour), &words, &n_words))
        fits = copy_plain(words, n_words, entries, n, bits);
    else if (dataset_words(dataset, DICOM_TAG(0x0028, 0x1221 + colour), &words, &n_words))
        fits = palette_expand(words, n_words, entries, n);
    free(words);
    return fits;
}

static bool read_descriptor(const struct dataset *dataset, unsigned colour, bool is_signed,
                            long descriptor[3])
{
    uint16_t *words = NULL;
    size_t n = 0;
    bool fits = dataset_words(dataset, DICOM_TAG(0x0028, 0x1101 + colour), &words, &n) && n >= 3;

    if (fits) {
        descriptor[0] = words[0] == 0 ? 65536 : words[0];
        descriptor[1] = is_signed && words[1] > 32767 ? (long)words[1] - 65536 : (long)words[1];
        descriptor[2] = words[2];
    }
    free(words);
    return fits && (descriptor[2] == 8 || descriptor[2] == 16);
}

/* 8-bit tables may stand in words of which only the low byte counts, whatever the descriptor says. */
static int shift_of(const uint16_t *entries, size_t n, int bits)
{
    if (bits == 8)
        return 0;
    for (size_t i = 0; i < n; i++) {
        if (entries[i] > 255)
            return 8;
    }
    return 0;
}

bool palette_read(struct palette *palette, const struct dataset *dataset, bool is_signed, struct error **err)
{
    long one[3][3] = {{0}};
    uint16_t *entries = NULL;
    size_t n = 0;
    int shift = 0;

    *palette = (struct palette){0};
    for (unsigned colour = 0; colour < 3; colour++) {
        if (!read_descriptor(dataset, colour, is_signed, one[colour]) || one[colour][0] != one[0][0] ||
            one[colour][1] != one[0][1] || one[colour][2] != one[0][2])
            return error_set(err, ERROR_INPUT,
                             "the colour palette of the DICOM file is missing or contradicts itself");
    }
    n = (size_t)one[0][0];
    palette->first = one[0][1];
    palette->n = n;
    palette->rgb = malloc(n * 3);
    entries = malloc(n * 3 * sizeof *entries);
    if (palette->rgb == NULL || entries == NULL) {
        free(entries);
        return error_memory(err);
    }
    for (unsigned colour = 0; colour < 3; colour++) {
        if (!read_table(dataset, colour, n, (int)one[0][2], entries + colour * n)) {
            free(entries);
            return error_set(err, ERROR_INPUT,
                             "the colour palette of the DICOM file is damaged or too short");
        }
    }
    shift = shift_of(entries, 3 * n, (int)one[0][2]);
    for (size_t i = 0; i < n; i++) {
        for (size_t colour = 0; colour < 3; colour++)
            palette->rgb[3 * i + colour] = (uint8_t)(entries[colour * n + i] >> shift);
    }
    free(entries);
    return true;
}

void palette_free(struct palette *palette)
{
    if (palette == NULL)
        return;
    free(palette->rgb);
    *palette = (struct palette){0};
}
