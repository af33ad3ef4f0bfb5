#include "report/tool.h"

#include <dcmtk/config/osconfig.h>
#include <fftw3.h>
#include <gsl/gsl_version.h>
#include <jansson.h>
#include <jconfig.h>
#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libavutil/avutil.h>
#include <libswscale/swscale.h>
#include <stdio.h>

#define AS_TEXT(words) #words
#define VALUE_AS_TEXT(macro) AS_TEXT(macro)

const char *tool_version(void)
{
    return AFTERFLASH_VERSION;
}

/* libav* packs major, minor and micro into one number. */
static void name_packed(struct tool_library *library, const char *name, unsigned packed)
{
    library->name = name;
    (void)snprintf(library->version, sizeof library->version, "%u.%u.%u", packed >> 16, (packed >> 8) & 0xFFU,
                   packed & 0xFFU);
}

static void name_text(struct tool_library *library, const char *name, const char *version)
{
    library->name = name;
    (void)snprintf(library->version, sizeof library->version, "%s", version);
}

int tool_library_at(size_t i, struct tool_library *library)
{
    switch (i) {
    case 0:
        name_text(library, "dcmtk", PACKAGE_VERSION);
        return 1;
    case 1:
        name_text(library, "fftw", fftw_version);
        return 1;
    case 2:
        name_text(library, "gsl", gsl_version);
        return 1;
    case 3:
        name_text(library, "jansson", jansson_version_str());
        return 1;
    case 4:
        name_packed(library, "libavcodec", avcodec_version());
        return 1;
    case 5:
        name_packed(library, "libavformat", avformat_version());
        return 1;
    case 6:
        name_packed(library, "libavutil", avutil_version());
        return 1;
    case 7:
        name_text(library, "libjpeg-turbo", VALUE_AS_TEXT(LIBJPEG_TURBO_VERSION));
        return 1;
    case 8:
        name_packed(library, "libswscale", swscale_version());
        return 1;
    default:
        return 0;
    }
}
