#include "media/ending.h"

#include <string.h>

enum { HEAD_BYTES = 1 << 14, GIF_TAIL_BYTES = 1 << 10 };

static uint64_t little(const uint8_t *at, size_t n)
{
    uint64_t value = 0;

    for (size_t i = n; i > 0; i--)
        value = value << 8 | at[i - 1];
    return value;
}

/* The File Size that the header says; 0: it says none. The header object is 30 bytes and its objects follow;
 * each begins with its GUID and its size. */
static uint64_t asf_bytes(struct extents *source)
{
    static const uint8_t properties[16] = {0xa1, 0xdc, 0xab, 0x8c, 0x47, 0xa9, 0xcf, 0x11,
                                           0x8e, 0xe4, 0x00, 0xc0, 0x0c, 0x20, 0x53, 0x65};
    uint8_t head[HEAD_BYTES];
    ptrdiff_t got = extents_read(source, 0, head, sizeof head);
    size_t n = got < 0 ? 0 : (size_t)got;
    uint64_t at = 30;

    while (at + 104 <= n) {
        bool is_broadcast = (head[at + 88] & 1U) != 0; /* sizes are then not valid */

        if (memcmp(head + at, properties, sizeof properties) == 0)
            return is_broadcast ? 0 : little(head + at + 40, 8);
        if (little(head + at + 16, 8) < 24 || little(head + at + 16, 8) > n)
            break;
        at += little(head + at + 16, 8);
    }
    return 0;
}

/* Whether the last byte that is not padding is a trailer. */
static bool has_gif_trailer(struct extents *source)
{
    uint64_t n = extents_bytes(source);
    uint64_t from = n > GIF_TAIL_BYTES ? n - GIF_TAIL_BYTES : 0;
    uint8_t tail[GIF_TAIL_BYTES];
    ptrdiff_t got = extents_read(source, from, tail, sizeof tail);

    while (got > 0 && tail[got - 1] == 0)
        got--;
    return got > 0 && tail[got - 1] == 0x3b;
}

bool ending_tell(struct extents *source, const char *format, struct text_list *problems, struct error **err)
{
    uint64_t there = extents_bytes(source);
    uint64_t said = strcmp(format, "asf") == 0 ? asf_bytes(source) : 0;
    bool fits = true;

    if (said > there)
        fits = text_list_add(problems, "the file ends early: its header says %llu bytes, %llu are there",
                             (unsigned long long)said, (unsigned long long)there);
    if (strcmp(format, "gif") == 0 && !has_gif_trailer(source))
        fits = text_list_add(problems, "the mark that ends a GIF is missing: the file may end early");
    if (extents_failed(source, err))
        return false;
    return fits || error_memory(err);
}
