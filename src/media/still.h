#ifndef AFTERFLASH_MEDIA_STILL_H
#define AFTERFLASH_MEDIA_STILL_H

#include "base/contract.h"
#include "base/error.h"

#include <libavcodec/avcodec.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** A decoder of single compressed pictures that stand in memory: JPEG, JPEG-LS, JPEG 2000. */
struct still;

/** Opens one. Errors: ERROR_INPUT when this machine has no such decoder; ERROR_MEMORY. End with still_close.
 */
MUST_CHECK bool still_open(struct still **still, enum AVCodecID codec, struct error **err);

/** Room for n bytes of a coded picture, to be filled before still_decode; NULL when memory ran out.
 *  Borrowed until the next call. */
uint8_t *still_room(struct still *still, size_t n);

/** Decodes the picture in the room. The picture is borrowed until the next call; NULL when it is damaged.
 *  is_lenient  forgive a JPEG stream its faults */
const AVFrame *still_decode(struct still *still, bool is_lenient);

/** Ends it; accepts NULL, leaves NULL. */
void still_close(struct still **still);

/** What the markers of a JPEG stream say of its colours. */
enum still_colour { STILL_COLOUR_UNTOLD, STILL_COLOUR_RGB, STILL_COLOUR_YBR };

/** Reads the markers in front of a JPEG stream's first scan. Belief: Adobe's APP14, then JFIF, then
 *  component names R, G, B, then subsampled chroma (ITU-T T.81 B.2; T.871; T.872 6.5.3); JFIF and
 *  subsampling are no evidence in a lossless stream, to which neither standard applies. */
enum still_colour still_jpeg_colour(const uint8_t *bytes, size_t n);

/** Bits of a sample in a JPEG or JPEG-LS stream (ITU-T T.81 B.2.2, T.87 C.2.2); 0 when it does not say. */
int still_precision(const uint8_t *bytes, size_t n);

/** Whether a GIF picture covers a canvas of the given size and has no transparent points, so that it rests on
 * no picture before it (GIF89a, 20 and 23).
 *
 *  bytes  `n` of them: the blocks of one picture, with the file's header before the first */
bool still_gif_covers(const uint8_t *bytes, size_t n, int width_px, int height_px);

#endif
