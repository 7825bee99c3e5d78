/// Smooth corrections of one frame, found where frames overlap: how far its pixels are moved, and
/// by how much its light is changed. Uniform cubic B-splines over the upright frame, so that both
/// are smooth to the second derivative.
#pragma once

#include <array>
#include <cstddef>
#include <span>
#include <vector>

#include "broadloom/rotation.hpp"

namespace broadloom {

/// Where a spline's coefficients stand, columns x rows of them, row by row. Column i's basis is
/// centred at (i - 1) * width / (columns - 3), so that the frame is covered by whole supports. At
/// least 4 each, or 0 x 0 for no spline.
struct SplineGrid {
    int columns = 0, rows = 0;

    [[nodiscard]] size_t size() const {
        return static_cast<size_t>(columns) * static_cast<size_t>(rows);
    }
    friend bool operator==(const SplineGrid&, const SplineGrid&) = default;
};

/// The 4 x 4 coefficients that reach a position, and their weights: coefficient (column + i,
/// row + j) weighs x[i] * y[j]. Weights are not negative and sum to one on each axis, so that a
/// value never lies outside its coefficients.
struct SplineBasis {
    int column = 0, row = 0;
    std::array<double, 4> x{}, y{};

    /// The spline's value; `coefficients` as the grid's.
    [[nodiscard]] double value(std::span<const float> coefficients, const SplineGrid& grid) const;
};

/// The basis at an upright position, clamped to the frame, of a frame of this size.
SplineBasis spline_basis(const SplineGrid& grid, double x, double y, double width, double height);

struct FrameFields {
    SplineGrid shift_grid;
    std::vector<float> dx, dy;  ///< added to upright coordinates, px; may be empty
    SplineGrid light_grid;
    std::array<std::vector<float>, 3> log_gain;  ///< natural logarithm, R, G, B; may be empty

    [[nodiscard]] bool moves() const { return !dx.empty(); }
    [[nodiscard]] bool lights() const { return !log_gain[0].empty(); }
    /// Values at an upright position (clamped to the frame) of a frame of this size; zero when
    /// there is no spline.
    [[nodiscard]] Vec2 shift(double x, double y, double width, double height) const;
    [[nodiscard]] std::array<double, 3> log_gains(double x, double y, double width,
                                                  double height) const;
    /// No shift is longer than this, px.
    [[nodiscard]] double longest_shift() const;
};

}  // namespace broadloom
