#include "canvas/frame_geometry.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace broadloom {

namespace {
/// Steps of the vignetting table; linear interpolation between them is exact to 1e-6.
constexpr int kTableSteps = 2048;

/// e^x; the series to x^8 is exact to 1e-9 where fields lie, and these are many.
double exponential(double x) {
    if (std::abs(x) > 0.4) return std::exp(x);
    double sum = 1;
    for (int i = 8; i >= 1; --i) sum = 1 + sum * x * (1.0 / i);
    return sum;
}
}  // namespace

FrameGeometry::FrameGeometry(const Camera& camera, const Frame& frame, int orientation)
    : rotation_(Rotation::from_yaw_pitch_roll_deg(frame.yaw_deg.value_or(0),
                                                  frame.pitch_deg.value_or(0), frame.roll_deg)),
      lens_(camera),
      axis_(rotation_.axis()),
      focal_(camera.focal_px),
      cx_(camera.principal_point().x),
      cy_(camera.principal_point().y),
      k1_(camera.radial[0]),
      k2_(camera.radial[1]),
      k3_(camera.radial[2]),
      p1_(camera.tangential[0]),
      p2_(camera.tangential[1]),
      fold_sq_(lens_.fold_radius() * lens_.fold_radius()),
      gain_(frame.gain),
      width_(static_cast<double>(camera.width)),
      height_(static_cast<double>(camera.height)),
      stored_width_(orientation >= 5 ? camera.height : camera.width),
      stored_height_(orientation >= 5 ? camera.width : camera.height),
      orientation_(orientation) {
    set_cone(0);
    if (!frame.masks.empty()) {
        masks_ = std::make_shared<const FrameMasks>(frame.masks, width_, height_, orientation_);
    }

    vignetted_ = camera.vignetting != std::array<double, 3>{0, 0, 0};
    photometric_ = vignetted_ || gain_ != std::array<double, 3>{1, 1, 1};
    if (vignetted_) {
        const double half_diagonal_sq = (width_ * width_ + height_ * height_) / 4;
        inverse_half_diagonal_sq_ = 1 / half_diagonal_sq;
        const double far_x = std::max(cx_, width_ - cx_);
        const double far_y = std::max(cy_, height_ - cy_);
        const double r2_max = (far_x * far_x + far_y * far_y) / half_diagonal_sq;
        table_scale_ = kTableSteps / r2_max;
        table_.resize(kTableSteps + 2);
        for (size_t i = 0; i < table_.size(); ++i) {
            const double r2 = static_cast<double>(i) / table_scale_;
            const double falloff =
                1 + r2 * (camera.vignetting[0] +
                          r2 * (camera.vignetting[1] + r2 * camera.vignetting[2]));
            // A fitted curve that reaches zero would ask for infinite gain: stop at six stops.
            const double g = 1 / std::max(falloff, 1.0 / 64);
            table_[i] = {static_cast<float>(std::pow(g, 1 / 2.4)), static_cast<float>(g)};
        }
    }
}

/// The cone of the frame grown by a margin on each side. The angle grows with the distance from the
/// principal point as far as the lens model rises, so the border holds the largest angle. Where a
/// border pixel lies beyond what the lens can show, the fold radius bounds the view.
void FrameGeometry::set_cone(double margin_px) {
    double largest = 0;
    constexpr int kSteps = 256;
    const double left = -margin_px;
    const double right = width_ + margin_px;
    const double top = -margin_px;
    const double bottom = height_ + margin_px;
    // Points much nearer than the farthest corner cannot show the largest angle.
    const double far_x = std::max(cx_ - left, right - cx_);
    const double far_y = std::max(cy_ - top, bottom - cy_);
    const double least_sq = 0.8 * 0.8 * (far_x * far_x + far_y * far_y);
    for (int i = 0; i <= kSteps; ++i) {
        const double t = static_cast<double>(i) / kSteps;
        const double x = left + t * (right - left);
        const double y = top + t * (bottom - top);
        for (const Vec2 p : {Vec2{x, top}, Vec2{x, bottom}, Vec2{left, y}, Vec2{right, y}}) {
            const double dx = p.x - cx_;
            const double dy = p.y - cy_;
            if (dx * dx + dy * dy < least_sq) continue;
            if (const auto ab = lens_.undistort(p)) {
                largest = std::max(largest, std::atan(std::hypot(ab->x, ab->y)));
            } else {
                largest = std::max(largest, std::isfinite(lens_.fold_radius())
                                                ? std::atan(lens_.fold_radius())
                                                : kPi / 2);
            }
        }
    }
    // Between border samples the angle differs by far less than this share.
    cone_rad_ = std::min(kPi / 2, largest * 1.002 + 1e-6);
    cone_cos_ = std::cos(cone_rad_);
}

void FrameGeometry::set_fields(std::shared_ptr<const FrameFields> fields) {
    fields_ = std::move(fields);
    set_cone(fields_ ? fields_->longest_shift() : 0);
}

FrameGeometry FrameGeometry::without_masks() const {
    FrameGeometry bare = *this;
    bare.masks_.reset();
    return bare;
}

FrameGeometry FrameGeometry::with_masks_grown(double px) const {
    FrameGeometry out = *this;
    if (masks_ && masks_->any_left_out()) {
        out.masks_ = std::make_shared<const FrameMasks>(masks_->grown(px));
    }
    return out;
}

FrameGeometry FrameGeometry::narrowed(double px) const {
    FrameGeometry out = with_masks_grown(px);
    out.border_ += px;
    return out;
}

