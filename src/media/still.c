#include "media/still.h"

#include "media/backend.h"
#include "media/demuxer.h"

#include <libavutil/mem.h>
#include <stdlib.h>
#include <string.h>

struct still {
    AVCodecContext *decoder;
    AVPacket *packet;
    AVFrame *picture;
    uint8_t *room;
    unsigned room_bytes;
    size_t n;
};

bool still_open(struct still **still, enum AVCodecID codec, struct error **err)
{
    CLEANUP(still_close) struct still *made = NULL;
    const AVCodec *decoder = demuxer_decoder(codec);

    av_log_set_level(AV_LOG_QUIET);
    if (decoder == NULL)
        return error_set(err, ERROR_INPUT, "this machine's libavcodec has no decoder for %s",
                         avcodec_get_name(codec));
    made = calloc(1, sizeof *made);
    if (made == NULL)
        return error_memory(err);
    made->decoder = avcodec_alloc_context3(decoder);
    made->packet = av_packet_alloc();
    made->picture = av_frame_alloc();
    if (made->decoder == NULL || made->packet == NULL || made->picture == NULL)
        return error_memory(err); /* NOLINT(clang-analyzer-unix.Malloc): CLEANUP ends it */
    made->decoder->thread_count = 1;
    made->decoder->max_pixels = (int64_t)LOOP_MOST_SIDE_PX * LOOP_MOST_SIDE_PX;
    if (avcodec_open2(made->decoder, decoder, NULL) < 0)
        return error_set(err, ERROR_INPUT, "the decoder for %s cannot be started", avcodec_get_name(codec));
    *still = made;
    made = NULL;
    return true;
}

uint8_t *still_room(struct still *still, size_t n)
{
    if (n > INT32_MAX - AV_INPUT_BUFFER_PADDING_SIZE)
        return NULL;
    av_fast_padded_malloc(&still->room, &still->room_bytes, n);
    still->n = still->room == NULL ? 0 : n;
    return still->room;
}

const AVFrame *still_decode(struct still *still, bool is_lenient)
{
    int status = 0;

    av_frame_unref(still->picture);
    avcodec_flush_buffers(still->decoder);
    still->decoder->err_recognition = is_lenient ? 0 : AV_EF_EXPLODE;
    still->packet->data = still->room;
    still->packet->size = (int)still->n;
    still->packet->flags = AV_PKT_FLAG_KEY;
    status = avcodec_send_packet(still->decoder, still->packet);
    if (status >= 0)
        status = avcodec_receive_frame(still->decoder, still->picture);
    if (status < 0)
        return NULL;
    if (!is_lenient &&
        (still->picture->decode_error_flags != 0 || (still->picture->flags & AV_FRAME_FLAG_CORRUPT) != 0))
        return NULL;
    return still->picture;
}

void still_close(struct still **still)
{
    if (still == NULL || *still == NULL)
        return;
    avcodec_free_context(&(*still)->decoder);
    av_packet_free(&(*still)->packet);
    av_frame_free(&(*still)->picture);
    av_freep(&(*still)->room);
    free(*still);
    *still = NULL;
}

/* What has been met while walking the markers. */
struct markers {
    bool has_adobe, has_jfif, has_names, is_subsampled, is_lossless, has_three;
    int adobe_transform;
    int precision;
};

static void read_frame_header(const uint8_t *body, size_t n, struct markers *met)
{
    if (n < 6 || body[5] != 3 || n < 6 + 9)
        return;
    met->has_three = true;
    met->has_names = body[6] == 'R' && body[9] == 'G' && body[12] == 'B';
    met->is_subsampled = body[7] != body[10] || body[7] != body[13];
}

static void read_marker(uint8_t marker, const uint8_t *body, size_t n, struct markers *met)
{
    if (marker == 0xee && n >= 12 && memcmp(body, "Adobe", 5) == 0) {
        met->has_adobe = true;
        met->adobe_transform = body[11];
    } else if (marker == 0xe0 && n >= 5 && memcmp(body, "JFIF", 5) == 0) {
        met->has_jfif = true;
    } else if ((marker >= 0xc0 && marker <= 0xcf && marker != 0xc4 && marker != 0xc8 && marker != 0xcc) ||
               marker == 0xf7) {
        met->is_lossless = marker == 0xc3;
        met->precision = n > 0 ? body[0] : 0;
        read_frame_header(body, n, met);
    }
}

/* Walks the markers in front of the first scan. */
static struct markers walk(const uint8_t *bytes, size_t n)
{
    struct markers met = {0};
    size_t at = 2;

    while (at + 4 <= n && bytes[at] == 0xff) {
        uint8_t marker = bytes[at + 1];
        size_t length = (size_t)bytes[at + 2] << 8 | bytes[at + 3];

        if (marker == 0xff) { /* fill byte */
            at++;
            continue;
        }
        if (marker == 0xda || length < 2 || length > n - at - 2)
            break;
        read_marker(marker, bytes + at + 4, length - 2, &met);
        at += 2 + length;
    }
    return met;
}

int still_precision(const uint8_t *bytes, size_t n)
{
    return walk(bytes, n).precision;
}

enum still_colour still_jpeg_colour(const uint8_t *bytes, size_t n)
{
    struct markers met = walk(bytes, n);

    if (!met.has_three)
        return STILL_COLOUR_UNTOLD;
    if (met.has_adobe)
        return met.adobe_transform == 0 ? STILL_COLOUR_RGB : STILL_COLOUR_YBR;
    if (met.has_jfif && !met.is_lossless)
        return STILL_COLOUR_YBR;
    if (met.has_names)
        return STILL_COLOUR_RGB;
    return met.is_subsampled && !met.is_lossless ? STILL_COLOUR_YBR : STILL_COLOUR_UNTOLD;
}

static size_t two_bytes(const uint8_t *at)
{
    return (size_t)at[0] | (size_t)at[1] << 8;
}

bool still_gif_covers(const uint8_t *bytes, size_t n, int width_px, int height_px)
{
    bool is_transparent = false;
    size_t at = 0;

    if (n >= 13 && memcmp(bytes, "GIF8", 4) == 0) /* header and colour table */
        at = 13 + ((bytes[10] & 0x80U) != 0 ? (size_t)3 << ((bytes[10] & 7U) + 1U) : 0);
    while (at + 4 <= n && bytes[at] == 0x21) { /* extensions */
        if (bytes[at + 1] == 0xf9)
            is_transparent = (bytes[at + 3] & 1U) != 0;
        at += 2;
        while (at < n && bytes[at] != 0)
            at += 1U + bytes[at];
        at++;
    }
    return at + 10 <= n && bytes[at] == 0x2c && !is_transparent && two_bytes(bytes + at + 1) == 0 &&
           two_bytes(bytes + at + 3) == 0 && two_bytes(bytes + at + 5) == (size_t)width_px &&
           two_bytes(bytes + at + 7) == (size_t)height_px;
}
