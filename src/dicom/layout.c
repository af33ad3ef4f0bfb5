#include "dicom/layout.h"

#include <string.h>

static const struct {
    const char *name;
    enum layout_colour colour;
    int n_samples;
} colours[] = {
    {"MONOCHROME1", LAYOUT_MONOCHROME1, 1},     {"MONOCHROME2", LAYOUT_MONOCHROME2, 1},
    {"PALETTE COLOR", LAYOUT_PALETTE, 1},       {"RGB", LAYOUT_RGB, 3},
    {"YBR_FULL", LAYOUT_YBR_FULL, 3},           {"YBR_FULL_422", LAYOUT_YBR_FULL_422, 3},
    {"YBR_PARTIAL_422", LAYOUT_YBR_PARTIAL, 3}, {"YBR_PARTIAL_420", LAYOUT_YBR_PARTIAL, 3},
    {"YBR_ICT", LAYOUT_YBR_WAVELET, 3},         {"YBR_RCT", LAYOUT_YBR_WAVELET, 3},
};

static bool read_colour(struct layout *layout, const struct dataset *dataset, struct error **err)
{
    char name[32];
    long n_samples = 0;

    if (!dataset_text(dataset, DICOM_TAG(0x0028, 0x0004), 0, name, sizeof name))
        return error_set(err, ERROR_INPUT,
                         "the DICOM file does not say what its samples mean (Photometric "
                         "Interpretation is missing)");
    for (size_t i = 0; i < sizeof colours / sizeof colours[0]; i++) {
        if (strcmp(colours[i].name, name) == 0) {
            layout->colour = colours[i].colour;
            layout->n_samples = colours[i].n_samples;
        }
    }
    if (layout->n_samples == 0)
        return error_set(
            err, ERROR_INPUT,
            "pictures of Photometric Interpretation \"%s\" are not read; export as MONOCHROME2 or RGB", name);
    if (dataset_integer(dataset, DICOM_TAG(0x0028, 0x0002), 0, 65535, &n_samples) &&
        n_samples != layout->n_samples)
        return error_set(err, ERROR_INPUT, "the DICOM file contradicts itself: %s with %ld samples per pixel",
                         name, n_samples);
    return true;
}

static bool read_bits(struct layout *layout, const struct dataset *dataset, struct error **err)
{
    long allocated = 8;
    long stored = 0;
    long high = 0;
    long is_signed = 0;
    long is_planar = 0;

    (void)dataset_integer(dataset, DICOM_TAG(0x0028, 0x0100), 0, 65535, &allocated);
    if (allocated != 8 && allocated != 16)
        return error_set(err, ERROR_INPUT, "samples of %ld bits are not read; only 8 and 16 are", allocated);
    stored = allocated;
    (void)dataset_integer(dataset, DICOM_TAG(0x0028, 0x0101), 0, 65535, &stored);
    high = stored - 1;
    (void)dataset_integer(dataset, DICOM_TAG(0x0028, 0x0102), 0, 65535, &high);
    if (stored < 1 || stored > allocated || high >= allocated || high < stored - 1)
        return error_set(
            err, ERROR_INPUT,
            "the DICOM file contradicts itself: %ld of %ld bits stored, the highest being bit %ld", stored,
            allocated, high);
    (void)dataset_integer(dataset, DICOM_TAG(0x0028, 0x0103), 0, 1, &is_signed);
    (void)dataset_integer(dataset, DICOM_TAG(0x0028, 0x0006), 0, 1, &is_planar);
    layout->bits_allocated = (int)allocated;
    layout->bits_stored = (int)stored;
    layout->high_bit = (int)high;
    layout->is_signed = is_signed == 1;
    layout->is_planar = is_planar == 1;
    return true;
}

static void read_aspect(struct layout *layout, const struct dataset *dataset)
{
    double vertical = 0.0;
    double horizontal = 0.0;

    layout->pixel_aspect = 1.0;
    if (dataset_number(dataset, DICOM_TAG(0x0028, 0x0034), 0, &vertical) &&
        dataset_number(dataset, DICOM_TAG(0x0028, 0x0034), 1, &horizontal) && vertical > 0.0 &&
        horizontal > 0.0)
        layout->pixel_aspect = horizontal / vertical;
}

bool layout_read(struct layout *layout, const struct dataset *dataset, struct error **err)
{
    *layout = (struct layout){.declared_frames = -1};
    if (!dataset_integer(dataset, DICOM_TAG(0x0028, 0x0010), 0, 65535, &layout->rows) ||
        !dataset_integer(dataset, DICOM_TAG(0x0028, 0x0011), 0, 65535, &layout->columns))
        return error_set(err, ERROR_INPUT, "the DICOM file does not say how large its pictures are");
    (void)dataset_integer(dataset, DICOM_TAG(0x0028, 0x0008), 0, 0x7fffffff, &layout->declared_frames);
    read_aspect(layout, dataset);
    return read_colour(layout, dataset, err) && read_bits(layout, dataset, err);
}

size_t layout_frame_bytes(const struct layout *layout)
{
    size_t n = (size_t)layout->rows * (size_t)layout->columns * (size_t)(layout->bits_allocated / 8);

    if (layout->colour == LAYOUT_YBR_FULL_422)
        return 2 * n;
    return n * (size_t)layout->n_samples;
}
