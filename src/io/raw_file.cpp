/// Camera raw files through LibRaw: telling, probing and developing them.
#include "io/raw_file.hpp"

#include <libraw/libraw.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <new>

#include "base/parallel.hpp"
#include "base/text.hpp"
#include "io/photo_tags_detail.hpp"
#include "io/raw_detail.hpp"

namespace broadloom {
namespace {

using frame_detail::FrameFile;
using frame_detail::refuse;
using tags_detail::TagValues;

/// Takes Exif values as LibRaw comes across them. Directories of the TIFF structure are counted
/// from 1 above bit 20, the Exif directory is 0, that of positions 5 and the maker's notes have
/// other numbers.
void take_tag(void* context, int tag, int type, int count, unsigned order, void* stream, INT64) {
    constexpr int kFirstDirectory = 1 << 4;
    constexpr int kPositions = 5;
    constexpr size_t kMostBytes = 4096;
    const int directory = tag >> 16;
    const auto number = static_cast<uint32_t>(tag & 0xFFFF) +
                        (directory == kPositions ? tags_detail::kPositionTags : 0U);
    const size_t size = tags_detail::type_bytes(static_cast<unsigned>(type));
    if ((directory != 0 && directory != kFirstDirectory && directory != kPositions) ||
        !tags_detail::is_known_tag(number) || count <= 0 || size == 0) {
        return;
    }
    std::vector<uint8_t> bytes(std::min(kMostBytes / size, static_cast<size_t>(count)) * size);
    const int got =
        static_cast<LibRaw_abstract_datastream*>(stream)->read(bytes.data(), 1, bytes.size());
    bytes.resize(static_cast<size_t>(std::clamp(got, 0, static_cast<int>(bytes.size()))));
    constexpr unsigned kMotorola = 0x4D4D;
    static_cast<TagValues*>(context)->set_bytes(number, static_cast<unsigned>(type), bytes,
                                                order == kMotorola);
}

void note_damage(void* context, const char*, int) { *static_cast<bool*>(context) = true; }

/// One open raw file.
class RawFile {
  public:
    RawFile(const std::filesystem::path& path, const std::string& name)
        : name_(escaped(name)),
          raw_(new LibRaw(LIBRAW_OPIONS_NO_MEMERR_CALLBACK | LIBRAW_OPIONS_NO_DATAERR_CALLBACK)),
          opened_(open(path)) {}

    [[nodiscard]] bool opened() const {
        const libraw_image_sizes_t& sizes = raw_->imgdata.sizes;
        return opened_ == LIBRAW_SUCCESS && raw_->imgdata.idata.raw_count > 0 && sizes.width > 0 &&
               sizes.height > 0;
    }
    void expect_opened() const {
        check(opened_);
        if (!opened()) refuse_file("no picture in it");
    }

    /// Throws when LibRaw reports an error or met damage on the way.
    void check(int result) const {
        if (damaged_) {
            refuse(name_,
                   "the raw picture data are damaged or incomplete: copy the file again, or leave "
                   "the frame out");
        }
        if (result == LIBRAW_SUCCESS) return;
        const std::string words = escaped(libraw_strerror(result));
        if (result > 0 || result == LIBRAW_UNSUFFICIENT_MEMORY) {
            throw Error(ErrorCode::machine, name_ +
                                                ": the machine refused while the raw file was "
                                                "read (" +
                                                words + "): free memory or check the disk");
        }
        refuse_file(words);
    }
    [[noreturn]] void refuse_file(const std::string& words) const {
        refuse(name_, "LibRaw cannot read this camera raw file (" + words +
                          "): copy it again, or develop it to 16-bit TIFF first");
    }

    [[nodiscard]] LibRaw& raw() const { return *raw_; }
    [[nodiscard]] const libraw_data_t& data() const { return raw_->imgdata; }
    [[nodiscard]] PhotoTags tags() const;

  private:
    /// Last of the members to be set: the callbacks write to the others.
    int open(const std::filesystem::path& path) {
        raw_->set_exifparser_handler(take_tag, &values_);
        raw_->set_dataerror_handler(note_damage, &damaged_);
        return raw_->open_file(path.c_str());
    }

