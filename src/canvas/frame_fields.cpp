#include "canvas/frame_fields.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>

namespace broadloom {

namespace {

/// First coefficient and weights of the uniform cubic B-spline on one axis.
int axis_basis(int count, double position, double side, std::array<double, 4>& weight) {
    const int spans = count - 3;
    // Not a number counts as the near border.
    const double share = position > 0 ? std::min(position * (1 / side), 1.0) : 0.0;
    const double at = share * spans;
    const int first = std::min(static_cast<int>(at), spans - 1);
    const double t = at - first;
    const double s = 1 - t;
    constexpr double kSixth = 1.0 / 6;
    weight[0] = s * s * s * kSixth;
    weight[1] = (4 + t * t * (3 * t - 6)) * kSixth;
    weight[2] = (4 + s * s * (3 * s - 6)) * kSixth;
    weight[3] = t * t * t * kSixth;
    return first;
}

}  // namespace

SplineBasis spline_basis(const SplineGrid& grid, double x, double y, double width, double height) {
    assert(grid.columns >= 4 && grid.rows >= 4);
    SplineBasis basis;
    basis.column = axis_basis(grid.columns, x, width, basis.x);
    basis.row = axis_basis(grid.rows, y, height, basis.y);
    return basis;
}

double SplineBasis::value(std::span<const float> coefficients, const SplineGrid& grid) const {
    assert(coefficients.size() == grid.size());
    double sum = 0;
    for (size_t j = 0; j < 4; ++j) {
        const size_t first = (static_cast<size_t>(row) + j) * static_cast<size_t>(grid.columns) +
                             static_cast<size_t>(column);
        double line = 0;
        for (size_t i = 0; i < 4; ++i) {
            line += x[i] * static_cast<double>(coefficients[first + i]);
        }
        sum += y[j] * line;
    }
    return sum;
}

Vec2 FrameFields::shift(double x, double y, double width, double height) const {
    if (!moves()) return {};
    const SplineBasis basis = spline_basis(shift_grid, x, y, width, height);
    return {basis.value(dx, shift_grid), basis.value(dy, shift_grid)};
}

std::array<double, 3> FrameFields::log_gains(double x, double y, double width,
                                             double height) const {
    std::array<double, 3> gains{};
    if (!lights()) return gains;
    const SplineBasis basis = spline_basis(light_grid, x, y, width, height);
    for (size_t c = 0; c < 3; ++c) gains[c] = basis.value(log_gain[c], light_grid);
    return gains;
}

double FrameFields::longest_shift() const {
    double longest = 0;
    for (size_t i = 0; i < dx.size(); ++i) {
        longest =
            std::max(longest, std::hypot(static_cast<double>(dx[i]), static_cast<double>(dy[i])));
    }
    return longest;
}

}  // namespace broadloom
