/// Frames decoded small, upright, for finding and comparing: grey for features, colour for
/// exposure and thumbnails. A pixel (x, y) of a reduced frame, continuous coordinates, is the pixel
/// (x d, y d) of the upright full-size frame, d = denominator, exactly.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "io/frame_reader.hpp"

namespace broadloom {

struct GreyImage {
    int64_t width = 0, height = 0;
    int denominator = 1;
    std::vector<uint8_t> pixels;  ///< sRGB-encoded luma, row by row
    [[nodiscard]] uint8_t at(int64_t x, int64_t y) const {
        return pixels[static_cast<size_t>(y * width + x)];
    }
};

struct ColourImage {
    int64_t width = 0, height = 0;
    int denominator = 1;
    std::vector<uint16_t> pixels;  ///< R, G, B, sRGB-encoded, 0..65535, row by row
    [[nodiscard]] const uint16_t* at(int64_t x, int64_t y) const {
        return pixels.data() + 3 * (y * width + x);
    }
};

/// The smallest of 1, 2, 4, 8 at which the frame has at most `most_pixels`; 8 when none does.
int reduction_for(const FrameInfo& info, int64_t most_pixels);

/// `orientation` (EXIF 1..8) turns the stored pixels upright. `scratch` is reused between calls.
/// Throws as decode_frame().
GreyImage read_grey(const std::filesystem::path& path, const std::string& name,
                    const FrameInfo& info, int orientation, int denominator, FramePixels& scratch);
ColourImage read_colour(const std::filesystem::path& path, const std::string& name,
                        const FrameInfo& info, int orientation, int denominator,
                        FramePixels& scratch);
/// Both from one decode.
void read_both(const std::filesystem::path& path, const std::string& name, const FrameInfo& info,
               int orientation, int denominator, FramePixels& scratch, GreyImage& grey,
               ColourImage& colour);

/// Memory that reading one takes at its peak, the images included.
size_t reduced_frame_bytes(const FrameInfo& info, int denominator);

}  // namespace broadloom