    std::string name_;
    TagValues values_;
    bool damaged_ = false;
    std::unique_ptr<LibRaw> raw_;  // after what its callbacks write to
    int opened_;
};

/// A fixed field that need not end with NUL.
template <size_t N>
std::string field_text(const char (&field)[N]) {
    const std::string_view text(field, N);
    return tags_detail::trimmed(text.substr(0, text.find('\0')));
}

void fill_if_absent(std::string& text, const std::string& other) {
    if (text.empty()) text = other;
}

void fill_if_absent(std::optional<double>& value, double other, double most) {
    if (!value && std::isfinite(other) && other > 0 && other <= most) value = other;
}

/// Where LibRaw tells the maker's focus mode, by the makers' numbers.
std::optional<bool> manual_focus(const libraw_data_t& data) {
    const libraw_makernotes_t& notes = data.makernotes;
    switch (data.idata.maker_index) {
        case LIBRAW_CAMERAMAKER_Canon:
            if (notes.canon.FocusMode == 3 || notes.canon.FocusMode == 6) return true;
            if (notes.canon.FocusMode >= 0 && notes.canon.FocusMode <= 2) return false;
            break;
        case LIBRAW_CAMERAMAKER_Nikon: {
            const std::string mode = field_text(notes.nikon.FocusMode);
            if (mode.rfind("MF", 0) == 0 || mode.rfind("MANUAL", 0) == 0) return true;
            if (mode.rfind("AF", 0) == 0) return false;
            break;
        }
        case LIBRAW_CAMERAMAKER_Fujifilm:
            if (notes.fuji.FocusMode <= 1) return notes.fuji.FocusMode == 1;
            break;
        default:
            break;
    }
    return std::nullopt;
}

PhotoTags RawFile::tags() const {
    PhotoTags tags = tags_detail::interpret(values_);
    const libraw_data_t& d = raw_->imgdata;
    fill_if_absent(tags.make, field_text(d.idata.make));
    fill_if_absent(tags.model, field_text(d.idata.model));
    fill_if_absent(tags.lens, field_text(d.lens.Lens));
    fill_if_absent(tags.serial, field_text(d.shootinginfo.BodySerial));
    fill_if_absent(tags.exposure_s, d.other.shutter, 1e7);
    fill_if_absent(tags.f_number, d.other.aperture, 1e4);
    fill_if_absent(tags.iso, d.other.iso_speed, 1e8);
    fill_if_absent(tags.focal_mm, d.other.focal_len, 1e5);
    fill_if_absent(tags.focal_35mm, d.lens.FocalLengthIn35mmFormat, 1e5);
    if (!tags.manual_focus) tags.manual_focus = manual_focus(d);
    return tags;
}

/// LibRaw's sign for a memory shortage of its own is an error code; what else may be short is ours.
template <typename Body>
auto with_memory_errors(const std::string& name, const Body& body) {
    try {
        return body();
    } catch (const std::bad_alloc&) {
        throw Error(ErrorCode::machine, escaped(name) +
                                            ": there is not enough memory for this raw file: free "
                                            "memory, or raise the limit");
    }
}

/// The camera's own white as multipliers with G = 1; its daylight where the file has none.
std::array<double, 4> camera_white(const libraw_colordata_t& color) {
    const auto usable = [](const float(&m)[4]) {
        return std::all_of(m, m + 3, [](float v) { return std::isfinite(v) && v > 0; });
    };
    const float(&m)[4] = usable(color.cam_mul) ? color.cam_mul : color.pre_mul;
    if (!usable(m)) return {1, 1, 1, 1};
    const double green = m[1];
    const double second = std::isfinite(m[3]) && m[3] > 0 ? m[3] : green;
    return {m[0] / green, 1, m[2] / green, second / green};
}

}  // namespace

bool is_raw_file(const std::filesystem::path& path, const std::string& name) {
    return with_memory_errors(name, [&] {
        {
            const FrameFile file(path, name);
            if (file.size() == 0) refuse(file.name(), "the file is empty: copy it again");
            if (frame_detail::has_raw_signature(file)) return true;
            const auto format = frame_detail::picture_format(file);
            if (format == frame_detail::FrameFormat::tiff) {
                return frame_detail::has_raw_directory(file);
            }
            if (format) return false;
        }
        // Containers without a signature that we know.
        return RawFile(path, name).opened();
    });
}

RawInfo probe_raw(const std::filesystem::path& path, const std::string& name) {
    return with_memory_errors(name, [&] {
        { const FrameFile readable(path, name); }  // says in clear words why not
        const RawFile file(path, name);
        file.expect_opened();
        RawInfo info;
        info.tags = file.tags();
        info.white = camera_white(file.data().color);
        info.sensor_width = file.data().sizes.raw_width;
        info.sensor_height = file.data().sizes.raw_height;
        info.mosaic = file.data().idata.filters != 0;
        file.check(file.raw().adjust_sizes_info_only());
        info.width = file.data().sizes.iwidth;
        info.height = file.data().sizes.iheight;
        return info;
    });
}

int64_t developed_bytes(const RawInfo& info) {
    // Deflate stores what it cannot shrink, at less than a thousandth more.
    const int64_t pixels = info.width * info.height * 6;
    constexpr int64_t kStrip = 128, kHead = 1 << 16;
    return pixels + pixels / 1000 + info.height * kStrip / 64 + kHead;
}

int64_t develop_memory_bytes(const RawInfo& info) {
    // Checked against VmHWM (man 5 proc) before and after a development, see the test.
    // LibRaw keeps the sensor's values beside four 16-bit values a pixel of the picture; a picture
    // that it turns or stretches afterwards (sensors at 45 degrees, pixels that are not square) is
    // there twice for a moment.
    const int64_t sensor = info.sensor_width * info.sensor_height;
    const int64_t picture = info.width * info.height;
    const bool reshaped = picture > sensor;
    int64_t bytes = sensor * (info.mosaic ? 2 : 8) + std::max(picture, sensor) * 8;
    if (reshaped) bytes += picture * 8;
    // Interpolation: a tile of 512x512 with 26 bytes a pixel for each thread. Writing: strips.
    constexpr int64_t kTile = 26 * 512 * 512;
    bytes += kTile * processor_count() + info.width * 64 * 6 * 3;
    constexpr int64_t kFixed = int64_t{16} << 20;  // LibRaw's tables and buffers
    return bytes + kFixed;
}

void develop_raw(const std::filesystem::path& path, const std::string& name,
                 const std::array<double, 4>& white, const std::filesystem::path& out) {
    with_memory_errors(name, [&] {
        for (size_t i = 0; i < 3; ++i) {
            if (!std::isfinite(white[i]) || white[i] <= 0) {
                throw Error(ErrorCode::internal,
                            escaped(name) + ": white balance multipliers must be above zero");
            }
        }
        { const FrameFile readable(path, name); }
        const RawFile file(path, name);
        file.expect_opened();
        libraw_output_params_t& params = file.raw().imgdata.params;
        for (size_t i = 0; i < 4; ++i) {
            params.user_mul[i] = static_cast<float>(i == 3 && white[i] <= 0 ? white[1] : white[i]);
        }
        params.use_auto_wb = 0;
        params.use_camera_wb = 0;
        params.no_auto_bright = 1;
        params.adjust_maximum_thr = 0;  // it would set each frame's white level by its brightest
        params.output_bps = 16;
        params.output_color = 1;  // sRGB primaries
        params.highlight = 0;
        params.half_size = 0;
        params.user_qual = 3;  // adaptive homogeneity-directed interpolation
        file.check(file.raw().unpack());
        file.check(file.raw().dcraw_process());

        // The picture stays where LibRaw keeps it: linear, as stored, four values a pixel. Taking
        // it from there saves the copy that LibRaw's own output would be.
        const libraw_data_t& d = file.data();
        const int64_t stored_width = d.sizes.width, stored_height = d.sizes.height;
        const int flip = d.sizes.flip;  // 1: mirrored, 2: upside down, 4: rows and columns swapped
        const bool swapped = (flip & 4) != 0;
        const int64_t width = swapped ? stored_height : stored_width;
        const int64_t height = swapped ? stored_width : stored_height;
        const auto at = [&](int64_t x, int64_t y) {
            int64_t row = swapped ? x : y, column = swapped ? y : x;
            if ((flip & 2) != 0) row = stored_height - 1 - row;
            if ((flip & 1) != 0) column = stored_width - 1 - column;
            return row * stored_width + column;
        };
        PhotoTags tags = file.tags();
        tags.exif_width = width;
        tags.exif_height = height;
        tags.orientation = 1;
        if (swapped) std::swap(tags.focal_plane_x_per_mm, tags.focal_plane_y_per_mm);
        const std::array<uint16_t, 65536>& curve = raw_detail::srgb_curve();
        const bool grey = d.idata.colors == 1;
        raw_detail::write_tiff(out, width, height, tags, [&](int64_t y, std::span<uint16_t> row) {
            const int64_t start = at(0, y), step = width > 1 ? at(1, y) - start : 0;
            for (int64_t x = 0; x < width; ++x) {
                const ushort* pixel = d.image[start + x * step];
                for (int c = 0; c < 3; ++c) {
                    row[static_cast<size_t>(x * 3 + c)] = curve[pixel[grey ? 0 : c]];
                }
            }
        });
    });
}

}  // namespace broadloom
