#include "io/frame_reader.hpp"

#include <fcntl.h>
#if defined(__GLIBC__)
#include <malloc.h>
#endif
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>
#include <vips/vips.h>

#include <algorithm>
#include <cerrno>
#include <memory>
#include <mutex>
#include <system_error>

#include "base/text.hpp"
#include "io/frame_detail.hpp"
#include "io/output_profiles.hpp"
#include "io/photo_tags_detail.hpp"

namespace broadloom {

using frame_detail::FrameFile;
using frame_detail::FrameFormat;
using frame_detail::refuse;

namespace frame_detail {

void refuse(const std::string& name, const std::string& what, const std::string& details) {
    throw Error(ErrorCode::input, name + ": " + what, details);
}

FrameFile::FrameFile(const std::filesystem::path& path, const std::string& name)
    : name_(escaped(name)) {
    // Non-blocking, so that a pipe of that name cannot hold us up before it is refused.
    do {
        descriptor_ = open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    } while (descriptor_ < 0 && errno == EINTR);
    if (descriptor_ < 0) {
        const int why = errno;
        if (why == ENOENT || why == ENOTDIR) {
            refuse(name_, "there is no such file: correct the name, or leave the frame out");
        }
        const std::string text = std::generic_category().message(why);
        if (why == ELOOP || why == ENAMETOOLONG || why == ENXIO) {
            refuse(name_, "it cannot be opened (" + text + "): correct the name");
        }
        throw Error(ErrorCode::machine,
                    name_ + ": it cannot be opened (" + text + "): check its permissions");
    }
    struct stat status {};
    const bool known = fstat(descriptor_, &status) == 0;
    if (!known || !S_ISREG(status.st_mode)) {
        const bool folder = known && S_ISDIR(status.st_mode);
        close(descriptor_);
        refuse(name_, folder ? "it is a folder: name a picture file"
                             : "it is not a regular file: name a picture file");
    }
    size_ = status.st_size;
}

FrameFile::~FrameFile() { close(descriptor_); }

size_t FrameFile::read_at(int64_t offset, std::span<uint8_t> to) const {
    size_t done = 0;
    while (done < to.size()) {
        const ssize_t got = pread(descriptor_, to.data() + done, to.size() - done,
                                  static_cast<off_t>(offset + static_cast<int64_t>(done)));
        if (got < 0 && errno == EINTR) continue;
        if (got < 0) {
            throw Error(ErrorCode::machine, name_ + ": it cannot be read (" +
                                                std::generic_category().message(errno) +
                                                "): check the disk");
        }
        if (got == 0) break;
        done += static_cast<size_t>(got);
    }
    return done;
}

void FrameFile::expect_size(int64_t bytes) const {
    if (size_ != bytes) refuse(name_, "the file has changed since it was checked: start again");
}

Mapping::Mapping(size_t bytes) : bytes_(bytes) {
    if (bytes == 0) return;
    data_ = mmap(nullptr, bytes, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_POPULATE,
                 -1, 0);
    if (data_ == MAP_FAILED) {
        data_ = nullptr;
        throw Error(ErrorCode::machine,
                    "no memory for a file of " + std::to_string(bytes) + " bytes: free memory");
    }
}

Mapping::~Mapping() {
    if (data_ != nullptr) munmap(data_, bytes_);
}

}  // namespace frame_detail

namespace {

constexpr int64_t kMaxSide = 1000000;

struct Unref {
    void operator()(void* object) const { g_object_unref(object); }
};
using ImagePointer = std::unique_ptr<VipsImage, Unref>;
using RegionPointer = std::unique_ptr<VipsRegion, Unref>;

void swallow_log(const gchar*, GLogLevelFlags, const gchar*, gpointer) {}

/// Takes what libvips has to say about its last failures. Its buffer is shared by all threads, so
/// the words are a hint, never part of a decision.
std::string vips_words(const std::string& name) {
    char* words = vips_error_buffer_copy();
    std::string text = words == nullptr ? "" : words;
    g_free(words);
    constexpr size_t kMost = 500;
    if (text.size() > kMost) text.resize(kMost);
    while (!text.empty() && text.back() == '\n') text.pop_back();
    return text.empty() ? text : name + ": the decoder says: " + escaped(text);
}

/// Opens the first picture of a file for reading from top to bottom; null when the decoder refuses.
ImagePointer open_image(const FrameFile& file, FrameFormat format) {
    VipsSource* source = vips_source_new_from_descriptor(file.descriptor());
    if (source == nullptr) return nullptr;
    VipsImage* image = nullptr;
    int failed = 0;
    switch (format) {
        case FrameFormat::jpeg:
            failed =
                vips_jpegload_source(source, &image, "access", VIPS_ACCESS_SEQUENTIAL, nullptr);
            break;
        case FrameFormat::png:
            failed = vips_pngload_source(source, &image, "access", VIPS_ACCESS_SEQUENTIAL,
                                         "fail_on", VIPS_FAIL_ON_ERROR, nullptr);
            break;
        case FrameFormat::tiff:
            failed = vips_tiffload_source(source, &image, "access", VIPS_ACCESS_SEQUENTIAL,
                                          "fail_on", VIPS_FAIL_ON_ERROR, nullptr);
            break;
    }
    g_object_unref(source);
    return ImagePointer(failed != 0 ? nullptr : image);
}

bool has_profile(VipsImage* image) { return vips_image_get_typeof(image, VIPS_META_ICC_NAME) != 0; }

std::span<const uint8_t> profile_of(VipsImage* image) {
    const void* data = nullptr;
    size_t bytes = 0;
    if (vips_image_get_blob(image, VIPS_META_ICC_NAME, &data, &bytes) != 0) return {};
    return {static_cast<const uint8_t*>(data), bytes};
}

int orientation_of(VipsImage* image) {
    int value = 1;
    if (vips_image_get_typeof(image, VIPS_META_ORIENTATION) == 0 ||
        vips_image_get_int(image, VIPS_META_ORIENTATION, &value) != 0) {
        return 1;
    }
    return value >= 1 && value <= 8 ? value : 1;
}

/// Fills what a TIFF's or PNG's decoder knows; refuses what is no grey or RGB of 8 or 16 bits.
void describe_pixels(const std::string& name, VipsImage* image, FrameInfo& info) {
    info.stored_width = vips_image_get_width(image);
    info.stored_height = vips_image_get_height(image);
    const int bands = vips_image_get_bands(image);
    const VipsBandFormat format = vips_image_get_format(image);
    const VipsInterpretation space = vips_image_get_interpretation(image);
    if (space == VIPS_INTERPRETATION_CMYK) {
        refuse(name, "a picture in CMYK is not supported: convert it to RGB");
    }
    if (space == VIPS_INTERPRETATION_LAB || space == VIPS_INTERPRETATION_LABQ ||
        space == VIPS_INTERPRETATION_LABS || space == VIPS_INTERPRETATION_XYZ) {
        refuse(name, "a picture in Lab or XYZ is not supported: convert it to RGB");
    }
    if (format == VIPS_FORMAT_FLOAT || format == VIPS_FORMAT_DOUBLE ||
        space == VIPS_INTERPRETATION_scRGB) {
        refuse(name, "a picture of floating-point values is not supported: convert it to 16 bits");
    }
    if (format != VIPS_FORMAT_UCHAR && format != VIPS_FORMAT_USHORT) {
        refuse(name, "only 8 and 16 bits unsigned are supported: convert it to 16 bits");
    }
    // A picture of many bands without a meaning has MULTIBAND.
    const bool colour = space == VIPS_INTERPRETATION_sRGB || space == VIPS_INTERPRETATION_RGB16 ||
                        space == VIPS_INTERPRETATION_RGB;
    const bool grey = space == VIPS_INTERPRETATION_B_W || space == VIPS_INTERPRETATION_GREY16 ||
                      (space == VIPS_INTERPRETATION_MULTIBAND && bands == 1);
    if (!(colour && (bands == 3 || bands == 4)) && !(grey && (bands == 1 || bands == 2))) {
        refuse(name, "a picture of " + std::to_string(bands) +
                         " bands of no known meaning is not supported: convert it to RGB");
    }
    if (info.stored_width > kMaxSide || info.stored_height > kMaxSide) {
        refuse(name, "a picture of " + std::to_string(info.stored_width) + "x" +
                         std::to_string(info.stored_height) +
                         " pixels is too large (1000000 a side): cut it");
    }
    info.colour = colour ? FrameColour::rgb : FrameColour::grey;
    info.bits = format == VIPS_FORMAT_USHORT ? 16 : 8;
    info.alpha = bands > (colour ? 3 : 1);
}

/// Averages blocks of d x d samples on the way from rows of interleaved bands into planes.
template <typename T>
class BlockWriter {
  public:
    BlockWriter(FramePixels& pixels, int64_t stored_width, int64_t stored_height, int bands)
        : pixels_(pixels),
          width_(stored_width),
          height_(stored_height),
          bands_(bands),
          step_(pixels.denominator),
          sums_(step_ > 1 ? pixels.planes.size() * static_cast<size_t>(pixels.width) : 0) {}

