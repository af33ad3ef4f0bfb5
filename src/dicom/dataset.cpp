#include "dicom/dataset.h"

#include "base/text.h"

#include <dcmtk/config/osconfig.h>

#include <dcmtk/dcmdata/dcdict.h>
#include <dcmtk/dcmdata/dcistrmf.h>
#include <dcmtk/dcmdata/dctk.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <memory>
#include <mutex>
#include <new>
#include <string>
#include <vector>

struct dataset {
    std::unique_ptr<DcmInputFileStream> stream;
    std::unique_ptr<DcmFileFormat> file;
    std::string syntax_uid, syntax_name, class_uid, class_name;
    enum dataset_coding coding = CODING_UNKNOWN;
    bool is_big_endian = false;
    bool is_deflated = false;
    bool is_explicit = true;
    bool is_mended = false;
    bool is_broken = false; /* the header could not be read to its end */
    struct dataset_pixels pixels = {};
};

namespace
{

constexpr Uint32 MOST_LOADED_BYTES = 4096;            /* longer values stay in the file */
constexpr size_t MOST_TABLE_BYTES = size_t{64} << 20; /* of a look-up or offset table; else hostile */

constexpr size_t MOST_DELIMITERS = 100; /* stray ones; else hostile */

struct syntax_row {
    const char *uid;
    enum dataset_coding coding;
};

/* PS3.6, table A-1 */
const syntax_row syntaxes[] = {
    {"1.2.840.10008.1.2", CODING_NATIVE},         {"1.2.840.10008.1.2.1", CODING_NATIVE},
    {"1.2.840.10008.1.2.1.99", CODING_NATIVE},    {"1.2.840.10008.1.2.2", CODING_NATIVE},
    {"1.2.840.10008.1.2.5", CODING_RLE},          {"1.2.840.10008.1.2.4.50", CODING_JPEG},
    {"1.2.840.10008.1.2.4.51", CODING_JPEG},      {"1.2.840.10008.1.2.4.57", CODING_JPEG},
    {"1.2.840.10008.1.2.4.70", CODING_JPEG},      {"1.2.840.10008.1.2.4.80", CODING_JPEG_LS},
    {"1.2.840.10008.1.2.4.81", CODING_JPEG_LS},   {"1.2.840.10008.1.2.4.90", CODING_JPEG_2000},
    {"1.2.840.10008.1.2.4.91", CODING_JPEG_2000}, {"1.2.840.10008.1.2.4.100", CODING_MPEG2},
    {"1.2.840.10008.1.2.4.100.1", CODING_MPEG2},  {"1.2.840.10008.1.2.4.101", CODING_MPEG2},
    {"1.2.840.10008.1.2.4.101.1", CODING_MPEG2},  {"1.2.840.10008.1.2.4.102", CODING_H264},
    {"1.2.840.10008.1.2.4.102.1", CODING_H264},   {"1.2.840.10008.1.2.4.103", CODING_H264},
    {"1.2.840.10008.1.2.4.103.1", CODING_H264},   {"1.2.840.10008.1.2.4.104", CODING_H264},
    {"1.2.840.10008.1.2.4.104.1", CODING_H264},   {"1.2.840.10008.1.2.4.105", CODING_H264},
    {"1.2.840.10008.1.2.4.105.1", CODING_H264},   {"1.2.840.10008.1.2.4.106", CODING_H264},
    {"1.2.840.10008.1.2.4.106.1", CODING_H264},   {"1.2.840.10008.1.2.4.107", CODING_HEVC},
    {"1.2.840.10008.1.2.4.108", CODING_HEVC},
};

std::mutex &parser_lock()
{
    static std::mutex lock; /* DCMTK's leniency is a switch of the whole process */
    return lock;
}

void be_lenient(bool is_lenient)
{
    OFLog::configure(OFLogger::OFF_LOG_LEVEL);
    dcmIgnoreParsingErrors.set(
        OFFalse); /* it makes room for any length that a broken field states, 4 GiB of it */
    dcmAutoDetectDatasetXfer.set(is_lenient ? OFTrue : OFFalse);
    dcmAcceptUnexpectedImplicitEncoding.set(is_lenient ? OFTrue : OFFalse);
    dcmReplaceWrongDelimitationItem.set(is_lenient ? OFTrue : OFFalse);
    dcmIgnoreFileMetaInformationGroupLength.set(is_lenient ? OFTrue : OFFalse);
    dcmConvertUndefinedLengthOBOWtoSQ.set(is_lenient ? OFTrue : OFFalse);
}

DcmItem *items_of(const struct dataset *dataset)
{
    return dataset->file->getDataset();
}

DcmTagKey key(uint32_t tag)
{
    return DcmTagKey(static_cast<Uint16>(tag >> 16), static_cast<Uint16>(tag & 0xffffU));
}

DcmElement *find(DcmItem *item, uint32_t tag)
{
    DcmElement *element = nullptr;

    if (item == nullptr || item->findAndGetElement(key(tag), element).bad())
        return nullptr;
    return element;
}

std::string string_of(DcmItem *item, const DcmTagKey &tag)
{
    OFString value;

    if (item == nullptr || item->findAndGetOFString(tag, value).bad())
        return "";
    return std::string(value.c_str());
}

std::string name_of(const std::string &uid)
{
    const char *name = dcmFindNameOfUID(uid.c_str(), nullptr);

    return name == nullptr ? uid : std::string(name);
}

bool read_header(struct dataset *made, const char *path, bool is_lenient)
{
    be_lenient(is_lenient);
    made->is_mended = is_lenient;
    made->stream = std::make_unique<DcmInputFileStream>(path);
    made->file = std::make_unique<DcmFileFormat>();
    made->file->transferInit();
    OFCondition status =
        made->file->readUntilTag(*made->stream, EXS_Unknown, EGL_noChange, MOST_LOADED_BYTES, DCM_PixelData);
    made->file->transferEnd();
    return status.good();
}

/* The bytes before the place where DCMTK stands; false near the start. */
bool bytes_before(const struct dataset *made, const char *path, unsigned char *bytes, size_t n)
{
    const offile_off_t at = made->stream->tell();
    std::unique_ptr<FILE, int (*)(FILE *)> file(fopen(path, "rb"), fclose);

    return file && at >= static_cast<offile_off_t>(n) &&
           fseeko(file.get(), at - static_cast<offile_off_t>(n), SEEK_SET) == 0 &&
           fread(bytes, 1, n, file.get()) == n;
}

/* DCMTK takes an item's end that stands between two elements for the end of the data set: go on behind it. */
void read_behind_delimiters(struct dataset *made, const char *path)
{
    const unsigned char little[] = {0xfe, 0xff, 0x0d, 0xe0, 0, 0, 0, 0};
    const unsigned char big[] = {0xff, 0xfe, 0xe0, 0x0d, 0, 0, 0, 0};
    DcmDataset *whole = made->file->getDataset();
    const E_TransferSyntax syntax = whole->getOriginalXfer();

    for (size_t i = 0; i < MOST_DELIMITERS && !made->stream->eos() && syntax != EXS_Unknown; i++) {
        unsigned char before[8] = {};

        if (DcmXfer(syntax).getStreamCompression() != ESC_none ||
            !bytes_before(made, path, before, sizeof before) ||
            (std::memcmp(before, little, 8) != 0 && std::memcmp(before, big, 8) != 0))
            return;
        DcmDataset rest;
        rest.transferInit();
        (void)rest.readUntilTag(*made->stream, syntax, EGL_noChange, MOST_LOADED_BYTES, DCM_PixelData);
        rest.transferEnd();
        while (rest.card() > 0) {
            DcmElement *element = rest.remove(0UL);

            if (element == nullptr)
                break;
            if (whole->insert(element, OFTrue).bad())
                delete element;
        }
        made->is_mended = true;
    }
}

void read_identity(struct dataset *made)
{
    E_TransferSyntax parsed = made->file->getDataset()->getOriginalXfer();

    made->syntax_uid = string_of(made->file->getMetaInfo(), DCM_TransferSyntaxUID);
    if (parsed != EXS_Unknown) {
        DcmXfer as_parsed(parsed);

        /* a data set without meta header, or one that is not coded as its header says */
        if (made->syntax_uid.empty() || (made->is_mended && !as_parsed.isEncapsulated()))
            made->syntax_uid = as_parsed.getXferID();
        made->is_explicit = as_parsed.isExplicitVR();
    }
    for (const syntax_row &row : syntaxes) {
        if (made->syntax_uid == row.uid)
            made->coding = row.coding;
    }
    made->is_big_endian = made->syntax_uid == UID_BigEndianExplicitTransferSyntax;
    made->is_deflated = made->syntax_uid == UID_DeflatedExplicitVRLittleEndianTransferSyntax;
    made->syntax_name = name_of(made->syntax_uid);
    made->class_uid = string_of(made->file->getDataset(), DCM_SOPClassUID);
    if (made->class_uid.empty())
        made->class_uid = string_of(made->file->getMetaInfo(), DCM_MediaStorageSOPClassUID);
    made->class_name = name_of(made->class_uid);
}

uint32_t number_at(const unsigned char *bytes, bool is_big_endian)
{
    uint32_t number = 0;

    for (size_t i = 0; i < 4; i++)
        number = number << 8 | bytes[is_big_endian ? i : 3 - i];
    return number;
}

/* DCMTK has stopped behind the head of the pixel data element: its tag, VR and length
 * are the bytes just read (PS3.5, 7.1.2 and 7.1.3). */
void find_pixels(struct dataset *made, const char *path)
{
    const unsigned char little[] = {0xe0, 0x7f, 0x10, 0x00};
    const unsigned char big[] = {0x7f, 0xe0, 0x00, 0x10};
    unsigned char head[12] = {};
    const offile_off_t at = made->stream->tell();

    if (made->is_deflated) {
        made->pixels.is_there = made->stream->eos() == OFFalse;
        return;
    }
    if (!bytes_before(made, path, head, sizeof head))
        return;
    const unsigned char *tag = made->is_big_endian ? big : little;
    const bool has_type = std::memcmp(head, tag, 4) == 0 && head[4] == 'O' && head[6] == 0 && head[7] == 0;

    if (!has_type && std::memcmp(head + 4, tag, 4) != 0)
        return;
    made->pixels.is_there = true;
    made->pixels.offset = static_cast<uint64_t>(at);
    made->pixels.length = number_at(head + 8, made->is_big_endian);
    made->pixels.has_length = made->pixels.length != 0xffffffffU;
    made->pixels.is_words = has_type && head[5] == 'W';
}

bool refuse_foreign(const struct dataset *made, struct error **err)
{
    if (!dcmDataDict.isDictionaryLoaded() && !made->is_explicit)
        return error_set(
            err, ERROR_INPUT,
            "this file needs DCMTK's data dictionary, which is not found; install libdcmtk17 again");
    if (made->file->getDataset()->card() == 0)
        return error_set(err, ERROR_INPUT, "this is not a DICOM file that can be understood");
    if (!made->pixels.is_there && made->is_broken && made->coding != CODING_UNKNOWN)
        return error_set(
            err, ERROR_INPUT,
            "the DICOM file ends or breaks off inside its header, before any picture; copy it again");
    return true;
}

bool open_made(struct dataset *made, const char *path, struct error **err)
{
    {
        const std::lock_guard<std::mutex> guard(parser_lock());

        if (!read_header(made, path, false))
            made->is_broken = !read_header(made, path, true);
        read_behind_delimiters(made, path);
        read_identity(made);
        find_pixels(made, path);
    }
    return refuse_foreign(made, err);
}

bool to_number(DcmElement *element, size_t place, double *value)
{
    const auto at = static_cast<unsigned long>(place);
    Float64 f64 = 0;
    Float32 f32 = 0;
    Uint16 u16 = 0;
    Sint16 s16 = 0;
    Uint32 u32 = 0;
    Sint32 s32 = 0;
    OFString text;
    double read = 0;

    switch (element->ident()) {
    case EVR_FD:
        if (element->getFloat64(f64, at).bad())
            return false;
        read = f64;
        break;
    case EVR_FL:
        if (element->getFloat32(f32, at).bad())
            return false;
        read = static_cast<double>(f32);
        break;
    case EVR_US:
    case EVR_xs:
        if (element->getUint16(u16, at).bad())
            return false;
        read = u16;
        break;
    case EVR_SS:
        if (element->getSint16(s16, at).bad())
            return false;
        read = s16;
        break;
    case EVR_UL:
    case EVR_up:
        if (element->getUint32(u32, at).bad())
            return false;
        read = u32;
        break;
    case EVR_SL:
        if (element->getSint32(s32, at).bad())
            return false;
        read = s32;
        break;
    default:
        if (element->getOFString(text, at, OFTrue).bad())
            return false;
        text.erase(0, text.find_first_not_of(" "));
        text.erase(text.find_last_not_of(" ") + 1);
        if (!text_to_double(text.c_str(), &read))
            return false;
        break;
    }
    if (!std::isfinite(read))
        return false;
    *value = read;
    return true;
}

bool number_of(DcmItem *item, uint32_t tag, size_t place, double *value)
{
    DcmElement *element = find(item, tag);

    return element != nullptr && place < element->getVM() && to_number(element, place, value);
}

/* "33.3\\50 \\40" as three numbers */
std::vector<double> numbers_in(const std::string &text)
{
    std::vector<double> read;
    size_t at = 0;

    for (;;) {
        const size_t end = std::min(text.find('\\', at), text.size());
        std::string one = text.substr(at, end - at);
        double value = 0;

        one.erase(0, one.find_first_not_of(' '));
        one.erase(one.find_last_not_of(' ') + 1);
        read.push_back(text_to_double(one.c_str(), &value) ? value : std::nan(""));
        if (end == text.size())
            return read;
        at = end + 1;
    }
}

DcmSequenceOfItems *sequence_of(const struct dataset *dataset, uint32_t tag)
{
    DcmElement *element = find(items_of(dataset), tag);

    return element == nullptr ? nullptr : dynamic_cast<DcmSequenceOfItems *>(element);
}

} // namespace

