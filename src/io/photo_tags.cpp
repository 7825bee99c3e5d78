/// Finds the camera's data in a JPEG or PNG file and hands it to libexif.
#include "io/photo_tags.hpp"

#include <libexif/exif-data.h>
#include <libexif/exif-mnote-data.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cstring>
#include <memory>

#include "io/photo_tags_detail.hpp"

namespace broadloom {
namespace tags_detail {
namespace {

using frame_detail::FrameFile;
using frame_detail::FrameFormat;
using Bytes = std::vector<uint8_t>;

constexpr std::array<uint8_t, 6> kExifMark{'E', 'x', 'i', 'f', 0, 0};

size_t big_endian(const uint8_t* p, int bytes) {
    size_t value = 0;
    for (int i = 0; i < bytes; ++i) value = value << 8 | p[i];
    return value;
}

/// The content of the first APP1 segment that is Exif's (JPEG: ITU-T T.81, annex B); empty: none.
Bytes jpeg_exif(const FrameFile& file) {
    constexpr int kMostSegments = 4096;
    int64_t at = 2;
    for (int i = 0; i < kMostSegments; ++i) {
        std::array<uint8_t, 10> head{};
        const size_t got = file.read_at(at, head);
        if (got < 4 || head[0] != 0xFF) return {};
        const uint8_t marker = head[1];
        if (marker == 0xFF) {  // a fill byte
            ++at;
            continue;
        }
        if ((marker >= 0xD0 && marker <= 0xD8) || marker == 0x01) {  // no length follows
            at += 2;
            continue;
        }
        if (marker == 0xD9 || marker == 0xDA) return {};  // end, start of scan
        const size_t length = big_endian(&head[2], 2);
        if (length < 2) return {};
        if (marker == 0xE1 && length > 8 && got == head.size() &&
            std::equal(kExifMark.begin(), kExifMark.end(), head.begin() + 4)) {
            Bytes block(length - 8);
            block.resize(file.read_at(at + 10, block));
            return block;
        }
        at += 2 + static_cast<int64_t>(length);
    }
    return {};
}

/// The content of the eXIf chunk (PNG, third edition, 11.3.3.7); empty: none.
Bytes png_exif(const FrameFile& file) {
    constexpr int kMostChunks = 1 << 20;
    constexpr size_t kMostBytes = size_t{1} << 20;
    int64_t at = 8;
    for (int i = 0; i < kMostChunks; ++i) {
        std::array<uint8_t, 8> head{};
        if (file.read_at(at, head) < head.size()) return {};
        const size_t length = big_endian(head.data(), 4);
        const auto is = [&](const char* type) { return std::memcmp(&head[4], type, 4) == 0; };
        if (is("IEND") || length > 0x7FFFFFFF) return {};
        if (is("eXIf")) {
            Bytes block(std::min(length, kMostBytes));
            block.resize(file.read_at(at + 8, block));
            // Some writers keep the mark of the JPEG segment.
            if (block.size() > kExifMark.size() &&
                std::equal(kExifMark.begin(), kExifMark.end(), block.begin())) {
                block.erase(block.begin(), block.begin() + kExifMark.size());
            }
            return block;
        }
        at += 12 + static_cast<int64_t>(length);
    }
    return {};
}

struct Unref {
    void operator()(ExifData* data) const { exif_data_unref(data); }
};

/// What the maker's note says about focusing, where libexif knows the maker. Its words differ:
/// "MF", "MANUAL", "Manual", "Manual focus (3)" against "AF-S", "Auto", "One-Shot", "AI Servo".
std::optional<bool> manual_focus(ExifMnoteData* note) {
    if (note == nullptr) return std::nullopt;
    const unsigned count = std::min(exif_mnote_data_count(note), 4096U);
    for (unsigned i = 0; i < count; ++i) {
        const char* name = exif_mnote_data_get_name(note, i);
        if (name == nullptr) continue;
        const std::string_view tag(name);
        if (tag != "FocusMode" && tag != "Focusmode" && tag != "FocusingMode") continue;
        std::array<char, 128> text{};
        if (exif_mnote_data_get_value(note, i, text.data(), text.size()) == nullptr) continue;
        std::string value = trimmed(text.data());
        for (char& c : value) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
        for (const std::string_view word : {"mf", "manual"}) {
            if (value.rfind(word, 0) == 0) return true;
        }
        for (const std::string_view word : {"af", "auto", "one-shot", "ai ", "single", "cont"}) {
            if (value.rfind(word, 0) == 0) return false;
        }
    }
    return std::nullopt;
}

}  // namespace

void read_exif_block(std::span<const uint8_t> block, TagValues& values) {
    if (block.size() < 8 || block.size() > (size_t{1} << 24)) return;
    const std::unique_ptr<ExifData, Unref> data(exif_data_new());
    if (!data) return;
    // Values as they are written, not as the library would repair them.
    exif_data_unset_option(data.get(), EXIF_DATA_OPTION_FOLLOW_SPECIFICATION);
    // It wants the mark of the JPEG segment before the block.
    Bytes marked(kExifMark.begin(), kExifMark.end());
    marked.insert(marked.end(), block.begin(), block.end());
    exif_data_load_data(data.get(), marked.data(), static_cast<unsigned>(marked.size()));
    const bool big = exif_data_get_byte_order(data.get()) == EXIF_BYTE_ORDER_MOTOROLA;
    for (const ExifIfd ifd : {EXIF_IFD_0, EXIF_IFD_EXIF, EXIF_IFD_INTEROPERABILITY, EXIF_IFD_GPS}) {
        const ExifContent* content = data->ifd[ifd];
        if (content == nullptr) continue;
        for (unsigned i = 0; i < content->count; ++i) {
            const ExifEntry* entry = content->entries[i];
            if (entry == nullptr || entry->data == nullptr) continue;
            const uint32_t tag =
                static_cast<uint32_t>(entry->tag) + (ifd == EXIF_IFD_INTEROPERABILITY ? 0x10000U
                                                     : ifd == EXIF_IFD_GPS ? kPositionTags
                                                                           : 0U);
            if (!is_known_tag(tag)) continue;
            // libexif's formats are TIFF's type numbers.
            values.set_bytes(tag, static_cast<unsigned>(entry->format), {entry->data, entry->size},
                             big);
        }
    }
    if (!values.manual_focus) {
        values.manual_focus = manual_focus(exif_data_get_mnote_data(data.get()));
    }
}

PhotoTags read_tags(const FrameFile& file, FrameFormat format) {
    TagValues values;
    switch (format) {
        case FrameFormat::jpeg:
            read_exif_block(jpeg_exif(file), values);
            break;
        case FrameFormat::png:
            read_exif_block(png_exif(file), values);
            break;
        case FrameFormat::tiff:
            read_tiff(file, values);
            break;
    }
    return interpret(values);
}

}  // namespace tags_detail

PhotoTags read_photo_tags(const std::filesystem::path& path, const std::string& name) {
    const frame_detail::FrameFile file(path, name);
    const std::optional<frame_detail::FrameFormat> format = frame_detail::picture_format(file);
    return format ? tags_detail::read_tags(file, *format) : PhotoTags{};
}

}  // namespace broadloom
