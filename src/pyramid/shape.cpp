#include <bit>
#include <cassert>

#include "broadloom/pyramid.hpp"

namespace broadloom {

namespace {

/// ceil(size / 2^steps); rounding up once gives the same as rounding up at each of the steps.
int64_t reduced(int64_t size, int steps) { return ((size - 1) >> steps) + 1; }

}  // namespace

int PyramidShape::levels() const {
    assert(width >= 1 && height >= 1 && tile >= 1 && overlap >= 0);
    return std::bit_width(static_cast<uint64_t>(std::max(width, height) - 1)) + 1;
}

int64_t PyramidShape::level_width(int level) const {
    assert(level >= 0 && level < levels());
    return reduced(width, levels() - 1 - level);
}

int64_t PyramidShape::level_height(int level) const {
    assert(level >= 0 && level < levels());
    return reduced(height, levels() - 1 - level);
}

int64_t PyramidShape::columns(int level) const { return ceil_div(level_width(level), tile); }

int64_t PyramidShape::rows(int level) const { return ceil_div(level_height(level), tile); }

Rect PyramidShape::cell_rect(int level, int64_t column, int64_t row) const {
    assert(column >= 0 && column < columns(level) && row >= 0 && row < rows(level));
    return {column * tile, row * tile, std::min((column + 1) * tile, level_width(level)),
            std::min((row + 1) * tile, level_height(level))};
}

Rect PyramidShape::tile_rect(int level, int64_t column, int64_t row) const {
    return intersect(cell_rect(level, column, row).grown(overlap),
                     {0, 0, level_width(level), level_height(level)});
}

int64_t PyramidShape::tile_count() const {
    int64_t count = 0;
    for (int level = 0; level < levels(); ++level) count += columns(level) * rows(level);
    return count;
}

int64_t PyramidShape::pixel_count() const {
    int64_t count = 0;
    for (int level = 0; level < levels(); ++level)
        count += level_width(level) * level_height(level);
    return count;
}

}  // namespace broadloom
