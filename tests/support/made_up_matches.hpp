/// Matches between frames whose cameras and rotations are known: truth for the joint solution.
#pragma once

#include <cstdint>
#include <optional>
#include <random>
#include <utility>
#include <vector>

#include "align/joint_solve.hpp"
#include "broadloom/camera.hpp"
#include "broadloom/rotation.hpp"

namespace broadloom::testing {

struct MatchSet {
    int64_t rows = 4, columns = 6;
    int64_t width = 1500, height = 1000;
    double hfov_deg = 30;
    double overlap = 0.35;
    double first_pitch_deg = 0;            ///< of the middle
    double yaw_step_deg = 0;               ///< 0: by the overlap
    double aim_deg = 0.3, roll_deg = 0.3;  ///< standard deviations of where the head really goes
    double k1 = 0.1, k2 = 0;
    Vec2 centre_off{0, 0};       ///< principal point off the middle, pixels
    double focal_factor = 1.05;  ///< guess over truth
    double noise_px = 0.1;
    size_t matches = 200;       ///< of a pair that overlaps by a whole side
    double outliers = 0;        ///< share of matches moved anywhere within 30 px
    bool ring = false;          ///< columns close the circle
    double nominal_factor = 1;  ///< nominal steps over true ones
    bool head = true;           ///< rows, columns and predicted rotations are given
    unsigned seed = 1;
};

struct MatchTruth {
    Camera camera;
    std::vector<Rotation> rotations;
    SolveInput input;
    std::vector<std::vector<size_t>> links_of_frame;
};

MatchTruth make_matches(const MatchSet& set);

/// The rotation that fits matches best under a camera, by least squares on directions.
Rotation fit_rotation(const Camera& camera, const std::vector<Match>& matches);

struct Reprojection {
    double rms_px = 0, max_px = 0;
};
/// Every frame's lattice of pixels, seen by the true camera, projected by the solved one after the
/// best rotation common to all frames. Frames that `counted` leaves out do not count.
Reprojection reprojection_error(const MatchTruth& truth, const SolveResult& result,
                                const std::vector<bool>& counted = {});

/// The rotation before all solved rotations that brings them nearest to the true ones.
Rotation common_rotation(const MatchTruth& truth, const SolveResult& result,
                         const std::vector<bool>& counted = {});

}  // namespace broadloom::testing
