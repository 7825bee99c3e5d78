/// The largest rectangle of a picture of yes and no that holds yes only, found row by row: the
/// heights of the columns of yes that end at a row form a histogram, and the largest rectangle
/// under a histogram takes one pass with a stack (common knowledge of algorithm textbooks). Time is
/// proportional to the number of places, memory to the width.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "broadloom/rect.hpp"

namespace broadloom {

class LargestRectangle {
  public:
    /// With `wraps` the first and the last column are neighbours; a rectangle may then reach beyond
    /// the right edge, up to the whole width.
    explicit LargestRectangle(int64_t width, bool wraps);

    /// The next row, `width` values, 0 for no.
    void add_row(std::span<const uint8_t> row);

    /// After the last row: the rectangle, in places; empty when there is no yes. Of equal ones that
    /// which ends first.
    [[nodiscard]] Rect finish();

  private:
    void search();

    struct Open {
        int64_t from;
        int32_t height;
    };
    int64_t width_;
    bool wraps_;
    int64_t rows_ = 0;
    std::vector<int32_t> height_;  ///< of the column of yes that ends at the last row
    std::vector<Open> open_;       ///< rising heights
    Rect best_;
};

}  // namespace broadloom