bool dataset_open(struct dataset **dataset, const char *path, struct error **err)
{
    try {
        auto made = std::make_unique<struct dataset>();

        if (!open_made(made.get(), path, err))
            return false;
        *dataset = made.release();
        return true;
    } catch (const std::bad_alloc &) {
        return error_memory(err);
    } catch (...) {
        return error_set(err, ERROR_INPUT, "this is not a DICOM file that can be understood");
    }
}

const char *dataset_syntax_uid(const struct dataset *dataset)
{
    return dataset->syntax_uid.c_str();
}

const char *dataset_syntax_name(const struct dataset *dataset)
{
    return dataset->syntax_name.c_str();
}

enum dataset_coding dataset_coding(const struct dataset *dataset)
{
    return dataset->coding;
}

bool dataset_is_big_endian(const struct dataset *dataset)
{
    return dataset->is_big_endian;
}

bool dataset_is_deflated(const struct dataset *dataset)
{
    return dataset->is_deflated;
}

bool dataset_is_mended(const struct dataset *dataset)
{
    return dataset->is_mended;
}

struct dataset_pixels dataset_pixel_data(const struct dataset *dataset)
{
    return dataset->pixels;
}

const char *dataset_class_uid(const struct dataset *dataset)
{
    return dataset->class_uid.c_str();
}

