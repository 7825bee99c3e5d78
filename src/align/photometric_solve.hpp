/// Exposure of each frame and vignetting of each camera from what overlapping frames show (linear
/// light; Goldman & Chen 2005/2010). The sampling needs the solved geometry.
/// A patch of the world of radiance L is recorded as E = L V(r) / gain, so that of two frames
/// log Ea + log gain_a - log V(ra) = log Eb + log gain_b - log V(rb), a channel.
#pragma once

#include <array>
#include <cstddef>
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
    /// 0..1, as the inverse square of the expected relative error: 1 for a smooth bright patch,
    /// smaller where it has texture or is dark.
    float weight = 1;
};

/// Samples of one pair, at most `most`, spread evenly over the part of frame a that b sees too: the
/// smoothest patch of each cell of a lattice. Patches are 5 reduced pixels square; those with a
/// pixel near white or black in either frame, and those with strong texture, are left out. Empty
/// where the frames do not overlap. The images are the frames upright, reduced.
std::vector<PhotometricSample> sample_overlap(size_t a, size_t b, const ColourImage& image_a,
                                              const ColourImage& image_b, const Camera& camera_a,
                                              const Camera& camera_b, const Rotation& rotation_a,
                                              const Rotation& rotation_b, size_t most);

struct PhotometricInput {
    size_t frames = 0;
    std::vector<size_t> camera_of_frame;  ///< `frames` of them, each below `cameras`
    size_t cameras = 1;
    /// In any order: the result is the same to the last bit. Of frames beyond `frames`, of a frame
    /// with itself, or without light in a channel: passed over.
    std::span<const PhotometricSample> samples;
    /// Weak prior on each frame's brightness, stops, about 1 or about the drift; a fifth of it on
    /// each channel against that, since white balance was locked.
    double prior_stops = 0.5;
    bool drift = true;       ///< frames stand in capture order; light may drift smoothly
    bool vignetting = true;  ///< false: the cameras are taken to have none
};

struct PhotometricResult {
    /// Their geometric mean over the frames is 1, a channel. A frame without samples has what its
    /// neighbours in capture order lead to expect, without drift 1.
    std::vector<std::array<double, 3>> gains;
    /// v2 v4 v6 of each camera; the curve lies within 0.1..1.2 for radii 0..1.
    std::vector<std::array<double, 3>> vignetting;
    /// Median over pairs of |median over samples of log2 of the ratio of luminances|.
    double spread_before_stops = 0, spread_after_stops = 0;
};

/// Least squares with a robust loss (iteratively reweighted), for all frames at once.
PhotometricResult solve_photometry(const PhotometricInput& input);

}  // namespace broadloom
