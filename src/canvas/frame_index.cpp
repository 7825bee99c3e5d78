#include "canvas/frame_index.hpp"

#include <algorithm>
#include <cmath>

namespace broadloom {

std::vector<int> FrameIndex::touching(const Rect& rect) const {
    const auto x0 = static_cast<double>(rect.x0);
    const auto x1 = static_cast<double>(rect.x1);
    const auto y0 = static_cast<double>(rect.y0);
    const auto y1 = static_cast<double>(rect.y1);
    const Vec3 centre = canvas_.direction((x0 + x1) / 2, (y0 + y1) / 2);
    // A step of one pixel turns the direction by at most 1/s degrees on either surface, so half the
    // diagonal bounds the angle from the centre; corners alone would not do near a pole.
    const double radius =
        std::min(kPi, std::hypot(x1 - x0, y1 - y0) / 2 / canvas_.pixels_per_degree * kRadPerDeg);
    std::vector<int> found;
    for (size_t i = 0; i < frames_.size(); ++i) {
        if (angle_between(centre, frames_[i].axis()) <= frames_[i].cone_rad() + radius) {
            found.push_back(static_cast<int>(i));
        }
    }
    return found;
}

}  // namespace broadloom
