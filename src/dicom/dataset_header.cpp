#include "dicom/dataset_internal.h"

#include <dcmtk/dcmdata/dcdict.h>

#include <cstring>
#include <mutex>

namespace
{

constexpr Uint32 MOST_LOADED_BYTES = 4096; /* longer values stay in the file */
constexpr size_t MOST_DELIMITERS = 100;    /* stray ones; else hostile */

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

} // namespace

bool dataset_header_read(struct dataset *dataset, const char *path, struct error **err)
{
    {
        const std::lock_guard<std::mutex> guard(parser_lock());

        if (!read_header(dataset, path, false))
            dataset->is_broken = !read_header(dataset, path, true);
        read_behind_delimiters(dataset, path);
        read_identity(dataset);
        find_pixels(dataset, path);
    }
    return refuse_foreign(dataset, err);
}
