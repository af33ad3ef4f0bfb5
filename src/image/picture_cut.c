#include "image/picture_internal.h"
#include "image/plane_internal.h"
#include "image/survey_internal.h"

#include <math.h>
#include <stdlib.h>

/* Common practice, no source. Grey levels. */
static const float STROKE_STANDS_OUT = 35.0F; /* a burned-in stroke above what lies beside it */
static const float STROKE_STILL = 4.0F;       /* spread over time that coding may give a still stroke */
static const float STROKE_STILL_SHARE = 0.2F; /* of the usual spread over time in the picture */
static const float BAR_LEVEL = 30.0F;         /* what is brighter and stiller than tissue can be is a bar */
static const float BAR_STILL = 0.5F;
static const float BAR_STILL_SHARE = 0.08F;
static const float STILL_STROKE_LEVEL = 235.0F; /* in one frame, only what is white can be told as text */
static const float STILL_STROKE_STANDS_OUT = 110.0F;
static const int COLOUR_ABOVE_TINT =
    28; /* chroma of a flow map or a coloured line above the picture's tint */
static const double BOX_MIN_SHARE = 0.004; /* of the picture: less colour than this is a mark, not a box */
static const double BOX_MAX_SHARE = 0.9;   /* more is a tint */
static const double OUTLINE_SHARE = 0.004; /* of the longest side: width of a stroke */
static const double CLUSTER_SHARE = 0.02;  /* of the longest side: specks of flow this near belong together */
enum { MARGIN_PX = 2 };

/** What stands out from the darker ends of short lines across it: strokes of text, ticks, calipers. */
static float stands_out(const float *mean, int width, int height, int x, int y, int reach)
{
    static const int across[4][2] = {{1, 0}, {0, 1}, {1, 1}, {1, -1}};
    float here = mean[(size_t)y * (size_t)width + (size_t)x];
    float most = 0;

    for (int i = 0; i < 4; i++) {
        int x1 = x + reach * across[i][0];
        int y1 = y + reach * across[i][1];
        int x2 = x - reach * across[i][0];
        int y2 = y - reach * across[i][1];
        float beside = 0;

        if (x1 >= width || x2 < 0 || y1 >= height || y2 >= height || y1 < 0 || y2 < 0)
            continue;
        beside = fmaxf(mean[(size_t)y1 * (size_t)width + (size_t)x1],
                       mean[(size_t)y2 * (size_t)width + (size_t)x2]);
        most = fmaxf(most, here - beside);
    }
    return most;
}

/** Median spread over time within the outline: what the living picture does. */
static float usual_deviation(const struct picture *picture, const struct survey *survey)
{
    size_t n = (size_t)picture->width_px * (size_t)picture->height_px;
    float *kept = malloc((n / 7 + 1) * sizeof *kept);
    size_t n_kept = 0;
    float found = 0;

    if (kept == NULL)
        return 0;
    for (size_t i = 0; i < n; i += 7)
        if (picture->outline[i] != 0 && survey->mean[i] > 10.0F)
            kept[n_kept++] = survey->deviation[i];
    found = plane_quantile(kept, n_kept, 0.5);
    free(kept);
    return found;
}

static void find_strokes(uint8_t *strokes, const struct picture *picture, const struct survey *survey)
{
    int width = picture->width_px;
    int height = picture->height_px;
    int longest = width > height ? width : height;
    int reach = (int)lround(OUTLINE_SHARE * longest) + 2;
    float usual = usual_deviation(picture, survey);
    bool is_living = usual > 1.0F;
    float bar_still = fminf(BAR_STILL, BAR_STILL_SHARE * usual);
    float still = fminf(STROKE_STILL, STROKE_STILL_SHARE * usual);

    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            size_t i = (size_t)y * (size_t)width + (size_t)x;
            float mean = survey->mean[i];
            bool is_stroke = false;

            strokes[i] = 0;
            if (picture->outline[i] == 0 || mean < BAR_LEVEL)
                continue;
            if (is_living)
                is_stroke = (mean >= BAR_LEVEL && survey->deviation[i] < bar_still) ||
                            (survey->deviation[i] <= still &&
                             stands_out(survey->mean, width, height, x, y, reach) >= STROKE_STANDS_OUT);
            else
                is_stroke = mean >= STILL_STROKE_LEVEL &&
                            stands_out(survey->mean, width, height, x, y, reach) >= STILL_STROKE_STANDS_OUT;
            strokes[i] = is_stroke ? 255 : 0;
        }
}

