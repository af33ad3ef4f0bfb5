#include "dicom/writer.h"

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>
#include <turbojpeg.h>

#include <cerrno>
#include <cmath>
#include <cstdio>
#include <cstring>
#include <new>
#include <string>
#include <vector>

/* The header is DCMTK's; the pixel data, always the last element, are appended as PS3.5 lays them
 * out (7.1.2 and annex A.4), so that frames need not be kept in memory. */
struct dicom_writer {
    std::string path;
    struct output *out = nullptr;
    int width_px = 0, height_px = 0, jpeg_quality = 0;
    bool is_jpeg = false, is_colour = false;
    size_t n_frames = 0, n_added = 0;
    int cause = 0;            /* errno of the write that failed */
    long table_at = 0;        /* where the offset table's entries stand */
    uint64_t next_offset = 0; /* of the next frame's item from the first */
    std::vector<uint32_t> offsets;
    std::vector<unsigned char> pixels;
    tjhandle jpeg = nullptr;
};

namespace
{

const double MM_PER_CM = 10.0;
const char *const STUDY_DATE = "20240301", *const STUDY_TIME = "102400";

struct attribute {
    DcmTagKey tag;
    std::string value;
};

/* The UID of a UUID: 2.25 and its 128 bits as a decimal number (PS3.5, B.2). */
std::string uid_of(uint64_t digest, uint64_t which)
{
    uint32_t words[4];
    std::string digits;

    for (uint32_t i = 0; i < 4; i++) {
        uint64_t bits = digest + (which * 4 + i + 1) * UINT64_C(0x9e3779b97f4a7c15);

        bits = (bits ^ (bits >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
        bits = (bits ^ (bits >> 27)) * UINT64_C(0x94d049bb133111eb);
        words[i] = static_cast<uint32_t>(bits >> 32);
    }
    words[1] = (words[1] & 0xffff0fffU) | 0x00004000U; /* version 4, variant 1 */
    words[2] = (words[2] & 0x3fffffffU) | 0x80000000U;
    for (;;) {
        uint64_t rest = 0;
        bool is_zero = true;

        for (uint32_t &word : words) {
            rest = (rest << 32) | word;
            word = static_cast<uint32_t>(rest / 10);
            rest %= 10;
            is_zero = is_zero && word == 0;
        }
        digits.insert(digits.begin(), static_cast<char>('0' + rest));
        if (is_zero)
            break;
    }
    return "2.25." + digits;
}

/* At most 16 characters, as a decimal string must be. */
std::string decimal(double value)
{
    char text[40];

    (void)std::snprintf(text, sizeof text, "%.6f", value);
    for (char *c = text; *c != '\0'; c++)
        if (*c == ',')
            *c = '.';
    return text;
}

bool is_even(const dicom_request &r)
{
    double step = r.n_frames > 1 ? r.times_s[r.n_frames - 1] / static_cast<double>(r.n_frames - 1) : 0.0;

    for (size_t i = 1; i < r.n_frames; i++)
        if (std::fabs(r.times_s[i] - step * static_cast<double>(i)) > 1e-5)
            return false;
    return true;
}

bool put(DcmItem &to, const attribute &row)
{
    return to.putAndInsertString(row.tag, row.value.c_str()).good();
}

bool put_number(DcmItem &to, const DcmTagKey &tag, double value)
{
    DcmElement *element = nullptr;
    OFCondition status;

    if (DcmItem::newDicomElement(element, DcmTag(tag)).bad() || element == nullptr)
        return false;
    switch (element->getVR()) {
    case EVR_UL:
        status = element->putUint32(static_cast<Uint32>(value));
        break;
    case EVR_SL:
        status = element->putSint32(static_cast<Sint32>(value));
        break;
    case EVR_FD:
        status = element->putFloat64(value);
        break;
    default:
        status = element->putUint16(static_cast<Uint16>(value));
    }
    if (status.good())
        status = to.insert(element, OFTrue);
    if (status.bad())
        delete element;
    return status.good();
}

bool put_identity(DcmDataset &d, const dicom_request &r)
{
    const std::string instance = uid_of(r.digest, 2);
    const attribute rows[] = {
        {DCM_SpecificCharacterSet, "ISO_IR 100"},
        {DCM_SOPClassUID, UID_UltrasoundMultiframeImageStorage},
        {DCM_SOPInstanceUID, instance},
        {DCM_ImageType, "ORIGINAL\\PRIMARY\\ENDOCAVITARY\\0001"},
        {DCM_StudyDate, STUDY_DATE},
        {DCM_SeriesDate, STUDY_DATE},
        {DCM_ContentDate, STUDY_DATE},
        {DCM_AcquisitionDateTime, std::string(STUDY_DATE) + STUDY_TIME},
        {DCM_AcquisitionDate, STUDY_DATE},
        {DCM_AcquisitionTime, STUDY_TIME},
        {DCM_StudyTime, STUDY_TIME},
        {DCM_SeriesTime, STUDY_TIME},
        {DCM_ContentTime, STUDY_TIME},
        {DCM_AccessionNumber, ""},
        {DCM_Modality, "US"},
        {DCM_BodyPartExamined, "UTERUS"},
        {DCM_Manufacturer, "afterflash"},
        {DCM_ManufacturerModelName, "synthetic loop"},
        {DCM_DeviceSerialNumber, "0"},
        {DCM_SoftwareVersions, "1"},
        {DCM_ReferringPhysicianName, ""},
        {DCM_StudyDescription, "Synthetic embryo transfer"},
        {DCM_PatientName, "Synthetic^Loop"},
        {DCM_PatientID, r.patient_id},
        {DCM_PatientBirthDate, ""},
        {DCM_PatientSex, "F"},
        {DCM_StudyInstanceUID, uid_of(r.digest, 0)},
        {DCM_SeriesInstanceUID, uid_of(r.digest, 1)},
        {DCM_StudyID, "1"},
        {DCM_SeriesNumber, "1"},
        {DCM_InstanceNumber, "1"},
        {DCM_PatientOrientation, ""},
        {DCM_BurnedInAnnotation, "NO"},
    };

    for (const attribute &row : rows)
        if (!put(d, row))
            return false;
    return true;
}

bool put_clock(DcmDataset &d, const dicom_request &r)
{
    double duration_s = r.n_frames > 1 ? r.times_s[r.n_frames - 1] : 0.0;
    double step_s = r.n_frames > 1 ? duration_s / static_cast<double>(r.n_frames - 1) : 1.0;
    bool has_even_steps = is_even(r);
    const attribute rows[] = {
        {DCM_NumberOfFrames, std::to_string(r.n_frames)},
        {DCM_CineRate, std::to_string(std::lround(1.0 / step_s))},
        {DCM_RecommendedDisplayFrameRate, std::to_string(std::lround(1.0 / step_s))},
        {DCM_EffectiveDuration, decimal(duration_s + step_s)},
    };

    for (const attribute &row : rows)
        if (!put(d, row))
            return false;
    if (d.putAndInsertTagKey(DCM_FrameIncrementPointer, has_even_steps ? DCM_FrameTime : DCM_FrameTimeVector)
            .bad())
        return false;
    if (has_even_steps)
        return put(d, {DCM_FrameTime, decimal(1000.0 * step_s)});

    std::string steps = "0";
    for (size_t i = 1; i < r.n_frames; i++)
        steps += "\\" + decimal(1000.0 * (r.times_s[i] - r.times_s[i - 1]));
    return put(d, {DCM_FrameTimeVector, steps});
}

/* One 2D tissue region, scale in cm (PS3.3, C.8.5.5). */
bool put_region(DcmDataset &d, const dicom_request &r)
{
    struct {
        DcmTagKey tag;
        double value;
    } const rows[] = {
        {DCM_RegionSpatialFormat, 1},
        {DCM_RegionDataType, 1},
        {DCM_RegionFlags, 0},
        {DCM_RegionLocationMinX0, static_cast<double>(r.region.left_px)},
        {DCM_RegionLocationMinY0, static_cast<double>(r.region.top_px)},
        {DCM_RegionLocationMaxX1, static_cast<double>(r.region.right_px)},
        {DCM_RegionLocationMaxY1, static_cast<double>(r.region.bottom_px)},
        {DCM_ReferencePixelX0, std::round(r.reference_px.x_px) - r.region.left_px},
        {DCM_ReferencePixelY0, std::round(r.reference_px.y_px) - r.region.top_px},
        {DCM_PhysicalUnitsXDirection, 3},
        {DCM_PhysicalUnitsYDirection, 3},
        {DCM_ReferencePixelPhysicalValueX, 0.0},
        {DCM_ReferencePixelPhysicalValueY, 0.0},
        {DCM_PhysicalDeltaX, r.mm_per_px / MM_PER_CM},
        {DCM_PhysicalDeltaY, r.mm_per_px / MM_PER_CM},
    };
    DcmItem *region = nullptr;

    if (d.findOrCreateSequenceItem(DCM_SequenceOfUltrasoundRegions, region, 0).bad())
        return false;
    for (const auto &row : rows)
        if (!put_number(*region, row.tag, row.value))
            return false;
    return true;
}

bool put_picture(DcmDataset &d, const dicom_request &r)
{
    const char *photometric = !r.is_colour ? "MONOCHROME2" : r.is_jpeg ? "YBR_FULL_422" : "RGB";
    struct {
        DcmTagKey tag;
        double value;
    } const rows[] = {
        {DCM_SamplesPerPixel, r.is_colour ? 3.0 : 1.0},
        {DCM_Rows, static_cast<double>(r.height_px)},
        {DCM_Columns, static_cast<double>(r.width_px)},
        {DCM_BitsAllocated, 8},
        {DCM_BitsStored, 8},
        {DCM_HighBit, 7},
        {DCM_PixelRepresentation, 0},
    };

    for (const auto &row : rows)
        if (!put_number(d, row.tag, row.value))
            return false;
    if (r.is_colour && !put_number(d, DCM_PlanarConfiguration, 0))
        return false;
    if (r.is_jpeg && !(put(d, {DCM_LossyImageCompressionRatio, "8"}) &&
                       put(d, {DCM_LossyImageCompressionMethod, "ISO_10918_1"})))
        return false;
    return put(d, {DCM_PhotometricInterpretation, photometric}) &&
           put(d, {DCM_LossyImageCompression, r.is_jpeg ? "01" : "00"});
}

bool write_bytes(dicom_writer *w, const void *bytes, size_t n)
{
    errno = 0;
    if (std::fwrite(bytes, 1, n, output_stream(w->out)) == n)
        return true;
    w->cause = errno;
    return false;
}

bool write_item(dicom_writer *w, uint16_t element, uint32_t length)
{
    const unsigned char bytes[8] = {0xfe,
                                    0xff,
                                    static_cast<unsigned char>(element & 0xff),
                                    static_cast<unsigned char>(element >> 8),
                                    static_cast<unsigned char>(length & 0xff),
                                    static_cast<unsigned char>(length >> 8 & 0xff),
                                    static_cast<unsigned char>(length >> 16 & 0xff),
                                    static_cast<unsigned char>(length >> 24)};

    return write_bytes(w, bytes, sizeof bytes);
}

const uint16_t ITEM = 0xe000, SEQUENCE_END = 0xe0dd;

/* Pixel Data (7FE0,0010), OB, and its length; then, when encapsulated, an offset table to be filled later. */
bool begin_pixels(dicom_writer *w, uint64_t bytes)
{
    uint32_t length = w->is_jpeg ? 0xffffffffU : static_cast<uint32_t>(bytes + (bytes & 1));
    const unsigned char head[12] = {0xe0,
                                    0x7f,
                                    0x10,
                                    0x00,
                                    'O',
                                    'B',
                                    0,
                                    0,
                                    static_cast<unsigned char>(length & 0xff),
                                    static_cast<unsigned char>(length >> 8 & 0xff),
                                    static_cast<unsigned char>(length >> 16 & 0xff),
                                    static_cast<unsigned char>(length >> 24)};

    if (!write_bytes(w, head, sizeof head))
        return false;
    if (!w->is_jpeg)
        return true;
    if (!write_item(w, ITEM, static_cast<uint32_t>(4 * w->n_frames)))
        return false;
    w->table_at = std::ftell(output_stream(w->out));
    const std::vector<unsigned char> blank(4 * w->n_frames, 0);
    return w->table_at >= 0 && write_bytes(w, blank.data(), blank.size());
}

bool refuse(const dicom_writer *w, struct error **err, const char *cause)
{
    return error_set(err, ERROR_OUTPUT, "%s: cannot be written (%s)", w->path.c_str(), cause);
}

/* What the system said of the write that failed: a full disk, a limit. */
bool refuse_write(const dicom_writer *w, struct error **err)
{
    return refuse(w, err, w->cause == 0 ? "not all of it was taken" : std::strerror(w->cause));
}

bool write_header(dicom_writer *w, const dicom_request &r, struct error **err)
{
    const E_TransferSyntax syntax = r.is_jpeg ? EXS_JPEGProcess1 : EXS_LittleEndianExplicit;
    DcmFileFormat file;
    DcmDataset &d = *file.getDataset();

    if (!put_identity(d, r) || !put_clock(d, r) || !put_region(d, r) || !put_picture(d, r))
        return refuse(w, err, "an attribute was refused");

    OFCondition status = file.saveFile(output_partial_path(w->out), syntax, EET_ExplicitLength, EGL_noChange);
    if (status.bad())
        return refuse(w, err, status.text());
    if (std::fseek(output_stream(w->out), 0, SEEK_END) != 0)
        return refuse(w, err, std::strerror(errno));
    return true;
}

bool open(dicom_writer *w, const char *path, enum output_existing existing, const dicom_request &r,
          struct error **err)
{
    const uint64_t bytes = static_cast<uint64_t>(r.width_px) * static_cast<uint64_t>(r.height_px) *
                           (r.is_colour ? 3U : 1U) * static_cast<uint64_t>(r.n_frames);

    w->path = path;
    w->width_px = r.width_px;
    w->height_px = r.height_px;
    w->is_jpeg = r.is_jpeg;
    w->is_colour = r.is_colour;
    w->jpeg_quality = r.jpeg_quality;
    w->n_frames = r.n_frames;
    if (!r.is_jpeg && bytes > 0xfffffffeU)
        return refuse(w, err, "native pixel data beyond 4 GiB; ask for --codec jpeg or a shorter loop");
    if (!output_begin(&w->out, path, existing, err))
        return false;
    if (!write_header(w, r, err))
        return false;
    return begin_pixels(w, bytes) || refuse_write(w, err);
}

const unsigned char *in_colours(dicom_writer *w, const uint8_t *luma)
{
    const size_t n = static_cast<size_t>(w->width_px) * static_cast<size_t>(w->height_px);

    if (!w->is_colour)
        return luma;
    w->pixels.resize(3 * n);
    for (size_t i = 0; i < n; i++)
        w->pixels[3 * i] = w->pixels[3 * i + 1] = w->pixels[3 * i + 2] = luma[i];
    return w->pixels.data();
}

bool add_jpeg(dicom_writer *w, const unsigned char *pixels, struct error **err)
{
    unsigned char *bytes = nullptr;
    unsigned long n = 0;
    bool is_good;

    if (w->jpeg == nullptr)
        w->jpeg = tjInitCompress();
    if (w->jpeg == nullptr)
        return error_memory(err);
    if (tjCompress2(w->jpeg, pixels, w->width_px, 0, w->height_px, w->is_colour ? TJPF_RGB : TJPF_GRAY,
                    &bytes, &n, w->is_colour ? TJSAMP_422 : TJSAMP_GRAY, w->jpeg_quality,
                    TJFLAG_ACCURATEDCT) != 0) {
        tjFree(bytes);
        return refuse(w, err, tjGetErrorStr2(w->jpeg));
    }
    w->offsets.push_back(static_cast<uint32_t>(w->next_offset));
    is_good = write_item(w, ITEM, static_cast<uint32_t>(n + (n & 1))) && write_bytes(w, bytes, n) &&
              ((n & 1) == 0 || write_bytes(w, "", 1));
    w->next_offset += 8 + n + (n & 1);
    tjFree(bytes);
    return is_good || refuse_write(w, err);
}

bool finish(dicom_writer *w, struct error **err)
{
    const uint64_t bytes = static_cast<uint64_t>(w->width_px) * static_cast<uint64_t>(w->height_px) *
                           (w->is_colour ? 3U : 1U) * static_cast<uint64_t>(w->n_frames);
    bool is_good = true;

    if (w->n_added != w->n_frames)
        return refuse(w, err, "frames are missing");
    if (!w->is_jpeg)
        return (bytes & 1) == 0 || write_bytes(w, "", 1) || refuse_write(w, err);
    is_good = write_item(w, SEQUENCE_END, 0) && std::fseek(output_stream(w->out), w->table_at, SEEK_SET) == 0;
    for (uint32_t offset : w->offsets) {
        const unsigned char entry[4] = {
            static_cast<unsigned char>(offset & 0xff), static_cast<unsigned char>(offset >> 8 & 0xff),
            static_cast<unsigned char>(offset >> 16 & 0xff), static_cast<unsigned char>(offset >> 24)};

        is_good = is_good && write_bytes(w, entry, sizeof entry);
    }
    return is_good || refuse_write(w, err);
}

} // namespace

bool dicom_writer_open(struct dicom_writer **writer, const char *path, enum output_existing existing,
                       const struct dicom_request *request, struct error **err)
{
    dicom_writer *w = nullptr;

    try {
        OFLog::configure(OFLogger::OFF_LOG_LEVEL);
        w = new dicom_writer();
        if (open(w, path, existing, *request, err)) {
            *writer = w;
            return true;
        }
    } catch (...) {
        (void)error_memory(err);
    }
    dicom_writer_abandon(&w);
    return false;
}

bool dicom_writer_add(struct dicom_writer *writer, const uint8_t *luma, struct error **err)
{
    const size_t n = static_cast<size_t>(writer->width_px) * static_cast<size_t>(writer->height_px);

    try {
        if (writer->n_added >= writer->n_frames)
            return refuse(writer, err, "more frames than were announced");
        const unsigned char *pixels = in_colours(writer, luma);

        writer->n_added++;
        if (writer->is_jpeg)
            return add_jpeg(writer, pixels, err);
        return write_bytes(writer, pixels, writer->is_colour ? 3 * n : n) || refuse_write(writer, err);
    } catch (...) {
        return error_memory(err);
    }
}

bool dicom_writer_commit(struct dicom_writer **writer, struct error **err)
{
    bool is_good = false;

    try {
        is_good = finish(*writer, err) && output_commit(&(*writer)->out, err);
    } catch (...) {
        is_good = error_memory(err);
    }
    dicom_writer_abandon(writer);
    return is_good;
}

void dicom_writer_abandon(struct dicom_writer **writer)
{
    if (writer == nullptr || *writer == nullptr)
        return;
    if ((*writer)->jpeg != nullptr)
        (void)tjDestroy((*writer)->jpeg);
    output_abandon(&(*writer)->out);
    delete *writer;
    *writer = nullptr;
}
