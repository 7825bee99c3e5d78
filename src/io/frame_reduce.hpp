/// Decoded frames made smaller still.
#pragma once

#include <cstdint>
#include <vector>

#include "io/frame_reader.hpp"

namespace broadloom {

/// Averages blocks of factor x factor samples of every plane (partial blocks at the right and
/// bottom edges average what exists), rounding half up; borders are replicated. `factor` is a power
/// of two, `pixels` were decoded from `info`.
void reduce_pixels(const FramePixels& pixels, const FrameInfo& info, int factor, FramePixels& out);

/// Fine contrast of a frame: for each block of factor x factor samples of its luma (green where it
/// has none) the mean absolute Laplacian (centre minus the mean of its four neighbours), 8-bit
/// levels times 8, limited to 255.
struct DetailMap {
    int64_t width = 0, height = 0;
    std::vector<uint8_t> value;  ///< row by row
};
DetailMap fine_contrast(const FramePixels& pixels, int factor);

}  // namespace broadloom
