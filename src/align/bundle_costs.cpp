#include "align/bundle_costs.hpp"

#include <ceres/ceres.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "scene/rotation_math.hpp"

namespace broadloom {

std::optional<Miss> miss_of(const LensModel& lens_a, const LensModel& lens_b, const Rotation& a,
                            const Rotation& b, const Match& match) {
    const std::optional<Unprojected> from = unproject_with_derivatives(lens_a, match.a);
    if (!from) return std::nullopt;
    const Vec3 d = a.to_world({from->ab.x, from->ab.y, 1});
    const Vec3 q = b.to_camera(d);
    if (!(q.z > 1e-6)) return std::nullopt;
    const std::optional<Projected> to = project_with_derivatives(lens_b, {q.x / q.z, q.y / q.z});
    if (!to) return std::nullopt;

    Miss out;
    out.off = {to->pixel.x - match.b.x, to->pixel.y - match.b.y};
    const double u = q.x / q.z;
    const double v = q.y / q.z;
    // d pixel / d q, then in world axes.
    const Vec3 gx = b.to_world({to->xa / q.z, to->xb / q.z, -(to->xa * u + to->xb * v) / q.z});
    const Vec3 gy = b.to_world({to->ya / q.z, to->yb / q.z, -(to->ya * u + to->yb * v) / q.z});
    // A turn w moves d by w x d; g . (w x d) = w . (d x g).
    out.turn_x = cross(d, gx);
    out.turn_y = cross(d, gy);
    // By (a, b) in frame a.
    const Vec3 ca{a.m[0][0], a.m[1][0], a.m[2][0]};
    const Vec3 cb{a.m[0][1], a.m[1][1], a.m[2][1]};
    const double xa = dot(gx, ca);
    const double xb = dot(gx, cb);
    const double ya = dot(gy, ca);
    const double yb = dot(gy, cb);
    out.by_a = {xa * from->ax + xb * from->bx, xa * from->ay + xb * from->by,
                ya * from->ax + yb * from->bx, ya * from->ay + yb * from->by};
    for (size_t i = 0; i < kLensUnknowns; ++i) {
        out.a_x[i] = xa * from->a_by[i] + xb * from->b_by[i];
        out.a_y[i] = ya * from->a_by[i] + yb * from->b_by[i];
    }
    out.b_x = to->x_by;
    out.b_y = to->y_by;
    return out;
}

Whitening whitening_of(const Miss& miss) {
    const auto& m = miss.by_a;
    const double c00 = 1 + m[0] * m[0] + m[1] * m[1];
    const double c10 = m[0] * m[2] + m[1] * m[3];
    const double c11 = 1 + m[2] * m[2] + m[3] * m[3];
    const double l00 = std::sqrt(c00);
    const double l10 = c10 / l00;
    const double l11 = std::sqrt(std::max(c11 - l10 * l10, 1e-300));
    return {1 / l00, -l10 / (l00 * l11), 1 / l11};
}

namespace {

/// All matches of a link. Parameters: turn of a, turn of b (rotation vectors put before the
/// rotations), lens of a, lens of b when that is another camera.
class LinkCost final : public ceres::CostFunction {
  public:
    LinkCost(std::vector<WeightedMatch> matches, const Rotation& a, const Rotation& b,
             const Camera& camera_a, const Camera& camera_b, bool one_camera)
        : matches_(std::move(matches)),
          a_(a),
          b_(b),
          tangential_a_(camera_a.tangential),
          tangential_b_(camera_b.tangential),
          one_camera_(one_camera) {
        set_num_residuals(static_cast<int>(2 * matches_.size()));
        constexpr int kLens = kLensUnknowns;
        *mutable_parameter_block_sizes() =
            one_camera_ ? std::vector<int>{3, 3, kLens} : std::vector<int>{3, 3, kLens, kLens};
    }

    bool Evaluate(double const* const* parameters, double* residuals,
                  double** jacobians) const override {
        const Vec3 turn_a{parameters[0][0], parameters[0][1], parameters[0][2]};
        const Vec3 turn_b{parameters[1][0], parameters[1][1], parameters[1][2]};
        const Rotation a = rotation_exp(turn_a) * a_;
        const Rotation b = rotation_exp(turn_b) * b_;
        const LensModel lens_a(parameters[2], tangential_a_);
        const LensModel lens_b(parameters[one_camera_ ? 2 : 3], tangential_b_);
        const Matrix3 ja = left_jacobian(turn_a);
        const Matrix3 jb = left_jacobian(turn_b);
        for (size_t i = 0; i < matches_.size(); ++i) {
            const std::optional<Miss> miss = miss_of(lens_a, lens_b, a, b, matches_[i].match);
            if (!miss) return false;
            const Whitening& w = matches_[i].w;
            residuals[2 * i] = w.xx * miss->off.x;
            residuals[2 * i + 1] = w.yx * miss->off.x + w.yy * miss->off.y;
            if (jacobians == nullptr) continue;
            const Vec3 rows[2] = {w.xx * miss->turn_x, w.yx * miss->turn_x + w.yy * miss->turn_y};
            for (size_t k = 0; k < 2; ++k) {
                put_turn(jacobians[0], 2 * i + k, rows[k], ja, 1);
                put_turn(jacobians[1], 2 * i + k, rows[k], jb, -1);
            }
            put_lens(jacobians[2], i, w, miss->a_x, miss->a_y, false);
            if (one_camera_) {
                put_lens(jacobians[2], i, w, miss->b_x, miss->b_y, true);
            } else {
                put_lens(jacobians[3], i, w, miss->b_x, miss->b_y, false);
            }
        }
        return true;
    }

