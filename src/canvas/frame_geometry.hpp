/// A used frame prepared for many projections: from a world direction to *stored* pixels (the
/// file's own orientation), with the correction of its light and the distance from the frame's
/// axis.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/scene.hpp"
#include "canvas/frame_fields.hpp"
#include "canvas/frame_masks.hpp"
#include "image/node_batch.hpp"

namespace broadloom {

/// A frame at one node of the cell lattice.
struct FramePoint {
    double x = 0, y = 0;  ///< stored pixels at full decode size; meaningless unless valid
    /// What linear light is multiplied by, R, G, B, besides the frame's gain: 1 / (1 + v2 r^2 +
    /// ...) times what the frame's fields ask for; h = g^(1/2.4).
    std::array<float, 3> h{1, 1, 1}, g{1, 1, 1};
    double score = -1;   ///< cosine of the angle to the frame's axis; larger is nearer
    bool valid = false;  ///< in front of the camera and inside the lens's fold radius
};

class FrameGeometry {
  public:
    /// `orientation` is the EXIF value 1..8 of the stored file.
    FrameGeometry(const Camera& camera, const Frame& frame, int orientation);

    /// Lays smooth corrections over the frame from now on; null: none. Their shift is added to
    /// upright coordinates, beyond the frame's border that at the border; their light multiplies.
    void set_fields(std::shared_ptr<const FrameFields> fields);
    [[nodiscard]] const std::shared_ptr<const FrameFields>& fields() const { return fields_; }

    /// Upright pixels of a direction of any length before fields shift them; nullopt behind the
    /// camera and beyond the lens's fold radius.
    [[nodiscard]] std::optional<Vec2> upright(const Vec3& direction) const;

    /// `direction` need not have unit length; `inverse_norm` is 1 / its length.
    [[nodiscard]] FramePoint at(const Vec3& direction, double inverse_norm) const;

    /// The frame for Kernels::project_nodes(), which must not outlive it, and what that makes of a
    /// batch's first `count` nodes: the bits of at(), where the batch's limits leave them.
    [[nodiscard]] NodeProjection node_projection() const;
    void points_of(const NodeBatch& batch, size_t count, FramePoint* out) const;

    /// The view test in stored pixels: 0.5 <= x <= w - 0.5 and the same for y, where the view is
    /// not narrowed.
    [[nodiscard]] bool covers(double x, double y) const {
        return x >= border_ && x <= static_cast<double>(stored_width_) - border_ && y >= border_ &&
               y <= static_cast<double>(stored_height_) - border_;
    }
    /// How far inside the stored frame the view ends, px; 0.5 where it is not narrowed.
    [[nodiscard]] double border() const { return border_; }

    [[nodiscard]] int64_t stored_width() const { return stored_width_; }
    [[nodiscard]] int64_t stored_height() const { return stored_height_; }
    [[nodiscard]] double upright_width() const { return width_; }
    [[nodiscard]] double upright_height() const { return height_; }
    [[nodiscard]] int orientation() const { return orientation_; }
    /// Stored pixels a radian on the axis.
    [[nodiscard]] double focal_px() const { return focal_; }
    [[nodiscard]] const Vec3& axis() const { return axis_; }
    /// Half angle of a cone around the axis that holds every direction in view, radians.
    [[nodiscard]] double cone_rad() const { return cone_rad_; }
    [[nodiscard]] double cone_cos() const { return cone_cos_; }
    [[nodiscard]] const std::array<double, 3>& gain() const { return gain_; }
    /// The frame's masks, in stored pixels; null when it has none.
    [[nodiscard]] const FrameMasks* masks() const { return masks_.get(); }
    /// Whether the frame shows what lies at a stored position: in view and not left out.
    [[nodiscard]] bool shows(double x, double y) const {
        return covers(x, y) && (masks_ == nullptr || !masks_->left_out(x, y));
    }
    /// The frame as if nothing were masked.
    [[nodiscard]] FrameGeometry without_masks() const;
    /// With masks that leave out reaching `px` further on all sides.
    [[nodiscard]] FrameGeometry with_masks_grown(double px) const;
    /// With the view ending `px` further inside the frame and masks grown alike: what this covers
    /// is covered however pixels are shifted by less.
    [[nodiscard]] FrameGeometry narrowed(double px) const;
    /// Whether any correction applies.
    [[nodiscard]] bool photometric() const { return photometric_ || per_channel(); }
    /// Whether the channels' g differ at a pixel.
    [[nodiscard]] bool per_channel() const { return fields_ && fields_->lights(); }

  private:
    struct Correction {
        float h, g;
    };
    [[nodiscard]] Correction correction(double upright_x, double upright_y) const;
    bool project(const Vec3& c, Vec2& pixel) const;
    void set_cone(double margin_px);
    void to_stored(double x, double y, FramePoint& p) const;

    Rotation rotation_;
    Lens lens_;
    Vec3 axis_;
    double focal_, cx_, cy_, k1_, k2_, k3_, p1_, p2_, fold_sq_;
    std::array<double, 3> gain_;
    double width_, height_;  // upright
    int64_t stored_width_, stored_height_;
    int orientation_;
    double border_ = 0.5;
    double cone_rad_, cone_cos_;
    std::shared_ptr<const FrameMasks> masks_;  // never changed, so that copies may share it
    bool photometric_, vignetted_;
    double table_scale_ = 0, inverse_half_diagonal_sq_ = 0;
    std::vector<Correction> table_;  // over r^2
    std::shared_ptr<const FrameFields> fields_;
};

}  // namespace broadloom
