/// A camera: pinhole, Brown-Conrady lens, vignetting. Pixel coordinates are continuous, x right,
/// y down; the centre of the first pixel is (0.5, 0.5). Width, height and coordinates are those of
/// the upright frame (EXIF orientation applied).
/// Lens model: D. C. Brown, "Close-range camera calibration", 1971, in the order usual today
/// (k1, k2, k3; p1, p2): with a = X/Z, b = Y/Z, r^2 = a^2 + b^2
///   a' = a (1 + k1 r^2 + k2 r^4 + k3 r^6) + 2 p1 a b + p2 (r^2 + 2 a^2)
///   b' = b (1 + k1 r^2 + k2 r^4 + k3 r^6) + p1 (r^2 + 2 b^2) + 2 p2 a b
///   x = f a' + cx,  y = f b' + cy
#pragma once

#include <array>
#include <cstdint>
#include <optional>

#include "broadloom/rotation.hpp"

namespace broadloom {

struct Camera {
    int64_t width = 0, height = 0;              ///< upright frame, pixels
    double focal_px = 0;                        ///< focal length, pixels
    std::optional<Vec2> principal_point_px;     ///< absent: the frame's middle
    std::array<double, 3> radial{0, 0, 0};      ///< k1 k2 k3
    std::array<double, 2> tangential{0, 0};     ///< p1 p2
    std::array<double, 3> vignetting{0, 0, 0};  ///< v2 v4 v6

    [[nodiscard]] Vec2 principal_point() const {
        return principal_point_px.value_or(
            Vec2{static_cast<double>(width) / 2, static_cast<double>(height) / 2});
    }
};

/// A camera prepared for many projections.
class Lens {
  public:
    explicit Lens(const Camera& camera);

    /// r below which the radial polynomial rises: the first zero of d(r(1+k1 r^2+k2 r^4+k3
    /// r^6))/dr, +infinity when it has none. Beyond it the frame would appear again, mirrored.
    [[nodiscard]] double fold_radius() const { return fold_radius_; }

    /// Normalised undistorted (a, b) to pixels. No view test.
    [[nodiscard]] Vec2 distort(Vec2 ab) const;

    /// Pixels to normalised undistorted (a, b) inside the fold radius, to 1e-12; nullopt where the
    /// pixel lies outside what the lens can show.
    [[nodiscard]] std::optional<Vec2> undistort(Vec2 pixel) const;

    /// Camera-space direction to pixels; nullopt unless Z > 0 and r < fold_radius(), and where the
    /// tangential part folds the frame back far off the axis. Whether the pixel lies on the frame
    /// is not tested here.
    [[nodiscard]] std::optional<Vec2> project(Vec3 direction) const;

    /// In the frame's view: project() succeeds and 0.5 <= x <= w - 0.5, 0.5 <= y <= h - 0.5.
    [[nodiscard]] bool in_view(Vec3 direction) const;

    /// 1 + v2 r^2 + v4 r^4 + v6 r^6 at a pixel; r = distance from the principal point in recorded
    /// pixels over half the frame's diagonal.
    [[nodiscard]] double vignetting(Vec2 pixel) const;

    [[nodiscard]] const Camera& camera() const { return camera_; }

  private:
    Camera camera_;
    Vec2 centre_;
    double fold_radius_;
    double inverse_half_diagonal_sq_;
};

}  // namespace broadloom