const char *dataset_class_name(const struct dataset *dataset)
{
    return dataset->class_name.c_str();
}

bool dataset_text(const struct dataset *dataset, uint32_t tag, size_t place, char *text, size_t n_room)
{
    text[0] = '\0';
    try {
        DcmElement *element = find(items_of(dataset), tag);
        OFString value;

        if (element == nullptr ||
            element->getOFString(value, static_cast<unsigned long>(place), OFTrue).bad())
            return false;
        const size_t first = value.find_first_not_of(" ");
        if (first == OFString_npos)
            return false;
        const size_t last = value.find_last_not_of(" ");
        if (last - first + 1 >= n_room)
            return false;
        std::memcpy(text, value.c_str() + first, last - first + 1);
        text[last - first + 1] = '\0';
        return text[0] != '\0';
    } catch (...) {
        return false;
    }
}

bool dataset_number(const struct dataset *dataset, uint32_t tag, size_t place, double *value)
{
    try {
        return number_of(items_of(dataset), tag, place, value);
    } catch (...) {
        return false;
    }
}

bool dataset_integer(const struct dataset *dataset, uint32_t tag, long low, long high, long *value)
{
    double read = 0;

    if (!dataset_number(dataset, tag, 0, &read) || read < static_cast<double>(low) ||
        read > static_cast<double>(high) || read != std::floor(read))
        return false;
    *value = static_cast<long>(read);
    return true;
}

