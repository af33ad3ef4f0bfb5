#include "dicom/dataset_internal.h"

#include "base/text.h"

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <new>
#include <vector>

namespace
{

constexpr size_t MOST_TABLE_BYTES = size_t{64} << 20; /* of a look-up or offset table; else hostile */

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
        text.erase(0, text.find_first_not_of(' '));
        text.erase(text.find_last_not_of(' ') + 1);
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

        if (!dataset_header_read(made.get(), path, err))
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
        const size_t first = value.find_first_not_of(' ');
        if (first == OFString_npos)
            return false;
        const size_t last = value.find_last_not_of(' ');
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