FrameGeometry::Correction FrameGeometry::correction(double upright_x, double upright_y) const {
    const double dx = upright_x - cx_;
    const double dy = upright_y - cy_;
    const double at = std::clamp((dx * dx + dy * dy) * inverse_half_diagonal_sq_ * table_scale_,
                                 0.0, static_cast<double>(kTableSteps));
    const auto i = static_cast<size_t>(at);
    const auto t = static_cast<float>(at - static_cast<double>(i));
    const Correction& a = table_[i];
    const Correction& b = table_[i + 1];
    return {a.h + (b.h - a.h) * t, a.g + (b.g - a.g) * t};
}

/// Camera-space direction to upright pixels; false behind the camera and beyond the fold radius.
bool FrameGeometry::project(const Vec3& c, Vec2& pixel) const {
    if (!(c.z > 0)) return false;
    const double inverse = 1 / c.z;
    const double a = c.x * inverse;
    const double b = c.y * inverse;
    const double r2 = a * a + b * b;
    if (!(r2 < fold_sq_)) return false;
    const double radial = 1 + r2 * (k1_ + r2 * (k2_ + r2 * k3_));
    pixel.x = focal_ * (a * radial + 2 * p1_ * a * b + p2_ * (r2 + 2 * a * a)) + cx_;
    pixel.y = focal_ * (b * radial + p1_ * (r2 + 2 * b * b) + 2 * p2_ * a * b) + cy_;
    // Grazing: nowhere near the frame.
    return std::abs(pixel.x) < 1e8 && std::abs(pixel.y) < 1e8;
}

std::optional<Vec2> FrameGeometry::upright(const Vec3& direction) const {
    Vec2 pixel;
    if (!project(rotation_.to_camera(direction), pixel)) return std::nullopt;
    return pixel;
}

FramePoint FrameGeometry::at(const Vec3& direction, double inverse_norm) const {
    const Vec3 c = rotation_.to_camera(direction);
    FramePoint p;
    p.score = c.z * inverse_norm;
    Vec2 pixel;
    if (!project(c, pixel)) return p;
    p.valid = true;
    if (fields_ && fields_->moves()) {
        const Vec2 shift = fields_->shift(pixel.x, pixel.y, width_, height_);
        pixel.x += shift.x;
        pixel.y += shift.y;
    }
    const double x = pixel.x;
    const double y = pixel.y;
    if (vignetted_) {
        const Correction correct = correction(x, y);
        p.h.fill(correct.h);
        p.g.fill(correct.g);
    }
    if (per_channel()) {
        const auto gains = fields_->log_gains(x, y, width_, height_);
        for (size_t i = 0; i < 3; ++i) {
            p.g[i] *= static_cast<float>(exponential(gains[i]));
            p.h[i] *= static_cast<float>(exponential(gains[i] * (1 / 2.4)));
        }
    }
    to_stored(x, y, p);
    return p;
}

/// Upright to stored pixels; EXIF 2.3, tag 274: what the stored picture's first row and column are.
void FrameGeometry::to_stored(double x, double y, FramePoint& p) const {
    switch (orientation_) {
        case 2:
            p.x = width_ - x, p.y = y;
            break;
        case 3:
            p.x = width_ - x, p.y = height_ - y;
            break;
        case 4:
            p.x = x, p.y = height_ - y;
            break;
        case 5:
            p.x = y, p.y = x;
            break;
        case 6:
            p.x = y, p.y = width_ - x;
            break;
        case 7:
            p.x = height_ - y, p.y = width_ - x;
            break;
        case 8:
            p.x = height_ - y, p.y = x;
            break;
        default:
            p.x = x, p.y = y;
            break;
    }
}

NodeProjection FrameGeometry::node_projection() const {
    NodeProjection n;
    for (size_t i = 0; i < 3; ++i) {
        for (size_t j = 0; j < 3; ++j) n.to_camera[3 * i + j] = rotation_.m[j][i];
    }
    n.focal = focal_;
    n.cx = cx_;
    n.cy = cy_;
    n.k1 = k1_;
    n.k2 = k2_;
    n.k3 = k3_;
    n.p1 = p1_;
    n.p2 = p2_;
    n.fold_sq = fold_sq_;
    n.width = width_;
    n.height = height_;
    if (fields_ && fields_->moves()) {
        n.shift = {fields_->shift_grid.columns,
                   fields_->shift_grid.rows,
                   {fields_->dx.data(), fields_->dy.data(), nullptr}};
    }
    if (per_channel()) {
        const auto& light = fields_->log_gain;
        n.light = {fields_->light_grid.columns,
                   fields_->light_grid.rows,
                   {light[0].data(), light[1].data(), light[2].data()}};
    }
    static_assert(sizeof(Correction) == 2 * sizeof(float));
    if (vignetted_) n.vignetting = &table_[0].h;
    n.inverse_half_diagonal_sq = inverse_half_diagonal_sq_;
    n.table_scale = table_scale_;
    n.table_steps = kTableSteps;
    return n;
}

void FrameGeometry::points_of(const NodeBatch& batch, size_t count, FramePoint* out) const {
    for (size_t i = 0; i < count; ++i) {
        FramePoint& p = out[i];
        if (batch.single[i] != 0) {
            p = at({batch.across * batch.sine[i], batch.down, batch.across * batch.cosine[i]},
                   batch.inverse_norm);
            continue;
        }
        p = {};
        p.score = batch.score[i];
        if (batch.valid[i] == 0) continue;
        p.valid = true;
        for (size_t c = 0; c < 3; ++c) {
            p.h[c] = batch.h[c][i];
            p.g[c] = batch.g[c][i];
        }
        to_stored(batch.x[i], batch.y[i], p);
    }
}

}  // namespace broadloom
