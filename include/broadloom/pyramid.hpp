/// Sizes of a picture's levels and tiles. Level `levels()-1` is the picture itself; level n is half
/// of level n + 1, rounded up; level 0 is one pixel. This is the deep-zoom numbering: the highest
/// level is ceil(log2(max(width, height))).
#pragma once

#include <cstdint>

#include "broadloom/rect.hpp"

namespace broadloom {

struct PyramidShape {
    int64_t width = 1, height = 1;  ///< of the picture, pixels, >= 1
    int64_t tile = 512;             ///< side of a tile without its overlap, >= 1
    int64_t overlap = 0;            ///< pixels that a tile shows of each neighbour

    /// ceil(log2(max(width, height))) + 1.
    [[nodiscard]] int levels() const;
    /// ceil(width / 2^(levels()-1-level)).
    [[nodiscard]] int64_t level_width(int level) const;
    [[nodiscard]] int64_t level_height(int level) const;
    /// ceil(level_width / tile).
    [[nodiscard]] int64_t columns(int level) const;
    [[nodiscard]] int64_t rows(int level) const;
    /// The tile's pixels on its level, without overlap, cut at the picture's edges.
    [[nodiscard]] Rect cell_rect(int level, int64_t column, int64_t row) const;
    /// The same with the overlap, cut at the picture's edges.
    [[nodiscard]] Rect tile_rect(int level, int64_t column, int64_t row) const;
    /// Tiles of all levels.
    [[nodiscard]] int64_t tile_count() const;
    /// Pixels of all levels, without overlap.
    [[nodiscard]] int64_t pixel_count() const;
};

}  // namespace broadloom
