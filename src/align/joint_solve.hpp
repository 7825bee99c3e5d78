/// The joint solution: a rotation for each frame, focal length, distortion and principal point for
/// each camera, from matches and from what the head did (bundle adjustment of a rotating camera;
/// Brown & Lowe 2007; solved by Ceres). Knows no pictures.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/rotation.hpp"
#include "broadloom/work.hpp"
#include "match/pairs.hpp"

namespace broadloom {

struct SolveFrame {
    size_t camera = 0;
    std::optional<int64_t> row, column;
    std::optional<Rotation> predicted;  ///< what the head's nominal steps say
};

struct SolveInput {
    std::vector<Camera> cameras;  ///< first guesses
    double focal_sigma = 0.05;    ///< share by which the guess may be off
    std::vector<SolveFrame> frames;
    /// Registrations, accepted; several of one pair where the scene repeats.
    std::vector<PairLink> links;
    bool wraps = false;
};

struct SolveResult {
    std::vector<Camera> cameras;
    std::vector<std::optional<Rotation>> rotations;  ///< absent: neither matches nor head
    std::vector<bool> by_matches;                    ///< false: the head's prediction
    /// Frames that hang together by matches; 0 is the largest group, a frame without matches is a
    /// group of its own.
    std::vector<size_t> group;
    size_t groups = 0;
    std::vector<size_t> used_links;  ///< into SolveInput::links
    std::vector<double>
        head_sigma_deg;  ///< found repeatability: yaw, pitch, roll; empty without a grid
};

/// Chooses the globally consistent registrations (cycles that close), starts from a spanning tree
/// of the strongest, solves in stages (rotations; focal length; lens), robust loss, priors on focal
/// length and lens, the head's fitted steps for frames that matches do not hold. With a head the
/// rotations are in its system (axis vertical) and all groups are tied through it; without one each
/// group has a system of its own. The result is the same for any number of threads. Throws
/// Error{interrupted, terminated} when `hooks.stop` asks for it.
SolveResult solve_jointly(const SolveInput& input, int threads, const WorkHooks& hooks = {});

/// A second solution from a good start with better matches: same unknowns, tighter loss.
SolveResult solve_again(const SolveResult& start, const SolveInput& input, int threads,
                        const WorkHooks& hooks = {});

/// Reprojection of a match under a solution: where a's point falls in b minus where it was found,
/// full-size pixels; nullopt behind the camera.
std::optional<Vec2> reprojection(const Camera& camera_a, const Rotation& a, const Camera& camera_b,
                                 const Rotation& b, const Match& match);

}  // namespace broadloom
