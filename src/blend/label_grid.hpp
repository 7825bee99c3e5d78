/// Which frame each pixel of the coarse canvas is taken from: the seams, decided once for a scene,
/// from which the labels of every canvas of that scene follow (blend/grid_labels).
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "broadloom/canvas.hpp"

namespace broadloom {

/// Frames have indices below this; labels are 16 bits wide.
inline constexpr size_t kMaxLabelledFrames = 32767;

struct LabelGrid {
    static constexpr int16_t kNobody = -1;

    // The canvas that the labels lie on, as in Canvas.
    Surface surface = Surface::sphere;
    double left_deg = 0, top_deg = 0, pixels_per_degree = 0;
    int64_t width = 0, height = 0;
    bool wraps = false;
    /// Index of the frame among the used ones, or kNobody; row by row.
    std::vector<int16_t> frame;

    LabelGrid() = default;
    /// Nobody everywhere.
    explicit LabelGrid(const Canvas& canvas);

    [[nodiscard]] size_t index(int64_t x, int64_t y) const {
        return static_cast<size_t>(y * width + x);
    }
    [[nodiscard]] int16_t at(int64_t x, int64_t y) const { return frame[index(x, y)]; }

    /// Lossless: geometry, run lengths of each row, a checksum. The same labels give the same
    /// bytes.
    [[nodiscard]] std::vector<uint8_t> pack() const;
    /// The reverse. Throws Error{input} for anything that pack() does not write and for grids of
    /// more than `max_pixels`; takes no more memory than these need.
    static LabelGrid unpack(std::span<const uint8_t> bytes, int64_t max_pixels);

    friend bool operator==(const LabelGrid&, const LabelGrid&) = default;
};

}  // namespace broadloom
