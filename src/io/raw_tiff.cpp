/// The developed picture as a file: 16-bit RGB TIFF with the photograph's tags, by libtiff.
#include <fcntl.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstdio>
#include <memory>
#include <system_error>
#include <vector>

#include "base/file_handle.hpp"
#include "base/file_io.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "io/raw_detail.hpp"

namespace broadloom::raw_detail {
namespace {

namespace fs = std::filesystem;

/// What the library had to say last, and why the system refused, if it did.
struct Words {
    std::string text;
    int error_number = 0;
};

int keep_words(TIFF*, void* user, const char*, const char* format, va_list values) {
    auto& words = *static_cast<Words*>(user);
    words.error_number = errno;
    char text[200];
    std::vsnprintf(text, sizeof text, format, values);
    words.text = text;
    return 1;
}

int no_words(TIFF*, void*, const char*, const char*, va_list) { return 1; }

struct Close {
    void operator()(TIFF* tiff) const { TIFFClose(tiff); }
};
struct FreeOptions {
    void operator()(TIFFOpenOptions* options) const { TIFFOpenOptionsFree(options); }
};
using Tiff = std::unique_ptr<TIFF, Close>;

/// A name that goes away unless it was kept.
class WorkingName {
  public:
    explicit WorkingName(fs::path path) : path_(std::move(path)) {}
    ~WorkingName() {
        if (!kept_) ::unlink(path_.c_str());
    }
    WorkingName(const WorkingName&) = delete;
    WorkingName& operator=(const WorkingName&) = delete;
    [[nodiscard]] const fs::path& path() const { return path_; }
    void keep() { kept_ = true; }