size_t dataset_n_values(const struct dataset *dataset, uint32_t tag)
{
    try {
        DcmElement *element = find(items_of(dataset), tag);

        return element == nullptr ? 0 : element->getVM();
    } catch (...) {
        return 0;
    }
}

bool dataset_tag(const struct dataset *dataset, uint32_t tag, size_t place, uint32_t *value)
{
    try {
        auto *element = dynamic_cast<DcmAttributeTag *>(find(items_of(dataset), tag));
        DcmTagKey read;

        if (element == nullptr || element->getTagVal(read, static_cast<unsigned long>(place)).bad())
            return false;
        *value = DICOM_TAG(read.getGroup(), read.getElement());
        return true;
    } catch (...) {
        return false;
    }
}

bool dataset_numbers(const struct dataset *dataset, uint32_t tag, double **numbers, size_t *n)
{
    try {
        DcmElement *element = find(items_of(dataset), tag);
        OFString text;

        if (element == nullptr || element->getLength() == 0 || element->getLength() > MOST_TABLE_BYTES ||
            element->getOFStringArray(text).bad())
            return false;
        const std::vector<double> read = numbers_in(std::string(text.c_str()));
        *numbers = static_cast<double *>(std::malloc(read.size() * sizeof **numbers));
        if (*numbers == nullptr)
            return false;
        *n = read.size();
        std::memcpy(*numbers, read.data(), *n * sizeof **numbers);
        return true;
    } catch (...) {
        return false;
    }
}

