#include "media/digest.h"

#include <libavutil/mem.h>
#include <libavutil/sha.h>
#include <stdio.h>
#include <stdlib.h>

enum { CHUNK_BYTES = 1 << 16, SHA256_BITS = 256, SHA256_BYTES = 32 };

struct digest {
    struct AVSHA *sum;
    uint8_t chunk[CHUNK_BYTES];
};

bool digest_begin(struct digest **digest, struct error **err)
{
    struct digest *made = calloc(1, sizeof *made);

    if (made == NULL)
        return error_memory(err);
    made->sum = av_sha_alloc();
    if (made->sum == NULL || av_sha_init(made->sum, SHA256_BITS) < 0) {
        digest_free(&made);
        return error_memory(err);
    }
    *digest = made;
    return true;
}

bool digest_add(struct digest *digest, struct extents *extents, struct error **err)
{
    uint64_t at = 0;

    for (;;) {
        ptrdiff_t got = extents_read(extents, at, digest->chunk, sizeof digest->chunk);

        if (got < 0)
            return !extents_failed(extents, err);
        if (got == 0)
            return true;
        /* NOLINTNEXTLINE(clang-analyzer-core.NullDereference): digest_begin made it or failed */
        av_sha_update(digest->sum, digest->chunk, (size_t)got);
        at += (uint64_t)got;
    }
}

void digest_end(struct digest *digest, char hex[65])
{
    uint8_t sum[SHA256_BYTES];

    /* NOLINTNEXTLINE(clang-analyzer-core.NullDereference): digest_begin made it or failed */
    av_sha_final(digest->sum, sum);
    for (size_t i = 0; i < SHA256_BYTES; i++)
        (void)snprintf(hex + 2 * i, 3, "%02x", sum[i]);
}

void digest_free(struct digest **digest)
{
    if (digest == NULL || *digest == NULL)
        return;
    av_free((*digest)->sum);
    free(*digest);
    *digest = NULL;
}

bool digest_extents(struct extents *extents, char hex[65], struct error **err)
{
    CLEANUP(digest_free) struct digest *digest = NULL;

    if (!digest_begin(&digest, err) || !digest_add(digest, extents, err))
        return false;
    digest_end(digest, hex);
    return true;
}