  private:
    fs::path path_;
    bool kept_ = false;
};

[[noreturn]] void fail(const fs::path& out, const Words& words) {
    if (words.error_number != 0) throw_file_error("write", out, words.error_number);
    throw Error(ErrorCode::machine, "cannot write " + escaped(out.native()) + ": " +
                                        escaped(words.text) + "; choose another folder");
}

void set_text(TIFF* tiff, uint32_t tag, const std::string& text) {
    if (!text.empty()) TIFFSetField(tiff, tag, text.c_str());
}

void set_ratio(TIFF* tiff, uint32_t tag, const std::optional<double>& value) {
    // What a ratio of 32-bit numbers can hold.
    if (value && std::abs(*value) < 2e9) TIFFSetField(tiff, tag, *value);
}

void set_short(TIFF* tiff, uint32_t tag, std::optional<int> value) {
    if (value) TIFFSetField(tiff, tag, *value);
}

std::optional<int> as_number(std::optional<bool> value, int if_true, int if_false) {
    return value ? std::optional(*value ? if_true : if_false) : std::nullopt;
}

/// Where the time's text has its fraction.
struct TimeText {
    std::string date, fraction;
    explicit TimeText(const std::string& text) {
        constexpr size_t kDate = 19;  // "2031:05:14 10:20:30"
        date = text.substr(0, kDate);
        if (text.size() > kDate + 1 && text[kDate] == '.') fraction = text.substr(kDate + 1);
    }
};

/// Writes the Exif directory; its offset, 0 when the library refuses.
uint64_t write_exif(TIFF* tiff, const PhotoTags& tags) {
    if (TIFFCreateEXIFDirectory(tiff) != 0) return 0;
    set_ratio(tiff, EXIFTAG_EXPOSURETIME, tags.exposure_s);
    set_ratio(tiff, EXIFTAG_FNUMBER, tags.f_number);
    if (tags.iso) {
        constexpr double kMost = 65535;
        const auto iso = static_cast<uint16_t>(std::min(std::round(*tags.iso), kMost));
        TIFFSetField(tiff, EXIFTAG_ISOSPEEDRATINGS, 1, &iso);
        if (*tags.iso >= kMost) {
            TIFFSetField(tiff, EXIFTAG_RECOMMENDEDEXPOSUREINDEX,
                         static_cast<uint32_t>(std::min(*tags.iso, 1e9)));
        }
    }
    const TimeText time(tags.time_text);
    set_text(tiff, EXIFTAG_DATETIMEORIGINAL, time.date);
    set_text(tiff, EXIFTAG_SUBSECTIMEORIGINAL, time.fraction);
    set_ratio(tiff, EXIFTAG_EXPOSUREBIASVALUE, tags.exposure_bias_ev);
    set_ratio(tiff, EXIFTAG_SUBJECTDISTANCE, tags.focus_distance_m);
    set_short(tiff, EXIFTAG_FLASH, as_number(tags.flash_fired, 1, 0));
    set_ratio(tiff, EXIFTAG_FOCALLENGTH, tags.focal_mm);
    set_short(tiff, EXIFTAG_COLORSPACE, 1);  // sRGB
    if (tags.exif_width) {
        TIFFSetField(tiff, EXIFTAG_PIXELXDIMENSION, static_cast<uint32_t>(*tags.exif_width));
    }
    if (tags.exif_height) {
        TIFFSetField(tiff, EXIFTAG_PIXELYDIMENSION, static_cast<uint32_t>(*tags.exif_height));
    }
    if (tags.focal_plane_x_per_mm || tags.focal_plane_y_per_mm) {
        constexpr int kCentimetre = 3;
        const auto per_cm = [](std::optional<double> per_mm) {
            return per_mm ? std::optional(*per_mm * 10) : std::nullopt;
        };
        set_ratio(tiff, EXIFTAG_FOCALPLANEXRESOLUTION, per_cm(tags.focal_plane_x_per_mm));
        set_ratio(tiff, EXIFTAG_FOCALPLANEYRESOLUTION, per_cm(tags.focal_plane_y_per_mm));
        set_short(tiff, EXIFTAG_FOCALPLANERESOLUTIONUNIT, kCentimetre);
    }
    if (tags.auto_bracket == true) {
        set_short(tiff, EXIFTAG_EXPOSUREMODE, 2);
    } else {
        set_short(tiff, EXIFTAG_EXPOSUREMODE, as_number(tags.auto_exposure, 0, 1));
    }
    set_short(tiff, EXIFTAG_WHITEBALANCE, as_number(tags.auto_white_balance, 0, 1));
    if (tags.focal_35mm && *tags.focal_35mm <= 65535) {
        set_short(tiff, EXIFTAG_FOCALLENGTHIN35MMFILM,
                  static_cast<int>(std::lround(*tags.focal_35mm)));
    }
    set_text(tiff, EXIFTAG_BODYSERIALNUMBER, tags.serial);
    set_text(tiff, EXIFTAG_LENSMODEL, tags.lens);
    uint64_t offset = 0;
    return TIFFWriteCustomDirectory(tiff, &offset) != 0 ? offset : 0;
}

/// Writes the directory of positions; its offset, 0 when there is none.
uint64_t write_position(TIFF* tiff, const GeoPosition& place) {
    TIFFFreeDirectory(tiff);
    if (TIFFCreateGPSDirectory(tiff) != 0) return 0;
    constexpr std::array<uint8_t, 4> kVersion{2, 3, 0, 0};
    const std::array<double, 3> latitude{std::abs(place.latitude_deg), 0, 0};
    const std::array<double, 3> longitude{std::abs(place.longitude_deg), 0, 0};
    TIFFSetField(tiff, GPSTAG_VERSIONID, kVersion.data());
    TIFFSetField(tiff, GPSTAG_LATITUDEREF, place.latitude_deg < 0 ? "S" : "N");
    TIFFSetField(tiff, GPSTAG_LATITUDE, latitude.data());
    TIFFSetField(tiff, GPSTAG_LONGITUDEREF, place.longitude_deg < 0 ? "W" : "E");
    TIFFSetField(tiff, GPSTAG_LONGITUDE, longitude.data());
    if (place.altitude_m) {
        set_short(tiff, GPSTAG_ALTITUDEREF, *place.altitude_m < 0 ? 1 : 0);
        set_ratio(tiff, GPSTAG_ALTITUDE, std::abs(*place.altitude_m));
    }
    uint64_t offset = 0;
    return TIFFWriteCustomDirectory(tiff, &offset) != 0 ? offset : 0;
}

constexpr uint32_t kStripRows = 64;

bool set_picture(TIFF* tiff, int64_t width, int64_t height, const PhotoTags& tags) {
    TIFFFreeDirectory(tiff);
    if (TIFFCreateDirectory(tiff) != 0) return false;
    constexpr int kFastDeflate = 3;
    TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, static_cast<uint32_t>(width));
    TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, static_cast<uint32_t>(height));
    TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, 16);
    TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, 3);
    TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_RGB);
    TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
    TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_ADOBE_DEFLATE);
    TIFFSetField(tiff, TIFFTAG_PREDICTOR, PREDICTOR_HORIZONTAL);
    TIFFSetField(tiff, TIFFTAG_ZIPQUALITY, kFastDeflate);
    TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, kStripRows);
    TIFFSetField(tiff, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT);
    set_text(tiff, TIFFTAG_MAKE, tags.make);
    set_text(tiff, TIFFTAG_MODEL, tags.model);
    set_text(tiff, TIFFTAG_ARTIST, tags.artist);
    set_text(tiff, TIFFTAG_COPYRIGHT, tags.copyright);
    set_text(tiff, TIFFTAG_IMAGEDESCRIPTION, tags.description);
    set_text(tiff, TIFFTAG_DATETIME, TimeText(tags.time_text).date);
    return true;
}

}  // namespace

