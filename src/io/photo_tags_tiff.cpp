/// The camera's data in a TIFF file, by libtiff: the first directory and its Exif directory.
#include <tiffio.h>

#include <array>
#include <cstdio>
#include <cstring>
#include <exception>
#include <memory>

#include "io/photo_tags_detail.hpp"

namespace broadloom::tags_detail {
namespace {

using frame_detail::FrameFile;

struct Close {
    void operator()(TIFF* tiff) const { TIFFClose(tiff); }
};
struct FreeOptions {
    void operator()(TIFFOpenOptions* options) const { TIFFOpenOptionsFree(options); }
};

/// What a damaged file makes the library say is of no use: absent is absent.
int silence(TIFF*, void*, const char*, const char*, va_list) { return 1; }

/// The file as the library sees it: with a position of its own, so that other readers of the same
/// descriptor are not disturbed.
struct Stream {
    const FrameFile& file;
    int64_t at = 0;
    std::exception_ptr failed;  // no exception may pass through the library
};

tmsize_t read_stream(thandle_t handle, void* to, tmsize_t bytes) {
    auto& stream = *static_cast<Stream*>(handle);
    if (bytes <= 0) return 0;
    try {
        const size_t got =
            stream.file.read_at(stream.at, {static_cast<uint8_t*>(to), static_cast<size_t>(bytes)});
        stream.at += static_cast<int64_t>(got);
        return static_cast<tmsize_t>(got);
    } catch (...) {
        if (!stream.failed) stream.failed = std::current_exception();
        return 0;
    }
}

tmsize_t write_nothing(thandle_t, void*, tmsize_t) { return 0; }

toff_t seek_stream(thandle_t handle, toff_t offset, int whence) {
    auto& stream = *static_cast<Stream*>(handle);
    const int64_t from = whence == SEEK_CUR   ? stream.at
                         : whence == SEEK_END ? stream.file.size()
                                              : 0;
    const auto to = static_cast<int64_t>(static_cast<uint64_t>(from) + offset);
    if (to < 0) return static_cast<toff_t>(-1);
    stream.at = to;
    return static_cast<toff_t>(to);
}

int keep_open(thandle_t) { return 0; }

toff_t stream_size(thandle_t handle) {
    return static_cast<toff_t>(static_cast<Stream*>(handle)->file.size());
}

/// A field whose values come as a count and an array, or as one value, of what type the library
/// keeps it in.
class FieldReader {
  public:
    FieldReader(TIFF* tiff, TagValues& values) : tiff_(tiff), values_(values) {}

    void read(uint32_t tag) {
        const TIFFField* field = TIFFFindField(tiff_, tag, TIFF_ANY);
        if (field == nullptr) return;
        const TIFFDataType type = TIFFFieldDataType(field);
        const bool passes_count = TIFFFieldPassCount(field) != 0;
        if (type == TIFF_ASCII && !passes_count) {
            const char* text = nullptr;
            if (TIFFGetField(tiff_, tag, &text) == 1 && text != nullptr)
                values_.set_text(tag, text);
        } else if (passes_count) {
            read_array(tag, field, type);
        } else if (TIFFFieldReadCount(field) == 1) {
            read_one(tag, field, type);
        }
    }

  private:
    void read_array(uint32_t tag, const TIFFField* field, TIFFDataType type) {
        const void* data = nullptr;
        size_t count = 0;
        if (TIFFFieldReadCount(field) == TIFF_VARIABLE2) {
            uint32_t n = 0;
            if (TIFFGetField(tiff_, tag, &n, &data) != 1) return;
            count = n;
        } else {
            uint16_t n = 0;
            if (TIFFGetField(tiff_, tag, &n, &data) != 1) return;
            count = n;
        }
        if (data == nullptr || count == 0) return;
        if (type == TIFF_ASCII) {
            values_.set_text(tag, {static_cast<const char*>(data), count});
        } else {
            convert(tag, type, static_cast<size_t>(TIFFFieldSetGetSize(field)), data);
        }
    }

    void read_one(uint32_t tag, const TIFFField* field, TIFFDataType type) {
        // As large as any single value; the library writes only the field's own size.
        std::array<std::byte, 16> value{};
        if (TIFFGetField(tiff_, tag, value.data()) != 1) return;
        convert(tag, type, static_cast<size_t>(TIFFFieldSetGetSize(field)), value.data());
    }

    template <typename T>
    void keep(uint32_t tag, const void* data) {
        T value{};
        std::memcpy(&value, data, sizeof value);
        values_.set_numbers(tag, {static_cast<double>(value)});
    }

