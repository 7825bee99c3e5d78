/// A small writer of the camera data that a photograph carries (Exif 2.3 in an APP1 segment).
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace broadloom::test {

struct ExifData {
    std::string make, model, date_time;             ///< date_time as "2031:05:14 10:20:30"
    uint32_t exposure_num = 1, exposure_den = 250;  ///< seconds
    uint32_t aperture_tenths = 80;                  ///< f-number times 10
    uint16_t iso = 100;
    uint32_t focal_hundredths_mm = 5000;
    uint16_t focal_35mm = 50;  ///< whole mm, by diagonal
    uint32_t width = 0, height = 0;
};

/// The whole segment, marker included, to stand right after a JPEG's first two bytes.
/// Little-endian; orientation 1, exposure and white balance manual.
std::vector<uint8_t> exif_segment(const ExifData& data);

}  // namespace broadloom::test
