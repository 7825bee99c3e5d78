/// What the readers of photo tags share: each container fills one table of raw values, and one
/// place judges what they mean. Not for other floors.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "io/frame_detail.hpp"
#include "io/photo_tags.hpp"

namespace broadloom::tags_detail {

/// Tags by their numbers in TIFF 6.0 and Exif 2.3 (the main and the Exif directory share no
/// number). The interoperability directory counts from 1 again and is set apart, so does the one of
/// positions.
enum Tag : uint32_t {
    kImageDescription = 0x010E,
    kMake = 0x010F,
    kModel = 0x0110,
    kOrientation = 0x0112,
    kDateTime = 0x0132,
    kArtist = 0x013B,
    kCopyright = 0x8298,
    kExposureTime = 0x829A,
    kFNumber = 0x829D,
    kIso = 0x8827,
    kStandardSensitivity = 0x8831,
    kRecommendedExposureIndex = 0x8832,
    kIsoSpeed = 0x8833,
    kDateTimeOriginal = 0x9003,
    kDateTimeDigitized = 0x9004,
    kExposureBias = 0x9204,
    kSubjectDistance = 0x9206,
    kFlash = 0x9209,
    kFocalLength = 0x920A,
    kSubSecTime = 0x9290,
    kSubSecTimeOriginal = 0x9291,
    kSubSecTimeDigitized = 0x9292,
    kColorSpace = 0xA001,
    kPixelXDimension = 0xA002,
    kPixelYDimension = 0xA003,
    kFocalPlaneX = 0xA20E,
    kFocalPlaneY = 0xA20F,
    kFocalPlaneUnit = 0xA210,
    kExposureMode = 0xA402,
    kWhiteBalance = 0xA403,
    kFocalLength35 = 0xA405,
    kBodySerial = 0xA431,
    kLensModel = 0xA434,
    kInteroperabilityIndex = 0x10001,
    kLatitudeRef = 0x20001,
    kLatitude = 0x20002,
    kLongitudeRef = 0x20003,
    kLongitude = 0x20004,
    kAltitudeRef = 0x20005,
    kAltitude = 0x20006,
};
inline constexpr uint32_t kPositionTags = 0x20000;  ///< added to the numbers of that directory

/// All of the above, in rising order.
std::span<const Tag> known_tags();
bool is_known_tag(uint32_t tag);

/// TIFF 6.0's type numbers 1 to 12: bytes a value; 0 for an unknown type.
size_t type_bytes(unsigned type);

/// Raw values of one photograph; the first value of a tag stays.
class TagValues {
  public:
    void set_numbers(uint32_t tag, const std::vector<double>& numbers);
    void set_text(uint32_t tag, std::string_view text);  ///< ends at the first NUL
    /// Values as they stand in a file: `type` by TIFF 6.0, `bytes` whole values in that byte order.
    /// Ratios of nothing, and those whose numerator says "infinite" (0xFFFFFFFF, Exif 2.3's
    /// SubjectDistance), become infinite.
    void set_bytes(uint32_t tag, unsigned type, std::span<const uint8_t> bytes, bool big_endian);

    [[nodiscard]] std::optional<double> number(uint32_t tag) const;  ///< the first one, finite
    /// All of them, finite or not; at most four.
    [[nodiscard]] std::vector<double> numbers(uint32_t tag) const;
    /// Trimmed, 200 bytes at most, 2000 of the texts that people write.
    [[nodiscard]] std::string text(uint32_t tag) const;

    std::optional<bool> manual_focus;

  private:
    std::map<uint32_t, std::vector<double>> numbers_;
    std::map<uint32_t, std::string> texts_;
};

/// Text without white space around it, limited to so many bytes.
std::string trimmed(std::string_view text, size_t most = 200);

/// Judges: what is absent, zero, not finite or nonsense is absent in the result.
PhotoTags interpret(const TagValues& values);

/// Adds what an Exif block holds (a TIFF structure, without "Exif\0\0" before it), by libexif.
void read_exif_block(std::span<const uint8_t> block, TagValues& values);

/// Adds what a TIFF file's first directory and its Exif directory hold, by libtiff.
void read_tiff(const frame_detail::FrameFile& file, TagValues& values);

/// The tags of an open file of a known format.
PhotoTags read_tags(const frame_detail::FrameFile& file, frame_detail::FrameFormat format);

}  // namespace broadloom::tags_detail
