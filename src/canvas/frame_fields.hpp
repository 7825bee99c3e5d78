/// Smooth corrections of one frame, found where frames overlap: how far its pixels are moved, and
/// by how much its light is changed. Uniform cubic B-splines over the upright frame, so that both
/// are smooth to the second derivative.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "broadloom/rotation.hpp"

namespace broadloom {

struct FrameFields {
    /// Coefficients stand on a grid of columns x rows; column i's basis is centred at
    /// (i - 1) * width / (columns - 3), so that the frame is covered by whole supports. At least 4
    /// each, or 0 x 0 for no correction.
    int columns = 0, rows = 0;
    std::vector<float> dx, dy;                   ///< added to upright coordinates, px; may be empty
    std::array<std::vector<float>, 3> log_gain;  ///< natural logarithm, R, G, B; may be empty

    [[nodiscard]] bool moves() const { return !dx.empty(); }
    [[nodiscard]] bool lights() const { return !log_gain[0].empty(); }
    /// Values at an upright position (clamped to the frame) of a frame of this size.
    [[nodiscard]] Vec2 shift(double x, double y, double width, double height) const;
    [[nodiscard]] std::array<double, 3> log_gains(double x, double y, double width,
                                                  double height) const;
};

}  // namespace broadloom