bool dataset_words(const struct dataset *dataset, uint32_t tag, uint16_t **words, size_t *n)
{
    try {
        DcmElement *element = find(items_of(dataset), tag);
        Uint16 *from = nullptr;
        Sint16 *signed_from = nullptr;

        if (element == nullptr || element->getLength() < 2 || element->getLength() > MOST_TABLE_BYTES)
            return false;
        if (element->getUint16Array(from).bad() && element->getSint16Array(signed_from).good())
            from = reinterpret_cast<Uint16 *>(signed_from);
        if (from == nullptr)
            return false;
        *n = element->getLength() / 2;
        *words = static_cast<uint16_t *>(std::malloc(*n * sizeof **words));
        if (*words == nullptr)
            return false;
        std::memcpy(*words, from, *n * sizeof **words);
        return true;
    } catch (...) {
        return false;
    }
}

bool dataset_offsets(const struct dataset *dataset, uint32_t tag, uint64_t **offsets, size_t *n)
{
    try {
        DcmElement *element = find(items_of(dataset), tag);
        Uint64 *from = nullptr;
        Uint8 *bytes = nullptr;

        if (element == nullptr || element->getLength() < 8 || element->getLength() > MOST_TABLE_BYTES)
            return false;
        *n = element->getLength() / 8;
        *offsets = static_cast<uint64_t *>(std::malloc(*n * sizeof **offsets));
        if (*offsets == nullptr)
            return false;
        if (element->getUint64Array(from).good() && from != nullptr) {
            std::memcpy(*offsets, from, *n * sizeof **offsets);
            return true;
        }
        if (element->getUint8Array(bytes).good() && bytes != nullptr) { /* kept as UN or OB: little endian */
            for (size_t i = 0; i < *n; i++) {
                (*offsets)[i] = 0;
                for (size_t k = 8; k-- > 0;)
                    (*offsets)[i] = (*offsets)[i] << 8 | bytes[8 * i + k];
            }
            return true;
        }
        std::free(*offsets);
        *offsets = nullptr;
        return false;
    } catch (...) {
        return false;
    }
}

size_t dataset_n_items(const struct dataset *dataset, uint32_t sequence)
{
    try {
        DcmSequenceOfItems *items = sequence_of(dataset, sequence);

        return items == nullptr ? 0 : items->card();
    } catch (...) {
        return 0;
    }
}

bool dataset_item_number(const struct dataset *dataset, uint32_t sequence, size_t item, uint32_t tag,
                         double *value)
{
    try {
        DcmSequenceOfItems *items = sequence_of(dataset, sequence);

        if (items == nullptr || item >= items->card())
            return false;
        return number_of(items->getItem(static_cast<unsigned long>(item)), tag, 0, value);
    } catch (...) {
        return false;
    }
}

size_t dataset_inflate(struct dataset *dataset, void *bytes, size_t n)
{
    size_t done = 0;

    try {
        while (done < n && dataset->stream->good()) {
            const offile_off_t got =
                dataset->stream->read(static_cast<char *>(bytes) + done, static_cast<offile_off_t>(n - done));

            if (got <= 0)
                break;
            done += static_cast<size_t>(got);
        }
    } catch (...) {
        return done;
    }
    return done;
}

void dataset_close(struct dataset **dataset)
{
    if (dataset == nullptr || *dataset == nullptr)
        return;
    delete *dataset;
    *dataset = nullptr;
}
