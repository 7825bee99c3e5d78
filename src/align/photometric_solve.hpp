/// Exposure of each frame and vignetting of each camera from what overlapping frames show (linear
/// light; Goldman & Chen 2005/2010). The sampling needs the solved geometry.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/rotation.hpp"
#include "match/reduced_frame.hpp"

namespace broadloom {

/// The same small patch of the world in two frames: linear light as recorded, 0..1, and how far
/// from the principal point, in half diagonals.
struct PhotometricSample {
    size_t a = 0, b = 0;  ///< frames
    std::array<float, 3> value_a{}, value_b{};
    float radius_a = 0, radius_b = 0;
    float weight = 1;  ///< smaller where the patch has texture or the values are dark
};

/// Samples of one pair on a regular lattice over the overlap, clipped (bright or black) patches
/// left out. Patches are `patch` reduced pixels square.
std::vector<PhotometricSample> sample_overlap(size_t a, size_t b, const ColourImage& image_a,
                                              const ColourImage& image_b, const Camera& camera_a,
                                              const Camera& camera_b, const Rotation& rotation_a,
                                              const Rotation& rotation_b, size_t most);

struct PhotometricInput {
    size_t frames = 0;
    std::vector<size_t> camera_of_frame;
    size_t cameras = 1;
    std::span<const PhotometricSample> samples;
    double prior_stops = 0.5;  ///< weak prior on each frame's gain
    bool drift = true;         ///< frames stand in capture order; light may drift smoothly
};

struct PhotometricResult {
    std::vector<std::array<double, 3>> gains;  ///< their geometric mean over frames is 1, a channel
    std::vector<std::array<double, 3>> vignetting;           ///< v2 v4 v6 of each camera
    double spread_before_stops = 0, spread_after_stops = 0;  ///< median over pairs
};

PhotometricResult solve_photometry(const PhotometricInput& input);

}  // namespace broadloom
