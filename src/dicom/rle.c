#include "dicom/rle.h"

#include <string.h>

enum { HEADER_BYTES = 64, MOST_SEGMENTS = 15 };

static size_t word(const uint8_t *bytes)
{
    return (size_t)bytes[0] | (size_t)bytes[1] << 8 | (size_t)bytes[2] << 16 | (size_t)bytes[3] << 24;
}

/* PackBits, PS3.5 G.3.2 */
static bool decode_segment(const uint8_t *coded, size_t n_coded, uint8_t *plane, size_t n)
{
    size_t at = 0;
    size_t done = 0;

    while (done < n && at < n_coded) {
        size_t code = coded[at++];
        size_t run = 0;

        if (code == 128)
            continue;
        run = code < 128 ? code + 1 : 257 - code;
        if (run > n - done)
            run = n - done; /* some writers fill the last row's pair */
        if (code < 128) {
            if (run > n_coded - at)
                return false;
            memcpy(plane + done, coded + at, run);
            at += code + 1;
        } else {
            if (at >= n_coded)
                return false;
            memset(plane + done, coded[at++], run);
        }
        done += run;
    }
    return done == n;
}

bool rle_decode(const uint8_t *coded, size_t n_coded, uint8_t *planes, size_t n_planes, size_t plane_bytes)
{
    if (n_coded < HEADER_BYTES || n_planes > MOST_SEGMENTS || word(coded) != n_planes)
        return false;
    for (size_t i = 0; i < n_planes; i++) {
        size_t from = word(coded + 4 + 4 * i);
        size_t to = i + 1 < n_planes ? word(coded + 8 + 4 * i) : n_coded;

        if (from < HEADER_BYTES || from > n_coded || to < from)
            return false;
        if (to > n_coded)
            to = n_coded;
        if (!decode_segment(coded + from, to - from, planes + i * plane_bytes, plane_bytes))
            return false;
    }
    return true;
}
