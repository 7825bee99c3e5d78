/// Which frames can touch a rectangle of the canvas: a test of cones, right over poles, across the
/// +-180 degree edge and for frames behind the canvas, and never a miss.
#pragma once

#include <cstdint>
#include <vector>

#include "broadloom/canvas.hpp"
#include "broadloom/rect.hpp"
#include "canvas/frame_geometry.hpp"

namespace broadloom {

class FrameIndex {
  public:
    FrameIndex(const Canvas& canvas, const std::vector<FrameGeometry>& frames)
        : canvas_(canvas), frames_(frames) {}

    /// Indices, rising, of the frames whose cone meets the smallest cone around the rectangle
    /// (canvas pixels; may reach beyond the canvas).
    [[nodiscard]] std::vector<int> touching(const Rect& rect) const;

  private:
    const Canvas& canvas_;
    const std::vector<FrameGeometry>& frames_;
};

}  // namespace broadloom