  private:
    static void put_turn(double* jacobian, size_t row, Vec3 g, const Matrix3& j, double sign) {
        if (jacobian == nullptr) return;
        for (size_t c = 0; c < 3; ++c) {
            jacobian[3 * row + c] = sign * (g.x * j[0][c] + g.y * j[1][c] + g.z * j[2][c]);
        }
    }
    static void put_lens(double* jacobian, size_t i, const Whitening& w,
                         const std::array<double, kLensUnknowns>& x,
                         const std::array<double, kLensUnknowns>& y, bool add) {
        if (jacobian == nullptr) return;
        double* row = jacobian + 2 * i * kLensUnknowns;
        for (size_t c = 0; c < kLensUnknowns; ++c) {
            const double first = w.xx * x[c];
            const double second = w.yx * x[c] + w.yy * y[c];
            row[c] = add ? row[c] + first : first;
            row[kLensUnknowns + c] = add ? row[kLensUnknowns + c] + second : second;
        }
    }

    std::vector<WeightedMatch> matches_;
    Rotation a_, b_;
    std::array<double, 2> tangential_a_, tangential_b_;
    bool one_camera_;
};

/// How far a frame is from where it is held, about the camera's axes.
class HoldCost final : public ceres::SizedCostFunction<3, 3> {
  public:
    HoldCost(const BundleHold& hold, const Rotation& from, double root_weight)
        : where_(hold.where), from_(from) {
        for (size_t i = 0; i < 3; ++i) scale_[i] = root_weight / hold.sigma_rad[i];
    }
    bool Evaluate(double const* const* parameters, double* residuals,
                  double** jacobians) const override {
        const Vec3 turn{parameters[0][0], parameters[0][1], parameters[0][2]};
        const Vec3 off = rotation_log(rotation_exp(turn) * from_ * where_.inverse());
        const Vec3 about = where_.to_camera(off);
        residuals[0] = scale_[0] * about.x;
        residuals[1] = scale_[1] * about.y;
        residuals[2] = scale_[2] * about.z;
        if (jacobians == nullptr || jacobians[0] == nullptr) return true;
        const Matrix3 outer = inverse_left_jacobian(off);
        const Matrix3 inner = left_jacobian(turn);
        for (size_t c = 0; c < 3; ++c) {
            Vec3 column;
            for (size_t k = 0; k < 3; ++k) {
                column = column + inner[k][c] * Vec3{outer[0][k], outer[1][k], outer[2][k]};
            }
            const Vec3 turned = where_.to_camera(column);
            jacobians[0][c] = scale_[0] * turned.x;
            jacobians[0][3 + c] = scale_[1] * turned.y;
            jacobians[0][6 + c] = scale_[2] * turned.z;
        }
        return true;
    }

  private:
    Rotation where_, from_;
    std::array<double, 3> scale_{};
};

/// What is known of a camera before any match.
class LensPrior final : public ceres::SizedCostFunction<kLensUnknowns, kLensUnknowns> {
  public:
    LensPrior(const LensUnknowns& middle, const LensUnknowns& sigma)
        : middle_(middle), sigma_(sigma) {}
    bool Evaluate(double const* const* parameters, double* residuals,
                  double** jacobians) const override {
        for (size_t i = 0; i < kLensUnknowns; ++i) {
            residuals[i] = (parameters[0][i] - middle_[i]) / sigma_[i];
        }
        if (jacobians != nullptr && jacobians[0] != nullptr) {
            std::fill_n(jacobians[0], kLensUnknowns * kLensUnknowns, 0.0);
            for (size_t i = 0; i < kLensUnknowns; ++i) {
                jacobians[0][i * kLensUnknowns + i] = 1 / sigma_[i];
            }
        }
        return true;
    }

  private:
    LensUnknowns middle_, sigma_;
};

}  // namespace

std::unique_ptr<ceres::CostFunction> link_cost(std::vector<WeightedMatch> matches,
                                               const Rotation& a, const Rotation& b,
                                               const Camera& camera_a, const Camera& camera_b,
                                               bool one_camera) {
    return std::make_unique<LinkCost>(std::move(matches), a, b, camera_a, camera_b, one_camera);
}

std::unique_ptr<ceres::CostFunction> hold_cost(const BundleHold& hold, const Rotation& from,
                                               double root_weight) {
    return std::make_unique<HoldCost>(hold, from, root_weight);
}

std::unique_ptr<ceres::CostFunction> lens_prior(const LensUnknowns& middle,
                                                const LensUnknowns& sigma) {
    return std::make_unique<LensPrior>(middle, sigma);
}

}  // namespace broadloom
