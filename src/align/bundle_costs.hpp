/// What the bundle adjustment sums: the misses of a link's matches, of frames from where they are
/// held, of a camera from what was known of it. Derivatives in closed form.
#pragma once

#include <array>
#include <memory>
#include <optional>
#include <vector>

#include "align/bundle.hpp"
#include "align/lens_derivatives.hpp"

namespace ceres {
class CostFunction;
}

namespace broadloom {

/// One match under given rotations: the miss in b, and derivatives.
struct Miss {
    Vec2 off;                      ///< projected minus found
    std::array<double, 4> by_a{};  ///< d off / d pixel in a, row by row
    Vec3 turn_x, turn_y;           ///< d off / d (turn of a about the world's axes)
    std::array<double, kLensUnknowns> a_x{}, a_y{}, b_x{}, b_y{};  ///< by the lenses
};
/// nullopt where the match cannot be projected.
std::optional<Miss> miss_of(const LensModel& lens_a, const LensModel& lens_b, const Rotation& a,
                            const Rotation& b, const Match& match);

/// Lower triangle of the inverse root of I + A A^T, A = d off / d pixel in a: makes the miss a unit
/// normal deviate when both points are off by one pixel.
struct Whitening {
    double xx = 1, yx = 0, yy = 1;
};
Whitening whitening_of(const Miss& miss);

struct WeightedMatch {
    Match match;
    Whitening w;  ///< times the root of the weight
};

/// All matches of a link. Parameters: turn of a, turn of b (rotation vectors put before the
/// rotations), lens of a, lens of b when that is another camera.
std::unique_ptr<ceres::CostFunction> link_cost(std::vector<WeightedMatch> matches,
                                               const Rotation& a, const Rotation& b,
                                               const Camera& camera_a, const Camera& camera_b,
                                               bool one_camera);

/// How far a frame, turned by the parameter from `from`, is from where it is held.
std::unique_ptr<ceres::CostFunction> hold_cost(const BundleHold& hold, const Rotation& from,
                                               double root_weight);

/// What is known of a camera before any match.
std::unique_ptr<ceres::CostFunction> lens_prior(const LensUnknowns& middle,
                                                const LensUnknowns& sigma);

}  // namespace broadloom
