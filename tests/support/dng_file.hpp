/// A camera raw file of an invented camera, made by hand: a DNG (Adobe DNG specification 1.4) with
/// a small picture first and an uncompressed 16-bit mosaic behind it.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <vector>

#include "support/exif_block.hpp"

namespace broadloom::test {

struct DngPicture {
    int width = 96, height = 64;  ///< of the mosaic (rows R G R G ..., G B G B ...)
    uint16_t black = 512, white = 15872;
    /// What white gives in the camera's R, G, B against its largest: the file's AsShotNeutral.
    std::array<double, 3> neutral{0.5, 1, 0.625};
    /// Linear sRGB light at a pixel's centre, 0..1; what the camera sees is this times `neutral`.
    std::function<std::array<double, 3>(int x, int y)> light;
    ExifData exif;
    bool thumbnail = true;  ///< a grey picture of 16x12 in the first directory
};

/// The camera's colour space is linear sRGB: its ColorMatrix1 is XYZ to sRGB (IEC 61966-2-1) at
/// D65. Orientation and camera data are those of `exif`.
std::vector<uint8_t> dng_file(const DngPicture& picture);

}  // namespace broadloom::test