const std::array<uint16_t, 65536>& srgb_curve() {
    static const std::array<uint16_t, 65536> curve = [] {
        std::array<uint16_t, 65536> c{};
        for (size_t i = 0; i < c.size(); ++i) {
            const double v = static_cast<double>(i) / 65535;
            const double e = v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055;
            c[i] = static_cast<uint16_t>(std::lround(e * 65535));
        }
        return c;
    }();
    return curve;
}

void write_tiff(const fs::path& out, int64_t width, int64_t height, const PhotoTags& tags,
                const std::function<void(int64_t y, std::span<uint16_t> row)>& fill) {
    WorkingName working(out.native() + ".part");
    FileHandle file(::open(working.path().c_str(), O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0666));
    if (!file.is_open()) {
        const int why = errno;
        working.keep();  // not ours
        throw_file_error("write", out, why);
    }
    const std::unique_ptr<TIFFOpenOptions, FreeOptions> options(TIFFOpenOptionsAlloc());
    if (!options) throw std::bad_alloc();
    Words words;
    TIFFOpenOptionsSetErrorHandlerExtR(options.get(), keep_words, &words);
    TIFFOpenOptionsSetWarningHandlerExtR(options.get(), no_words, nullptr);
    const int own = fcntl(file.get(), F_DUPFD_CLOEXEC, 0);  // libtiff closes it
    if (own < 0) throw_file_error("write", out, errno);
    // Offsets of 32 bits end at 4 GiB.
    constexpr int64_t kMostClassic = 4000000000;
    const bool big = width * height * 6 > kMostClassic;
    errno = 0;
    Tiff tiff(TIFFFdOpenExt(own, out.c_str(), big ? "w8m" : "wm", options.get()));
    if (!tiff) {
        ::close(own);
        fail(out, words);
    }
    const uint64_t exif = write_exif(tiff.get(), tags);
    const uint64_t position =
        exif != 0 && tags.position ? write_position(tiff.get(), *tags.position) : 0;
    if (exif == 0 || !set_picture(tiff.get(), width, height, tags)) fail(out, words);
    TIFFSetField(tiff.get(), TIFFTAG_EXIFIFD, exif);
    if (position != 0) TIFFSetField(tiff.get(), TIFFTAG_GPSIFD, position);
    const auto row_samples = static_cast<size_t>(width) * 3;
    std::vector<uint16_t> strip(row_samples * kStripRows);
    for (int64_t y = 0; y < height; y += kStripRows) {
        const int64_t rows = std::min<int64_t>(kStripRows, height - y);
        for (int64_t i = 0; i < rows; ++i) {
            fill(y + i,
                 std::span(strip).subspan(static_cast<size_t>(i) * row_samples, row_samples));
        }
        errno = 0;
        const auto bytes = static_cast<tmsize_t>(static_cast<size_t>(rows) * row_samples * 2);
        if (TIFFWriteEncodedStrip(tiff.get(), static_cast<uint32_t>(y / kStripRows), strip.data(),
                                  bytes) != bytes) {
            fail(out, words);
        }
    }
    errno = 0;
    words = {};
    if (TIFFFlush(tiff.get()) != 1) fail(out, words);
    tiff.reset();
    if (!words.text.empty()) fail(out, words);
    file.sync_checked(out);
    file.close_checked(out);
    if (::rename(working.path().c_str(), out.c_str()) != 0) throw_file_error("rename", out, errno);
    working.keep();
    sync_folder(out.has_parent_path() ? out.parent_path() : fs::path("."));
}

}  // namespace broadloom::raw_detail
