/// JPEG bytes as a camera writes them: pixels and camera data.
#pragma once

#include <cstdint>
#include <vector>

#include "support/exif_block.hpp"

namespace broadloom::test {

/// Encodes 8-bit R, G, B as baseline JPEG in 4:2:0 with the camera data behind the first marker.
/// Throws std::runtime_error when the encoder fails.
std::vector<uint8_t> exif_jpeg(const std::vector<uint8_t>& rgb, int64_t width, int64_t height,
                               int quality, const ExifData& exif);

}  // namespace broadloom::test
