/// Bundle adjustment of rotating cameras: least squares over all matches at once (Brown & Lowe,
/// IJCV 2007, section 4), solved by Ceres, made robust by reweighting (Huber, then Cauchy; P. J.
/// Huber, Robust Statistics, 1981). Residuals are pixels, each direction of error counted once: the
/// miss in frame b is divided by what an error of a pixel in a and one in b together make there.
/// The result does not depend on the number of threads: one thread sums.
#pragma once

#include <array>
#include <span>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/rotation.hpp"
#include "broadloom/work.hpp"
#include "match/pairs.hpp"

namespace broadloom {

struct BundleLink {
    size_t a = 0, b = 0;  ///< frames
    std::span<const Match> matches;
};

/// A frame held near a rotation, as by the head.
struct BundleHold {
    size_t frame = 0;
    Rotation where;
    /// Standard deviations about the camera's axes x (pitch), y (yaw), z (roll).
    std::array<double, 3> sigma_rad{1, 1, 1};
};

struct BundleProblem {
    std::vector<Camera> guess;  ///< the priors' centre
    double focal_sigma = 0.05;  ///< share
    std::vector<size_t> camera_of_frame;
    std::vector<BundleLink> links;
    std::vector<BundleHold> holds;
    std::vector<size_t> fixed_frames;  ///< one of each group that nothing else holds
};

struct BundleState {
    std::vector<Camera> cameras;
    std::vector<Rotation> rotations;
    double sigma_px = 1;               ///< noise of a coordinate, by the median of the residuals
    std::vector<double> link_miss_px;  ///< median miss of each link's matches
};

struct BundleStage {
    bool focal = false, radial = false, centre = false;  ///< what may change besides rotations
    int rounds = 3;                                      ///< reweightings at most
    size_t most_matches = 0;                             ///< of a link; 0: all
};

/// Improves `state`. Throws Error{interrupted, terminated} when `hooks.stop` asks for it.
void run_bundle(const BundleProblem& problem, const BundleStage& stage, BundleState& state,
                const WorkHooks& hooks);

/// The median miss of `matches` under the state, in pixels of b; infinite when most cannot be
/// projected.
double median_miss_px(const BundleState& state, size_t camera_a, size_t frame_a, size_t camera_b,
                      size_t frame_b, std::span<const Match> matches);

/// Throws Error{interrupted, terminated} when a stop is asked for.
void check_stop(const WorkHooks& hooks);

}  // namespace broadloom