    /// The first value, which is in native byte order and `size` bytes large.
    void convert(uint32_t tag, TIFFDataType type, size_t size, const void* data) {
        switch (type) {
            case TIFF_RATIONAL:
            case TIFF_SRATIONAL:
            case TIFF_FLOAT:
            case TIFF_DOUBLE:
                size == 8 ? keep<double>(tag, data) : keep<float>(tag, data);
                break;
            case TIFF_SHORT:
                if (size == 2) keep<uint16_t>(tag, data);
                break;
            case TIFF_LONG:
            case TIFF_IFD:
                if (size == 4) keep<uint32_t>(tag, data);
                break;
            case TIFF_BYTE:
            case TIFF_UNDEFINED:
                if (size == 1) keep<uint8_t>(tag, data);
                break;
            default:
                break;
        }
    }

    TIFF* tiff_;
    TagValues& values_;
};

/// The interoperability directory's index, a text of four bytes inside its entry (DCF 2.0). The
/// library has no reader for that directory.
void read_interoperability(const FrameFile& file, int64_t at, bool big_endian, TagValues& values) {
    std::array<uint8_t, 2 + 12 * 8> bytes{};
    const size_t got = file.read_at(at, bytes);
    const auto short_at = [&](size_t i) {
        return static_cast<unsigned>(big_endian ? bytes[i] << 8 | bytes[i + 1]
                                                : bytes[i + 1] << 8 | bytes[i]);
    };
    if (got < 2) return;
    for (size_t entry = 2, i = 0; i < short_at(0) && entry + 12 <= got; ++i, entry += 12) {
        if (short_at(entry) != 1 || short_at(entry + 2) != 2) continue;
        values.set_text(kInteroperabilityIndex,
                        {reinterpret_cast<const char*>(&bytes[entry + 8]), 4});
    }
}

/// The directory of positions, which must be the current one.
void read_position(TIFF* tiff, TagValues& values) {
    for (const uint32_t tag : {kLatitude, kLongitude}) {
        const double* three = nullptr;
        if (TIFFGetField(tiff, tag - kPositionTags, &three) == 1 && three != nullptr) {
            values.set_numbers(tag, {three[0], three[1], three[2]});
        }
    }
    TagValues found;
    FieldReader reader(tiff, found);
    for (const uint32_t tag : {kLatitudeRef, kLongitudeRef, kAltitudeRef, kAltitude}) {
        reader.read(tag - kPositionTags);
        const std::optional<double> number = found.number(tag - kPositionTags);
        if (number) values.set_numbers(tag, {*number});
        values.set_text(tag, found.text(tag - kPositionTags));
    }
}

/// The Exif directory, when the current one points to it.
void read_exif(TIFF* tiff, const FrameFile& file, TagValues& values) {
    FieldReader reader(tiff, values);
    toff_t exif = 0;
    if (TIFFGetField(tiff, TIFFTAG_EXIFIFD, &exif) != 1 || TIFFReadEXIFDirectory(tiff, exif) != 1) {
        return;
    }
    for (const Tag tag : known_tags()) reader.read(tag);
    constexpr uint32_t kInteroperabilityPointer = 0xA005;
    TagValues pointer;
    FieldReader(tiff, pointer).read(kInteroperabilityPointer);
    const std::optional<double> at = pointer.number(kInteroperabilityPointer);
    if (at) {
        read_interoperability(file, static_cast<int64_t>(*at), TIFFIsBigEndian(tiff) != 0, values);
    }
}

void read_directories(TIFF* tiff, const FrameFile& file, TagValues& values) {
    FieldReader reader(tiff, values);
    for (const Tag tag : known_tags()) reader.read(tag);
    toff_t position = 0;
    const bool placed = TIFFGetField(tiff, TIFFTAG_GPSIFD, &position) == 1;
    read_exif(tiff, file, values);
    if (placed && TIFFReadGPSDirectory(tiff, position) == 1) read_position(tiff, values);
}

}  // namespace

void read_tiff(const FrameFile& file, TagValues& values) {
    const std::unique_ptr<TIFFOpenOptions, FreeOptions> options(TIFFOpenOptionsAlloc());
    if (!options) return;
    TIFFOpenOptionsSetErrorHandlerExtR(options.get(), silence, nullptr);
    TIFFOpenOptionsSetWarningHandlerExtR(options.get(), silence, nullptr);
    // A damaged count must not take the machine's memory.
    constexpr tmsize_t kMostBytes = tmsize_t{1} << 26;
    TIFFOpenOptionsSetMaxSingleMemAlloc(options.get(), kMostBytes);
    Stream stream{file, 0, nullptr};
    {
        // Not mapped (a file that shrinks would kill the process), strip tables only on demand.
        const std::unique_ptr<TIFF, Close> tiff(TIFFClientOpenExt(
            file.name().c_str(), "rmO", &stream, read_stream, write_nothing, seek_stream, keep_open,
            stream_size, nullptr, nullptr, options.get()));
        if (tiff) read_directories(tiff.get(), file, values);
    }
    if (stream.failed) std::rethrow_exception(stream.failed);
}

}  // namespace broadloom::tags_detail
