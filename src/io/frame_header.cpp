/// What can be told about a frame's file from its first bytes, without a library: format, camera
/// raw files, interlacing, the name of a colour profile. Nothing here trusts a size that the file
/// claims.
#include <algorithm>
#include <array>
#include <cstring>
#include <optional>
#include <vector>

#include "io/frame_detail.hpp"

namespace broadloom::frame_detail {
namespace {

bool starts(std::span<const uint8_t> bytes, const char* text, size_t length, size_t at = 0) {
    return bytes.size() >= at + length && std::memcmp(bytes.data() + at, text, length) == 0;
}

[[noreturn]] void refuse_raw(const std::string& name) {
    refuse(name,
           "it is a camera raw file: broadloom gather develops it, or develop it to 16-bit TIFF "
           "first");
}

/// Unsigned numbers of a TIFF file in its byte order.
struct TiffOrder {
    bool big_endian = false;
    [[nodiscard]] uint64_t read(const uint8_t* p, int bytes) const {
        uint64_t value = 0;
        for (int i = 0; i < bytes; ++i) value = value << 8 | p[big_endian ? i : bytes - 1 - i];
        return value;
    }
};

/// The tags of a first TIFF directory that matter here (TIFF 6.0; DNG 1.4 for DNGVersion).
struct TiffDirectory {
    uint64_t subfile_type = 0, compression = 1, photometric = 1, planar = 1;
    std::optional<uint64_t> rows_per_strip, tile_width, tile_height;
    bool make = false, sub_directories = false, dng = false;
};

std::optional<TiffDirectory> read_first_directory(const FrameFile& file) {
    std::array<uint8_t, 16> head{};
    if (file.read_at(0, head) < 8) return std::nullopt;
    const TiffOrder order{head[0] == 'M'};
    const bool big = order.read(&head[2], 2) == 43;
    const int offset_bytes = big ? 8 : 4;
    const uint64_t at = order.read(&head[big ? 8 : 4], offset_bytes);
    if (at > static_cast<uint64_t>(file.size())) return std::nullopt;
    std::array<uint8_t, 8> count_bytes{};
    const int count_size = big ? 8 : 2;
    if (file.read_at(static_cast<int64_t>(at),
                     std::span(count_bytes).first(static_cast<size_t>(count_size))) <
        static_cast<size_t>(count_size)) {
        return std::nullopt;
    }
    // A tag is a 16-bit number and stands once; more entries than a few thousand are nonsense.
    const uint64_t count = std::min<uint64_t>(order.read(count_bytes.data(), count_size), 4096);
    const size_t entry = big ? 20 : 12;
    std::vector<uint8_t> entries(static_cast<size_t>(count) * entry);
    const size_t got = file.read_at(static_cast<int64_t>(at) + count_size, entries) / entry;
    TiffDirectory d;
    for (size_t i = 0; i < got; ++i) {
        const uint8_t* e = &entries[i * entry];
        const uint64_t tag = order.read(e, 2), type = order.read(e + 2, 2);
        const int bytes = type == 3 ? 2 : type == 1 || type == 7 ? 1 : 4;
        const uint64_t value = order.read(e + (big ? 12 : 8), bytes);
        switch (tag) {
            case 254:
                d.subfile_type = value;
                break;
            case 259:
                d.compression = value;
                break;
            case 262:
                d.photometric = value;
                break;
            case 271:
                d.make = true;
                break;
            case 278:
                d.rows_per_strip = value;
                break;
            case 284:
                d.planar = value;
                break;
            case 322:
                d.tile_width = value;
                break;
            case 323:
                d.tile_height = value;
                break;
            case 330:
                d.sub_directories = true;
                break;
            case 50706:
                d.dng = true;
                break;
            default:
                break;
        }
    }
    return d;
}

/// UTF-16BE to UTF-8, without control characters and surrogates.
std::string from_utf16(std::span<const uint8_t> bytes) {
    std::string text;
    for (size_t i = 0; i + 1 < bytes.size(); i += 2) {
        const unsigned c = bytes[i] * 256U + bytes[i + 1];
        if (c < 0x20 || c == 0x7F || (c >= 0x80 && c < 0xA0) || (c >= 0xD800 && c < 0xE000)) {
            continue;
        }
        if (c < 0x80) {
            text += static_cast<char>(c);
        } else if (c < 0x800) {
            text += static_cast<char>(0xC0 | c >> 6);
            text += static_cast<char>(0x80 | (c & 0x3F));
        } else {
            text += static_cast<char>(0xE0 | c >> 12);
            text += static_cast<char>(0x80 | (c >> 6 & 0x3F));
            text += static_cast<char>(0x80 | (c & 0x3F));
        }
    }
    return text;
}

}  // namespace

std::optional<FrameFormat> picture_format(const FrameFile& file) {
    std::array<uint8_t, 8> head{};
    const std::span<const uint8_t> bytes(head.data(), file.read_at(0, head));
    if (starts(bytes, "\xFF\xD8\xFF", 3)) return FrameFormat::jpeg;
    if (starts(bytes, "\x89PNG\r\n\x1A\n", 8)) return FrameFormat::png;
    if (starts(bytes, "II\x2A\0", 4) || starts(bytes, "MM\0\x2A", 4) ||
        starts(bytes, "II\x2B\0", 4) || starts(bytes, "MM\0\x2B", 4)) {
        return FrameFormat::tiff;
    }
    return std::nullopt;
}

bool has_raw_signature(const FrameFile& file) {
    std::array<uint8_t, 32> head{};
    const std::span<const uint8_t> bytes(head.data(), file.read_at(0, head));
    const bool tiff = picture_format(file) == FrameFormat::tiff;
    // Signatures of camera makers' own containers.
    return (tiff && starts(bytes, "CR", 2, 8)) || starts(bytes, "IIRO", 4) ||
           starts(bytes, "IIRS", 4) || starts(bytes, "MMOR", 4) || starts(bytes, "IIU\0", 4) ||
           starts(bytes, "FUJIFILMCCD-RAW", 15) || starts(bytes, "ftypcrx ", 8, 4) ||
           starts(bytes, "FOVb", 4) || starts(bytes, "\0MRM", 4) || starts(bytes, "HEAPCCDR", 8, 6);
}

bool has_raw_directory(const FrameFile& file) {
    const std::optional<TiffDirectory> d = read_first_directory(file);
    if (!d) return false;
    constexpr uint64_t kReduced = 1;                      // bit of NewSubfileType
    constexpr uint64_t kMosaic = 32803, kLinear = 34892;  // photometric interpretations of DNG
    const bool preview_first = (d->subfile_type & kReduced) != 0 && (d->sub_directories || d->make);
    return d->dng || d->photometric == kMosaic || d->photometric == kLinear || preview_first;
}

FrameFormat sniff_format(const FrameFile& file) {
    if (file.size() == 0) refuse(file.name(), "the file is empty: copy it again");
    if (has_raw_signature(file)) refuse_raw(file.name());
    const std::optional<FrameFormat> format = picture_format(file);
    if (format) return *format;
    refuse(file.name(),
           "it is not a JPEG, TIFF or PNG picture: convert it, or leave the frame out");
}

int64_t pixel_bytes(const FrameInfo& info) {
    return ((info.colour == FrameColour::grey ? 1 : 3) + (info.alpha ? 1 : 0)) * (info.bits / 8);
}

int64_t png_held_bytes(const FrameFile& file, const FrameInfo& info) {
    // PNG specification: signature of 8 bytes, then IHDR, whose last byte is the interlace method.
    std::array<uint8_t, 29> head{};
    const bool interlaced = file.read_at(0, head) == head.size() && head[28] != 0;
    return interlaced ? info.stored_width * info.stored_height * pixel_bytes(info) : 0;
}

void check_tiff_header(const FrameFile& file) {
    if (!read_first_directory(file)) {
        refuse(file.name(), "the TIFF header is damaged or incomplete: copy the file again");
    }
    if (has_raw_directory(file)) refuse_raw(file.name());
}

int64_t tiff_held_bytes(const FrameFile& file, const FrameInfo& info) {
    const TiffDirectory d = read_first_directory(file).value_or(TiffDirectory{});
    const auto clamped = [](std::optional<uint64_t> value, int64_t most) {
        return value && *value < static_cast<uint64_t>(most) ? static_cast<int64_t>(*value) : most;
    };
    if (d.tile_height) {
        // Rows of tiles are cached three deep; tiles may overhang the picture.
        constexpr int64_t kMostTileSide = 65536;
        const int64_t width = info.stored_width + clamped(d.tile_width, kMostTileSide);
        return 3 * width * clamped(d.tile_height, kMostTileSide) * pixel_bytes(info);
    }
    // One compressed strip in whole; LZW can make noise half as large again. Separate planes are
    // read a whole strip at a time, too.
    const int64_t rows = clamped(d.rows_per_strip, info.stored_height);
    const int64_t strip = info.stored_width * rows * pixel_bytes(info);
    constexpr int64_t kSmall = 1 << 16;
    return std::min(file.size(), 2 * strip + kSmall) + (d.planar == 2 ? 2 * strip : 0);
}

std::string profile_name(std::span<const uint8_t> icc) {
    // ICC.1:2010, 7.3: tag count at 128, then entries of signature, offset, size; 10.13 and, for
    // version 2 profiles, the older textDescriptionType.
    const TiffOrder order{true};
    std::string unnamed = "a colour profile without a name";
    if (icc.size() < 132) return unnamed;
    const uint64_t count = std::min<uint64_t>(order.read(&icc[128], 4), 1000);
    std::string text;
    for (uint64_t i = 0; i < count && 132 + (i + 1) * 12 <= icc.size(); ++i) {
        const uint8_t* e = &icc[132 + i * 12];
        if (std::memcmp(e, "desc", 4) != 0) continue;
        const uint64_t at = order.read(e + 4, 4), size = order.read(e + 8, 4);
        if (at > icc.size() || size > icc.size() - at || size < 12) break;
        const auto tag = icc.subspan(static_cast<size_t>(at), static_cast<size_t>(size));
        if (starts(tag, "desc", 4)) {
            const uint64_t length = std::min<uint64_t>(order.read(&tag[8], 4), tag.size() - 12);
            for (const uint8_t c : tag.subspan(12, static_cast<size_t>(length))) {
                if (c >= 0x20 && c < 0x7F) text += static_cast<char>(c);
            }
        } else if (starts(tag, "mluc", 4) && tag.size() >= 28 && order.read(&tag[8], 4) > 0) {
            const uint64_t length = order.read(&tag[20], 4), start = order.read(&tag[24], 4);
            if (start <= tag.size() && length <= tag.size() - start) {
                text = from_utf16(
                    tag.subspan(static_cast<size_t>(start), static_cast<size_t>(length)));
            }
        }
        break;
    }
    constexpr size_t kMost = 120;
    if (text.size() > kMost) {
        // Not through the middle of a character.
        size_t end = kMost;
        while (end > 0 && (static_cast<uint8_t>(text[end]) & 0xC0) == 0x80) --end;
        text.resize(end);
    }
    return text.empty() ? unnamed : text;
}

std::string profile_description(std::span<const uint8_t> icc) {
    std::string name = profile_name(icc);
    return name.find("sRGB") != std::string::npos ? std::string{} : name;
}

}  // namespace broadloom::frame_detail
