#ifndef AFTERFLASH_MEDIA_DEMUXER_H
#define AFTERFLASH_MEDIA_DEMUXER_H

#include "base/contract.h"
#include "base/error.h"
#include "base/extents.h"

#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <stdbool.h>

/** A container opened by libavformat over extents: formats and codecs by whitelist, no
 *  other file or address is ever opened on its behalf. */
struct demuxer {
    AVFormatContext *context;
    AVIOContext *io;
    AVStream *track; /* the largest video track; the others are discarded */
    int n_tracks;    /* how many video tracks there are */
    const AVCodec *codec;
};

/** Opens it and picks the track. Errors: ERROR_INPUT with a sentence, ERROR_MEMORY.
 *  End with demuxer_close also after a failure. */
MUST_CHECK bool demuxer_open(struct demuxer *demuxer, struct extents *source, struct error **err);

/** A short name of the format: "mp4", "mov", "avi", "matroska" ... */
const char *demuxer_format(const struct demuxer *demuxer);

/** Whether the format is an elementary stream, whose time stamps libavformat invents. */
bool demuxer_is_bare(const struct demuxer *demuxer);

/** Whether the format holds single pictures (PNG, JPEG, BMP, TIFF). */
bool demuxer_is_picture(const struct demuxer *demuxer);

/** The decoder that is trusted with a codec; NULL for one that is not on the list. */
const AVCodec *demuxer_decoder(enum AVCodecID id);

/** Ends it; may be called twice. */
void demuxer_close(struct demuxer *demuxer);

#endif
