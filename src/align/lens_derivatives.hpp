/// The lens of camera.hpp with the derivatives that least squares need. The numbers are those of
/// Lens::distort and Lens::undistort.
#pragma once

#include <array>
#include <optional>

#include "broadloom/camera.hpp"

namespace broadloom {

/// What the joint solution may change of a camera, in this order: logarithm of the focal length,
/// k1, k2, k3, principal point x and y.
inline constexpr size_t kLensUnknowns = 6;
using LensUnknowns = std::array<double, kLensUnknowns>;

LensUnknowns lens_unknowns(const Camera& camera);
Camera with_unknowns(const Camera& camera, const LensUnknowns& unknowns);

struct LensModel {
    double focal = 1, k1 = 0, k2 = 0, k3 = 0, cx = 0, cy = 0, p1 = 0, p2 = 0;
    double fold_radius_sq = 0;  ///< beyond it the lens model folds back

    LensModel(const double* unknowns, const std::array<double, 2>& tangential);
};

/// Pixel of a normalised direction (a, b), with derivatives.
struct Projected {
    Vec2 pixel;
    double xa = 0, xb = 0, ya = 0, yb = 0;             ///< d pixel / d (a, b)
    std::array<double, kLensUnknowns> x_by{}, y_by{};  ///< d pixel / d unknowns
};
/// nullopt beyond the fold.
std::optional<Projected> project_with_derivatives(const LensModel& lens, Vec2 ab);

/// Normalised direction of a pixel, with derivatives.
struct Unprojected {
    Vec2 ab;
    double ax = 0, ay = 0, bx = 0, by = 0;             ///< d (a, b) / d pixel
    std::array<double, kLensUnknowns> a_by{}, b_by{};  ///< d (a, b) / d unknowns
};
/// nullopt where the lens shows no direction at that pixel.
std::optional<Unprojected> unproject_with_derivatives(const LensModel& lens, Vec2 pixel);

}  // namespace broadloom
