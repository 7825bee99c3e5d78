/// Frames decoded small, upright, for finding and comparing: grey for features, colour for
/// exposure and thumbnails. A pixel (x, y) of a reduced frame, continuous coordinates, is the pixel
/// (x d + offset_x, y d + offset_y) of the upright full-size frame, d = denominator, exactly. The
/// last stored column and row of blocks are left out where the frame's size is no multiple of d:
/// they average less than the others. Where the orientation flips an axis, what was left out lies
/// at the upright frame's left or top, so the offset there is the rest of that division; all other
/// offsets are 0.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "broadloom/rotation.hpp"
#include "io/frame_reader.hpp"

namespace broadloom {

struct GreyImage {
    int64_t width = 0, height = 0;
    int denominator = 1;
    int64_t offset_x = 0, offset_y = 0;  ///< full-size upright pixels, below the denominator
    std::vector<uint8_t> pixels;         ///< luma of the encoded values, row by row
    /// Continuous coordinates here to full-size upright ones, and back.
    [[nodiscard]] Vec2 to_full(Vec2 p) const {
        return {p.x * denominator + static_cast<double>(offset_x),
                p.y * denominator + static_cast<double>(offset_y)};
    }
    [[nodiscard]] Vec2 from_full(Vec2 p) const {
        return {(p.x - static_cast<double>(offset_x)) / denominator,
                (p.y - static_cast<double>(offset_y)) / denominator};
    }
    [[nodiscard]] uint8_t at(int64_t x, int64_t y) const {
        return pixels[static_cast<size_t>(y * width + x)];
    }
};

struct ColourImage {
    int64_t width = 0, height = 0;
    int denominator = 1;
    int64_t offset_x = 0, offset_y = 0;  ///< as in GreyImage
    std::vector<uint16_t> pixels;        ///< R, G, B, as encoded in the file, 0..65535, row by row
    [[nodiscard]] const uint16_t* at(int64_t x, int64_t y) const {
        return pixels.data() + 3 * (y * width + x);
    }
};

/// The smallest of 1, 2, 4, 8 at which the reduced frame has at most `most_pixels`; 8 when none
/// does.
int reduction_for(const FrameInfo& info, int64_t most_pixels);

/// `orientation` (EXIF 1..8) turns the stored pixels upright. `scratch` is reused between calls.
/// Throws as decode_frame().
GreyImage read_grey(const std::filesystem::path& path, const std::string& name,
                    const FrameInfo& info, int orientation, int denominator, FramePixels& scratch);
ColourImage read_colour(const std::filesystem::path& path, const std::string& name,
                        const FrameInfo& info, int orientation, int denominator,
                        FramePixels& scratch);
/// At full size the upright pixels x0 <= x < x0 + width, likewise y, which must lie in the frame;
/// the offsets say where they are.
ColourImage read_colour_piece(const std::filesystem::path& path, const std::string& name,
                              const FrameInfo& info, int orientation, int64_t x0, int64_t y0,
                              int64_t width, int64_t height, FramePixels& scratch);
/// Both from one decode.
void read_both(const std::filesystem::path& path, const std::string& name, const FrameInfo& info,
               int orientation, int denominator, FramePixels& scratch, GreyImage& grey,
               ColourImage& colour);

/// Memory that reading one takes at its peak, the images included.
size_t reduced_frame_bytes(const FrameInfo& info, int denominator);

}  // namespace broadloom
