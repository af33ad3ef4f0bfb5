#ifndef AFTERFLASH_MEDIA_DIGEST_H
#define AFTERFLASH_MEDIA_DIGEST_H

#include "base/contract.h"
#include "base/error.h"
#include "base/extents.h"

/** A SHA-256 (FIPS 180-4) that grows file by file. */
struct digest;

MUST_CHECK bool digest_begin(struct digest **digest, struct error **err);

/** Adds all bytes of all stretches. */
MUST_CHECK bool digest_add(struct digest *digest, struct extents *extents, struct error **err);

/** Writes 64 lower-case hex digits and a NUL. */
void digest_end(struct digest *digest, char hex[65]);

/** Ends it; accepts NULL, leaves NULL. */
void digest_free(struct digest **digest);

/** The SHA-256 of all stretches of one file. */
MUST_CHECK bool digest_extents(struct extents *extents, char hex[65], struct error **err);

#endif
