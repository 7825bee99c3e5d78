/// Which frames overlap, and how one is turned against the other: a rotating camera with a lens.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/rotation.hpp"
#include "match/features.hpp"

namespace broadloom {

struct Match {
    Vec2 a, b;  ///< the same point in frame a and frame b, full-size upright pixels
};

/// One registration of frame b against frame a: d_a = a_from_b d_b.
struct PairLink {
    size_t a = 0, b = 0;  ///< a < b
    Rotation a_from_b;
    std::vector<Match> matches;  ///< that agree with it
    size_t tentative = 0;        ///< putative matches inside the overlap that it implies
    double rms_px = 0;
    bool accepted = false;  ///< inliers > 8 + 0.3 tentative (Brown & Lowe, IJCV 2007)
};

/// Candidate pairs by appearance alone: each feature's nearest neighbours in all other frames vote
/// (Brown & Lowe 2007); each frame keeps its `most` best partners. Pairs (a < b), sorted.
/// Deterministic for any number of threads.
std::vector<std::pair<size_t, size_t>> similar_pairs(std::span<const FeatureSet> frames,
                                                     size_t most, int threads);

struct RegisterOptions {
    /// Share of the frame's width by which a point may be off under a rotation, while focal length
    /// and lens are only guesses.
    double loose_share = 0.012;
    size_t candidates = 3;  ///< registrations kept in repetitive scenes, best first
    /// What the head says: only registrations within prior_deg of it count, and matches are sought
    /// near where it puts them.
    std::optional<Rotation> predicted;
    double prior_deg = 0;
};

/// Registers one pair by mutual nearest neighbours with a ratio test, two-point rotations drawn at
/// random (seeded by the pair's indices), and refinement of rotation, common focal length factor
/// and k1. Several candidates when the scene repeats; best first; empty when nothing fits.
std::vector<PairLink> register_pair(size_t a, size_t b, const FeatureSet& frame_a,
                                    const FeatureSet& frame_b, const Camera& camera_a,
                                    const Camera& camera_b, const RegisterOptions& options = {});

/// Guided: with cameras and orientations known to about `radius_px`, all matches within it.
std::vector<Match> guided_matches(const FeatureSet& frame_a, const FeatureSet& frame_b,
                                  const Camera& camera_a, const Camera& camera_b,
                                  const Rotation& a_from_b, double radius_px);

/// Least squares matching (A. Gruen, 1985) of small windows: each match's point in b is moved to
/// where b's window, warped by the geometry and corrected for brightness and contrast, fits a's
/// best. Matches that do not converge, move more than `most_px` full-size pixels or fit badly are
/// dropped. At most `most` matches, spread over the overlap.
std::vector<Match> refine_matches(const GreyImage& image_a, const GreyImage& image_b,
                                  const Camera& camera_a, const Camera& camera_b,
                                  const Rotation& a_from_b, std::span<const Match> matches,
                                  double most_px, size_t most);

}  // namespace broadloom
