/// One rotation between two frames from putative matches, with the lens known only roughly.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/rotation.hpp"
#include "match/pairs.hpp"
#include "scene/rotation_math.hpp"

namespace broadloom {

/// A putative match: pixels, and where the stated lenses see them (Z = 1).
struct Sighting {
    Match pixels;
    Vec2 a, b;  ///< normalised, undistorted
};

/// A common correction of the stated cameras: the focal length times `focal`, and a radial term k1
/// on top of the stated lens.
struct LensGuess {
    double focal = 1, k1 = 0;
    /// The corrected direction (Z = 1) of a normalised, undistorted point of the stated lens.
    [[nodiscard]] Vec2 apply(Vec2 p) const;
};

struct Registration {
    Rotation a_from_b;
    LensGuess lens;
};

/// What the search needs to know of the pair.
struct PairShape {
    double focal_px = 0;       ///< of frame a as stated
    double width_px = 0;       ///< of frame a
    double corner_radius = 0;  ///< tangent of the half diagonal field of view
    uint64_t seed = 0;
    std::optional<Rotation> predicted;
    double prior_rad = 0;
};

/// Distance in a's pixels between the match's point in a and where the registration puts b's;
/// +infinity when that lies behind the camera.
double miss_px(const Registration& fit, const Sighting& sighting, double focal_px);

/// The rotation that most sightings agree with to `loose_px`, from pairs of sightings drawn at
/// random; nullopt when no two agree.
std::optional<Rotation> search_rotation(const std::vector<Sighting>& sightings,
                                        const PairShape& shape, double loose_px);

/// Least squares over rotation, focal factor and k1 with weak priors on the last two, robust at
/// `scale_px` (Cauchy weights), from the start given.
Registration refine_registration(const std::vector<Sighting>& sightings, const PairShape& shape,
                                 Registration start, double scale_px);

}  // namespace broadloom
