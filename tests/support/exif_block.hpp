/// A small writer of the camera data that a photograph carries (Exif 2.3 in an APP1 segment).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "support/tiff_directory.hpp"

namespace broadloom::test {

/// A numerator and a denominator, as they stand in the file.
using ExifRatio = std::pair<uint32_t, uint32_t>;

/// One entry as it stands in the file, sound or not: takes the place of what has its tag.
struct ExifEntry {
    uint16_t tag, type;
    uint32_t count;
    std::vector<uint8_t> bytes;
    bool main = false;  ///< in the main directory; else in the Exif directory
};

struct ExifData {
    std::string make, model, date_time;             ///< date_time as "2031:05:14 10:20:30"
    uint32_t exposure_num = 1, exposure_den = 250;  ///< seconds
    uint32_t aperture_tenths = 80;                  ///< f-number times 10
    uint16_t iso = 100;
    uint32_t focal_hundredths_mm = 5000;
    uint16_t focal_35mm = 50;  ///< whole mm, by diagonal
    uint32_t width = 0, height = 0;

    // What stands in the file only when it is given (numbers of the standard).
    std::string sub_second;  ///< digits
    uint16_t orientation = 1, flash = 0, exposure_mode = 1, white_balance = 1;
    std::optional<ExifRatio> exposure_bias;  ///< signed numerator in two's complement
    std::optional<ExifRatio> subject_distance;
    std::optional<ExifRatio> focal_plane_x, focal_plane_y;
    std::optional<uint16_t> focal_plane_unit;
    std::string serial, lens, maker_note;
    bool adobe_rgb = false;  ///< colour space "uncalibrated" and interoperability R03 (DCF 2.0)
    std::vector<ExifEntry> entries;
    std::vector<ExifEntry> position;  ///< the whole directory of positions (Exif 2.3, 4.6.6)
};

/// The two directories, without the pointer from the first to the second.
TiffDirectory exif_main_directory(const ExifData& data);
TiffDirectory exif_photo_directory(const ExifData& data);

/// The TIFF structure, as a PNG's eXIf chunk holds it. Little-endian.
std::vector<uint8_t> exif_block(const ExifData& data);

/// The whole segment, marker included, to stand right after a JPEG's first two bytes. Unless said
/// otherwise: orientation 1, exposure and white balance manual.
std::vector<uint8_t> exif_segment(const ExifData& data);

}  // namespace broadloom::test