    /// Row y of the picture; rows come in order.
    void add(int64_t y, const T* row) {
        for (size_t i = 0; i < pixels_.planes.size(); ++i) {
            const FramePlane& plane = pixels_.planes[i];
            T* out = reinterpret_cast<T*>(plane.origin + y / step_ * plane.stride);
            if (step_ == 1) {
                for (int64_t x = 0; x < width_; ++x) out[x] = row[x * bands_ + static_cast<int>(i)];
                continue;
            }
            uint32_t* sums = &sums_[i * static_cast<size_t>(pixels_.width)];
            if (y % step_ == 0) std::fill(sums, sums + pixels_.width, 0U);
            for (int64_t x = 0; x < width_; ++x) {
                sums[x / step_] += row[x * bands_ + static_cast<int>(i)];
            }
            if (y % step_ != step_ - 1 && y != height_ - 1) continue;
            const auto rows = static_cast<uint32_t>(y % step_ + 1);
            for (int64_t x = 0; x < pixels_.width; ++x) {
                const auto columns =
                    static_cast<uint32_t>(std::min<int64_t>(step_, width_ - x * step_));
                const uint32_t n = rows * columns;
                out[x] = static_cast<T>((sums[x] + n / 2) / n);
            }
        }
    }

  private:
    FramePixels& pixels_;
    int64_t width_, height_;
    int bands_;
    int64_t step_;
    std::vector<uint32_t> sums_;  // 64 samples of 16 bits stay below 2^22
};

template <typename T>
bool read_rows(VipsImage* image, const FrameInfo& info, FramePixels& pixels) {
    const RegionPointer region(vips_region_new(image));
    if (!region) return false;
    BlockWriter<T> writer(pixels, info.stored_width, info.stored_height,
                          vips_image_get_bands(image));
    constexpr int64_t kRows = 16;
    for (int64_t y = 0; y < info.stored_height; y += kRows) {
        const auto rows = static_cast<int>(std::min(kRows, info.stored_height - y));
        const VipsRect rect{0, static_cast<int>(y), static_cast<int>(info.stored_width), rows};
        if (vips_region_prepare(region.get(), &rect) != 0) return false;
        for (int i = 0; i < rows; ++i) {
            const auto* row = VIPS_REGION_ADDR(region.get(), 0, static_cast<int>(y) + i);
            writer.add(y + i, reinterpret_cast<const T*>(row));
        }
    }
    return true;
}

void give_heap_back() {
#if defined(__GLIBC__)
    malloc_trim(0);
#endif
}

}  // namespace

void start_frame_library() {
    static std::once_flag once;
    std::call_once(once, [] {
        if (VIPS_INIT("broadloom") != 0) {
            throw Error(ErrorCode::internal, "libvips cannot start", vips_words("libvips"));
        }
        vips_cache_set_max(0);
        vips_cache_set_max_mem(0);
        vips_cache_set_max_files(0);
        vips_concurrency_set(1);
        // Whatever is worth telling is thrown as an Error.
        g_log_set_handler("VIPS", static_cast<GLogLevelFlags>(G_LOG_LEVEL_MASK), swallow_log,
                          nullptr);
    });
}

FrameInfo probe_frame(const std::filesystem::path& path, const std::string& name) {
    start_frame_library();
    const FrameFile file(path, name);
    FrameInfo info;
    info.file_bytes = file.size();
    const FrameFormat format = frame_detail::sniff_format(file);
    switch (format) {
        case FrameFormat::jpeg:
            frame_detail::read_jpeg_header(file, info);
            break;
        case FrameFormat::png:
            break;
        case FrameFormat::tiff:
            frame_detail::check_tiff_header(file);
            break;
    }
    const ImagePointer image = open_image(file, format);
    if (!image) {
        refuse(file.name(),
               "its header is damaged, incomplete or of an unsupported kind: copy it again, or "
               "convert it to 8- or 16-bit RGB",
               vips_words(file.name()));
    }
    if (format != FrameFormat::jpeg) describe_pixels(file.name(), image.get(), info);
    if (format == FrameFormat::png) info.held_bytes = frame_detail::png_held_bytes(file, info);
    if (format == FrameFormat::tiff) info.held_bytes = frame_detail::tiff_held_bytes(file, info);
    info.orientation = orientation_of(image.get());
    if (has_profile(image.get())) {
        const std::span<const uint8_t> icc = profile_of(image.get());
        info.profile = frame_detail::profile_description(icc);
        info.icc = std::make_shared<const std::vector<uint8_t>>(icc.begin(), icc.end());
    } else if (tags_detail::read_tags(file, format).adobe_rgb) {
        info.profile = "Adobe RGB (1998)";  // DCF 2.0's option file: said by two tags alone
        info.icc =
            std::make_shared<const std::vector<uint8_t>>(output_profile(ColourSpace::adobe_rgb));
    }
    return info;
}

void decode_frame(const std::filesystem::path& path, const std::string& name, const FrameInfo& info,
                  int denominator, FramePixels& pixels) {
    frame_detail::check_decode_denominator(denominator);
    start_frame_library();
    const FrameFile file(path, name);
    file.expect_size(info.file_bytes);
    const FrameFormat format = frame_detail::sniff_format(file);
    if ((format == FrameFormat::jpeg) != info.jpeg) file.expect_size(-1);
    if (info.jpeg) {
        pixels.allocate(info, denominator);
        frame_detail::decode_jpeg(file, info, pixels);
    } else {
        const ImagePointer image = open_image(file, format);
        FrameInfo found;
        if (image) describe_pixels(file.name(), image.get(), found);
        if (image &&
            (found.stored_width != info.stored_width || found.stored_height != info.stored_height ||
             found.bits != info.bits || found.colour != info.colour)) {
            file.expect_size(-1);
        }
        pixels.allocate(info, denominator);
        const bool read = image && (info.bits > 8 ? read_rows<uint16_t>(image.get(), info, pixels)
                                                  : read_rows<uint8_t>(image.get(), info, pixels));
        if (!read) {
            refuse(file.name(),
                   "the picture data are damaged or incomplete: copy the file again, or leave the "
                   "frame out",
                   vips_words(file.name()));
        }
    }
    frame_detail::replicate_borders(pixels);
    // What the decoders gave back may stay in the heap, and would count against the budget.
    if (!info.jpeg || info.progressive) give_heap_back();
}

}  // namespace broadloom
