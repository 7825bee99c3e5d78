/// What the raw values of a photograph's tags mean (Exif 2.3 = CIPA DC-008; DCF 2.0 = CIPA DC-009).
#include <algorithm>
#include <array>
#include <bit>
#include <chrono>
#include <cmath>
#include <limits>
#include <vector>

#include "io/photo_tags_detail.hpp"

namespace broadloom {
namespace tags_detail {
namespace {

constexpr std::array kTags{kImageDescription,
                           kMake,
                           kModel,
                           kOrientation,
                           kDateTime,
                           kArtist,
                           kCopyright,
                           kExposureTime,
                           kFNumber,
                           kIso,
                           kStandardSensitivity,
                           kRecommendedExposureIndex,
                           kIsoSpeed,
                           kDateTimeOriginal,
                           kDateTimeDigitized,
                           kExposureBias,
                           kSubjectDistance,
                           kFlash,
                           kFocalLength,
                           kSubSecTime,
                           kSubSecTimeOriginal,
                           kSubSecTimeDigitized,
                           kColorSpace,
                           kPixelXDimension,
                           kPixelYDimension,
                           kFocalPlaneX,
                           kFocalPlaneY,
                           kFocalPlaneUnit,
                           kExposureMode,
                           kWhiteBalance,
                           kFocalLength35,
                           kBodySerial,
                           kLensModel,
                           kInteroperabilityIndex,
                           kLatitudeRef,
                           kLatitude,
                           kLongitudeRef,
                           kLongitude,
                           kAltitudeRef,
                           kAltitude};
static_assert(std::is_sorted(kTags.begin(), kTags.end()));

constexpr double kInfinite = std::numeric_limits<double>::infinity();

bool is_space(char c) { return c == ' ' || c == '\0' || (c >= '\t' && c <= '\r'); }

/// Above zero and not above `most`; else absent.
std::optional<double> positive(const TagValues& values, uint32_t tag, double most) {
    const std::optional<double> v = values.number(tag);
    return v && *v > 0 && *v <= most ? v : std::nullopt;
}

/// A whole number of 0..most.
std::optional<int64_t> whole(const TagValues& values, uint32_t tag, double most) {
    const std::optional<double> v = values.number(tag);
    if (!v || *v < 0 || *v > most || *v != std::floor(*v)) return std::nullopt;
    return static_cast<int64_t>(*v);
}

std::optional<double> pixels_per_mm(const TagValues& values, uint32_t tag) {
    const int64_t unit =
        whole(values, kFocalPlaneUnit, 65535).value_or(2);  // the standard's default
    const double mm = unit == 2 ? 25.4 : unit == 3 ? 10 : unit == 4 ? 1 : unit == 5 ? 0.001 : 0;
    const std::optional<double> v = positive(values, tag, 1e12);
    if (!v || mm == 0) return std::nullopt;
    // Pixels of 0.1 um to 10 mm; anything else is a slip in the unit or the number.
    const double density = *v / mm;
    return density >= 0.1 && density <= 1e4 ? std::optional(density) : std::nullopt;
}

/// Exif 2.3: 65535 means "65535 or more", told in full by one of the later tags.
std::optional<double> sensitivity(const TagValues& values) {
    constexpr double kMost = 1e8;
    const std::optional<double> iso = positive(values, kIso, kMost);
    if (iso && *iso != 65535) return iso;
    for (const Tag tag : {kRecommendedExposureIndex, kStandardSensitivity, kIsoSpeed}) {
        const std::optional<double> more = positive(values, tag, kMost);
        if (more) return more;
    }
    return iso;
}

/// Degrees, minutes and seconds with a letter for the side; nullopt unless all of it makes sense.
std::optional<double> angle(const TagValues& values, uint32_t tag, uint32_t ref, char plus,
                            char minus, double most) {
    const std::vector<double> parts = values.numbers(tag);
    const std::string side = values.text(ref);
    if (parts.size() < 3 || side.empty() || (side[0] != plus && side[0] != minus)) {
        return std::nullopt;
    }
    double degrees = 0, unit = 1;
    for (size_t i = 0; i < 3; ++i) {
        if (!std::isfinite(parts[i]) || parts[i] < 0) return std::nullopt;
        degrees += parts[i] / unit;
        unit *= 60;
    }
    if (degrees > most) return std::nullopt;
    return side[0] == minus ? -degrees : degrees;
}

std::optional<GeoPosition> position(const TagValues& values) {
    const std::optional<double> latitude = angle(values, kLatitude, kLatitudeRef, 'N', 'S', 90);
    const std::optional<double> longitude = angle(values, kLongitude, kLongitudeRef, 'E', 'W', 180);
    if (!latitude || !longitude) return std::nullopt;
    // Receivers without a fix write zeros.
    if (*latitude == 0 && *longitude == 0) return std::nullopt;
    GeoPosition place{*latitude, *longitude, std::nullopt};
    const std::optional<double> altitude = values.number(kAltitude);
    if (altitude && *altitude >= 0 && *altitude < 1e5) {
        place.altitude_m = values.number(kAltitudeRef) == 1.0 ? -*altitude : *altitude;
    }
    return place;
}

void set_time(const TagValues& values, PhotoTags& tags) {
    struct Pair {
        Tag date, subsec;
    };
    for (const auto& [date, subsec] :
         {Pair{kDateTimeOriginal, kSubSecTimeOriginal},
          Pair{kDateTimeDigitized, kSubSecTimeDigitized}, Pair{kDateTime, kSubSecTime}}) {
        const std::string text = values.text(date), digits = values.text(subsec);
        tags.time_s = capture_seconds(text, digits);
        if (!tags.time_s) continue;
        tags.time_text = text;
        tags.time_taken = date == kDateTimeOriginal;
        if (!digits.empty()) tags.time_text.append(".").append(digits);
        return;
    }
}

}  // namespace

std::span<const Tag> known_tags() { return kTags; }

bool is_known_tag(uint32_t tag) { return std::binary_search(kTags.begin(), kTags.end(), tag); }

size_t type_bytes(unsigned type) {
    constexpr std::array<uint8_t, 13> kBytes{0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8};
    return type < kBytes.size() ? kBytes[type] : 0;
}

std::string trimmed(std::string_view text, size_t most) {
    while (!text.empty() && is_space(text.front())) text.remove_prefix(1);
    text = text.substr(0, most);
    while (!text.empty() && is_space(text.back())) text.remove_suffix(1);
    return std::string(text);
}

void TagValues::set_numbers(uint32_t tag, const std::vector<double>& numbers) {
    if (!numbers.empty()) numbers_.try_emplace(tag, numbers);
}

void TagValues::set_text(uint32_t tag, std::string_view text) {
    constexpr size_t kMostWritten = 2000;
    const bool written = tag == kArtist || tag == kCopyright || tag == kImageDescription;
    const std::string_view first = text.substr(0, text.find('\0'));
    texts_.try_emplace(tag, written ? trimmed(first, kMostWritten) : trimmed(first));
}

void TagValues::set_bytes(uint32_t tag, unsigned type, std::span<const uint8_t> bytes,
                          bool big_endian) {
    const size_t size = type_bytes(type);
    if (size == 0) return;
    const auto part = [&](size_t at, size_t length) {
        uint64_t value = 0;
        for (size_t i = 0; i < length; ++i) {
            value = value << 8 | bytes[at + (big_endian ? i : length - 1 - i)];
        }
        return value;
    };
    constexpr unsigned kAscii = 2, kUndefined = 7;
    if (type == kAscii || type == kUndefined) {
        set_text(tag, {reinterpret_cast<const char*>(bytes.data()), bytes.size()});
        if (type == kAscii) return;
    }
    constexpr size_t kMostNumbers = 4;  // no tag of the table has more
    std::vector<double> numbers;
    for (size_t at = 0; at + size <= bytes.size() && numbers.size() < kMostNumbers; at += size) {
        switch (type) {
            case 5: {  // unsigned ratio
                const uint64_t n = part(at, 4), d = part(at + 4, 4);
                numbers.push_back(d == 0 || n == 0xFFFFFFFF
                                      ? kInfinite
                                      : static_cast<double>(n) / static_cast<double>(d));
                break;
            }
            case 10: {  // signed ratio
                const auto n = static_cast<int32_t>(part(at, 4));
                const auto d = static_cast<int32_t>(part(at + 4, 4));
                numbers.push_back(d == 0 ? kInfinite : static_cast<double>(n) / d);
                break;
            }
            case 6:
                numbers.push_back(static_cast<int8_t>(part(at, 1)));
                break;
            case 8:
                numbers.push_back(static_cast<int16_t>(part(at, 2)));
                break;
            case 9:
                numbers.push_back(static_cast<int32_t>(part(at, 4)));
                break;
            case 11:
                numbers.push_back(
                    static_cast<double>(std::bit_cast<float>(static_cast<uint32_t>(part(at, 4)))));
                break;
            case 12:
                numbers.push_back(std::bit_cast<double>(part(at, 8)));
                break;
            default:
                numbers.push_back(static_cast<double>(part(at, size)));
                break;
        }
    }
    set_numbers(tag, numbers);
}

std::optional<double> TagValues::number(uint32_t tag) const {
    const auto found = numbers_.find(tag);
    if (found == numbers_.end() || !std::isfinite(found->second.front())) return std::nullopt;
    return found->second.front();
}

std::vector<double> TagValues::numbers(uint32_t tag) const {
    const auto found = numbers_.find(tag);
    return found == numbers_.end() ? std::vector<double>() : found->second;
}

std::string TagValues::text(uint32_t tag) const {
    const auto found = texts_.find(tag);
    return found == texts_.end() ? std::string() : found->second;
}

PhotoTags interpret(const TagValues& values) {
    PhotoTags tags;
    tags.make = values.text(kMake);
    tags.model = values.text(kModel);
    tags.lens = values.text(kLensModel);
    tags.serial = values.text(kBodySerial);
    tags.artist = values.text(kArtist);
    tags.copyright = values.text(kCopyright);
    tags.description = values.text(kImageDescription);
    tags.position = position(values);
    // The limits are far beyond any camera; above them a number is a slip.
    tags.exposure_s = positive(values, kExposureTime, 1e7);
    tags.f_number = positive(values, kFNumber, 1e4);
    tags.iso = sensitivity(values);
    tags.focal_mm = positive(values, kFocalLength, 1e5);
    tags.focal_35mm = positive(values, kFocalLength35, 1e5);
    const std::optional<double> bias = values.number(kExposureBias);
    if (bias && std::abs(*bias) <= 100) tags.exposure_bias_ev = bias;
    tags.focus_distance_m = positive(values, kSubjectDistance, 1e6);
    tags.manual_focus = values.manual_focus;

    const std::optional<int64_t> balance = whole(values, kWhiteBalance, 1);
    if (balance) tags.auto_white_balance = *balance == 0;
    const std::optional<int64_t> mode = whole(values, kExposureMode, 2);
    if (mode) tags.auto_bracket = *mode == 2;
    // A bracket's exposures may be stepped around a manual or an automatic one.
    if (mode && *mode != 2) tags.auto_exposure = *mode == 0;
    const std::optional<int64_t> flash = whole(values, kFlash, 65535);
    if (flash) tags.flash_fired = (*flash & 1) != 0;

    const std::optional<int64_t> orientation = whole(values, kOrientation, 8);
    if (orientation && *orientation > 0) tags.orientation = static_cast<int>(*orientation);
    tags.focal_plane_x_per_mm = pixels_per_mm(values, kFocalPlaneX);
    tags.focal_plane_y_per_mm = pixels_per_mm(values, kFocalPlaneY);
    constexpr double kMostPixels = 1e9;
    const std::optional<int64_t> width = whole(values, kPixelXDimension, kMostPixels);
    const std::optional<int64_t> height = whole(values, kPixelYDimension, kMostPixels);
    if (width && *width > 0) tags.exif_width = width;
    if (height && *height > 0) tags.exif_height = height;
    set_time(values, tags);
    tags.adobe_rgb =
        values.number(kColorSpace) == 65535.0 && values.text(kInteroperabilityIndex) == "R03";
    return tags;
}

}  // namespace tags_detail

std::optional<double> capture_seconds(const std::string& date_time, const std::string& subsec) {
    const std::string text = tags_detail::trimmed(date_time);
    constexpr std::string_view kForm = "0000:00:00 00:00:00";
    if (text.size() < kForm.size()) return std::nullopt;
    std::array<int, 6> parts{};
    size_t part = 0;
    for (size_t i = 0; i < kForm.size(); ++i) {
        const char c = text[i];
        if (kForm[i] == '0') {
            if (c < '0' || c > '9') return std::nullopt;
            parts[part] = parts[part] * 10 + (c - '0');
            continue;
        }
        // Some writers take the separators of ISO 8601.
        const bool fits = kForm[i] == ' ' ? c == ' ' || c == 'T'
                          : i < 10        ? c == ':' || c == '-' || c == '/'
                                          : c == ':';
        if (!fits) return std::nullopt;
        ++part;
    }
    if (text.size() > kForm.size() && text[kForm.size()] >= '0' && text[kForm.size()] <= '9') {
        return std::nullopt;
    }
    using namespace std::chrono;
    const year_month_day date{year(parts[0]), month(static_cast<unsigned>(parts[1])),
                              day(static_cast<unsigned>(parts[2]))};
    if (parts[0] == 0 || !date.ok() || parts[3] > 23 || parts[4] > 59 || parts[5] > 59) {
        return std::nullopt;
    }
    const auto whole = static_cast<double>((sys_days(date).time_since_epoch() + hours(parts[3]) +
                                            minutes(parts[4]) + seconds(parts[5]))
                                               .count());
    // Digits after the point; anything else says nothing.
    double fraction = 0, unit = 0.1;
    for (const char c : tags_detail::trimmed(subsec)) {
        if (c < '0' || c > '9') return whole;
        fraction += unit * (c - '0');
        unit /= 10;
    }
    return whole + fraction;
}

}  // namespace broadloom
