/// What a seam between two frames costs at a pixel, from how much they differ there.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>

#include "settle/seam_solver.hpp"

namespace broadloom {

/// Whole numbers stand for costs, so that sums have no order.
inline constexpr int32_t kSeamUnit = 256;
inline constexpr int32_t kSeamLength = 64;  ///< each step of a seam
/// And each step that only one of the two frames sees both sides of: blending has no room there.
inline constexpr int32_t kSeamAtBorder = 1024;
inline constexpr int32_t kDifferenceUnit = 4;
/// Differences cost this much at most, in kDifferenceUnit.
inline constexpr float kMostDifference = 65535;

/// Columns of a canvas, counted round where it wraps.
struct CanvasSpan {
    int64_t width = 0, height = 0;
    bool wraps = false;

    /// The column of x in a rectangle that begins at x0; out of range when it is not in it.
    [[nodiscard]] int64_t column(int64_t x, int64_t x0) const {
        const int64_t at = x - x0;
        if (!wraps) return at;
        return at < 0 ? at + width : (at >= width ? at - width : at);
    }
};

/// A frame's pixels by canvas coordinates.
class FrameView {
  public:
    FrameView(const CoarseFrame& frame, const CanvasSpan& span)
        : frame_(&frame), span_(span), width_(frame.rect.width()), height_(frame.rect.height()) {}

    /// The pixel's place in the frame's arrays, or -1 when the frame does not cover it.
    [[nodiscard]] int64_t at(int64_t x, int64_t y) const {
        const int64_t column = span_.column(x, frame_->rect.x0);
        const int64_t row = y - frame_->rect.y0;
        if (column < 0 || column >= width_ || row < 0 || row >= height_) return -1;
        const int64_t i = row * width_ + column;
        return (frame_->flags[static_cast<size_t>(i)] & kCovered) != 0 ? i : -1;
    }
    /// The pixel to the right (below) of place i, or -1 when the frame does not cover it.
    [[nodiscard]] int64_t right_of(int64_t i) const {
        return (i + 1) % width_ == 0 ? -1 : if_covered(i + 1);
    }
    [[nodiscard]] int64_t below(int64_t i) const {
        return i + width_ >= width_ * height_ ? -1 : if_covered(i + width_);
    }
    [[nodiscard]] int value(size_t channel, int64_t i) const {
        return frame_->value[channel][static_cast<size_t>(i)];
    }
    [[nodiscard]] const CoarseFrame& frame() const { return *frame_; }

  private:
    [[nodiscard]] int64_t if_covered(int64_t i) const {
        return (frame_->flags[static_cast<size_t>(i)] & kCovered) != 0 ? i : -1;
    }
    const CoarseFrame* frame_;
    CanvasSpan span_;
    int64_t width_, height_;
};

/// What two frames differ by as a whole, and how much where they show the same.
struct PairTone {
    std::array<int, 3> offset{};  ///< first minus second, working values
    float scale = 0;              ///< 1 / (2 noise)^2, working values
};

/// From a part of the pixels that both cover, `common` in canvas coordinates.
PairTone measure_pair(const FrameView& a, const FrameView& b, const Rect& common,
                      const CanvasSpan& span, const SeamOptions& options);

/// Square of the difference between two frames at a pixel that both cover, working values.
inline float squared_difference(const FrameView& a, int64_t ia, const FrameView& b, int64_t ib,
                                const std::array<int, 3>& offset) {
    const int64_t ra = a.right_of(ia);
    const int64_t rb = b.right_of(ib);
    const int64_t da = a.below(ia);
    const int64_t db = b.below(ib);
    const bool right = ra >= 0 && rb >= 0;
    const bool down = da >= 0 && db >= 0;
    int64_t here = 0;
    int64_t steps = 0;
    for (size_t c = 0; c < 3; ++c) {
        const int64_t d = a.value(c, ia) - b.value(c, ib) - offset[c];
        here += d * d;
        if (right) {
            const int64_t e = a.value(c, ra) - b.value(c, rb) - offset[c] - d;
            steps += e * e;
        }
        if (down) {
            const int64_t e = a.value(c, da) - b.value(c, db) - offset[c] - d;
            steps += e * e;
        }
    }
    return static_cast<float>(4 * here + steps) / 12.0F;
}

/// `ratio` is the squared difference over twice the noise, squared. What noise costs, and what is
/// added by what is more than noise; in kDifferenceUnit, for pixels of one canvas or the mean and
/// the most of several.
inline uint16_t difference_cost(float ratio, float most_ratio) {
    constexpr float kUnit = static_cast<float>(kSeamUnit) / kDifferenceUnit;
    return static_cast<uint16_t>(
        std::min(kMostDifference, kUnit * (ratio + most_ratio * most_ratio / 2)));
}

}  // namespace broadloom
