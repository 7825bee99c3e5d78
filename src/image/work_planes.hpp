/// Reusable planes of working values (16-bit or float) that cover a rectangle in absolute
/// coordinates.
#pragma once

#include <cstdint>
#include <vector>

#include "broadloom/rect.hpp"

namespace broadloom {

/// One plane. Rows have a margin of kMargin values on each side, so that vector code and odd starts
/// may touch a little more than the rectangle.
template <typename T>
class WorkPlane {
  public:
    static constexpr int64_t kMargin = 16;

    /// Covers `rect` from now on; contents undefined (zero where never written). Memory grows only.
    void reset(const Rect& rect) {
        rect_ = rect;
        stride_ = rect.empty() ? 0 : rect.width() + 2 * kMargin;
        const auto needed = static_cast<size_t>(stride_ * (rect.empty() ? 0 : rect.height()));
        values_.reserve(needed);  // exactly: resize() alone would double
        if (values_.size() < needed) values_.resize(needed);
    }
    /// Pointer to (x, y) in absolute coordinates.
    [[nodiscard]] T* at(int64_t x, int64_t y) {
        return values_.data() + (y - rect_.y0) * stride_ + (x - rect_.x0) + kMargin;
    }
    [[nodiscard]] const T* at(int64_t x, int64_t y) const {
        return values_.data() + (y - rect_.y0) * stride_ + (x - rect_.x0) + kMargin;
    }
    [[nodiscard]] const Rect& rect() const { return rect_; }
    [[nodiscard]] int64_t stride() const { return stride_; }

  private:
    Rect rect_;
    int64_t stride_ = 0;
    std::vector<T> values_;
};

}  // namespace broadloom
