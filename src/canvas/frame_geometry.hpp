/// A used frame prepared for many projections: from a world direction to *stored* pixels (the
/// file's own orientation), with the vignetting correction and the distance from the frame's axis.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/scene.hpp"

namespace broadloom {

/// A frame at one node of the cell lattice.
struct FramePoint {
    double x = 0, y = 0;  ///< stored pixels at full decode size; meaningless unless valid
    float h = 1, g = 1;   ///< vignetting correction: g = 1 / (1 + v2 r^2 + ...), h = g^(1/2.4)
    double score = -1;    ///< cosine of the angle to the frame's axis; larger is nearer
    bool valid = false;   ///< in front of the camera and inside the lens's fold radius
};

class FrameGeometry {
  public:
    /// `orientation` is the EXIF value 1..8 of the stored file.
    FrameGeometry(const Camera& camera, const Frame& frame, int orientation);

    /// `direction` need not have unit length; `inverse_norm` is 1 / its length.
    [[nodiscard]] FramePoint at(const Vec3& direction, double inverse_norm) const;

    /// The view test in stored pixels: 0.5 <= x <= w - 0.5 and the same for y.
    [[nodiscard]] bool covers(double x, double y) const {
        return x >= 0.5 && x <= static_cast<double>(stored_width_) - 0.5 && y >= 0.5 &&
               y <= static_cast<double>(stored_height_) - 0.5;
    }

    [[nodiscard]] int64_t stored_width() const { return stored_width_; }
    [[nodiscard]] int64_t stored_height() const { return stored_height_; }
    [[nodiscard]] const Vec3& axis() const { return axis_; }
    /// Half angle of a cone around the axis that holds every direction in view, radians.
    [[nodiscard]] double cone_rad() const { return cone_rad_; }
    [[nodiscard]] double cone_cos() const { return cone_cos_; }
    [[nodiscard]] const std::array<double, 3>& gain() const { return gain_; }
    /// Whether any correction applies.
    [[nodiscard]] bool photometric() const { return photometric_; }

  private:
    struct Correction {
        float h, g;
    };
    [[nodiscard]] Correction correction(double upright_x, double upright_y) const;

    Rotation rotation_;
    Vec3 axis_;
    double focal_, cx_, cy_, k1_, k2_, k3_, p1_, p2_, fold_sq_;
    std::array<double, 3> gain_;
    double width_, height_;  // upright
    int64_t stored_width_, stored_height_;
    int orientation_;
    double cone_rad_, cone_cos_;
    bool photometric_, vignetted_;
    double table_scale_ = 0, inverse_half_diagonal_sq_ = 0;
    std::vector<Correction> table_;  // over r^2
};

}  // namespace broadloom