/** Cuts the hull of each cluster of broad colour that is large enough for a flow box. */
static bool cut_clusters(struct picture *picture, const uint8_t *broad, size_t n_outline, struct error **err)
{
    int width = picture->width_px;
    int height = picture->height_px;
    size_t n = (size_t)width * (size_t)height;
    int radius = (int)lround(CLUSTER_SHARE * (width > height ? width : height));
    uint8_t *cluster = malloc(n);
    uint8_t *hull = malloc(n);
    int32_t *labels = malloc(n * sizeof *labels);
    int n_clusters = -1;
    bool is_good = cluster && hull && labels && plane_grow(cluster, broad, width, height, radius);

    n_clusters = is_good ? plane_label(labels, cluster, width, height) : -1;
    is_good = n_clusters >= 0;
    for (int label = 1; is_good && label <= n_clusters; label++) {
        size_t n_hull = 0;

        for (size_t i = 0; i < n; i++)
            cluster[i] = labels[i] == label && broad[i] != 0 ? 255 : 0;
        is_good = shape_hull(hull, cluster, width, height, err);
        for (size_t i = 0; is_good && i < n; i++)
            n_hull += hull[i] != 0;
        if ((double)n_hull < BOX_MIN_SHARE * (double)n_outline ||
            (double)n_hull > BOX_MAX_SHARE * (double)n_outline)
            continue;
        picture->has_colour_box = true;
        for (size_t i = 0; i < n; i++)
            picture->mask[i] = hull[i] != 0 ? 0 : picture->mask[i];
    }
    free(cluster);
    free(hull);
    free(labels);
    return is_good || error_memory(err);
}

/** Finds broad colour: thin coloured lines go with the strokes, broad colour is a flow box. */
static bool cut_colour(struct picture *picture, const struct survey *survey, uint8_t *strokes,
                       struct error **err)
{
    int width = picture->width_px;
    int height = picture->height_px;
    size_t n = (size_t)width * (size_t)height;
    int tint = 0;
    size_t n_outline = 0;
    uint8_t *broad = calloc(n, 1);
    bool is_good = broad != NULL;
    int reach = (int)lround(OUTLINE_SHARE * (width > height ? width : height)) + 1;

    tint = survey_tint(survey, picture->outline, picture->width_px, picture->height_px, 1);
    for (size_t i = 0; is_good && i < n; i++) {
        bool is_coloured = picture->outline[i] != 0 && survey->colour[i] > tint + COLOUR_ABOVE_TINT;

        n_outline += picture->outline[i] != 0;
        broad[i] = is_coloured ? 255 : 0;
        strokes[i] = is_coloured ? 255 : strokes[i];
    }
    is_good = is_good && plane_shrink(broad, broad, width, height, reach) &&
              plane_grow(broad, broad, width, height, reach + MARGIN_PX) &&
              cut_clusters(picture, broad, n_outline, err);
    free(broad);
    return is_good || error_memory(err);
}

bool picture_cut(struct picture *picture, const struct survey *survey, struct error **err)
{
    size_t n = (size_t)picture->width_px * (size_t)picture->height_px;
    uint8_t *strokes = calloc(n, 1);
    bool is_good = strokes != NULL;

    if (is_good)
        find_strokes(strokes, picture, survey);
    is_good = is_good && (survey->colour == NULL || cut_colour(picture, survey, strokes, err)) &&
              plane_grow(strokes, strokes, picture->width_px, picture->height_px, MARGIN_PX);
    for (size_t i = 0; is_good && i < n; i++)
        if (strokes[i] != 0)
            picture->mask[i] = 0;
    free(strokes);
    return is_good || error_memory(err);
}
