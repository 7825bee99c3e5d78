/// How far a solved scene lies from the exact one: where each pixel's direction comes out, focal
/// length, gains and vignetting. What no photograph can tell is left out: one rotation common to
/// all frames, and one factor a channel common to all gains.
#pragma once

#include <array>
#include <cstddef>
#include <string>
#include <vector>

#include "broadloom/rotation.hpp"
#include "broadloom/scene.hpp"

namespace broadloom::test {

/// One frame's reprojection error, in pixels of the full frame.
struct FrameTruth {
    std::string file;       ///< as in the solved scene
    std::string placed_by;  ///< as in the solved scene
    double rms_px = 0, max_px = 0;
};

struct SceneTruth {
    /// Over the lattice of all compared frames: a pixel's direction by the true camera, seen by the
    /// solved one after the common rotation, against the pixel. Infinite where the solved camera
    /// does not show the direction at all.
    double rms_px = 0, max_px = 0;
    std::vector<FrameTruth> frames;  ///< in the solved scene's order
    Rotation common;                 ///< solved world to true world

    double focal_share = 0;  ///< solved / true - 1, the camera's whose magnitude is largest
    /// |gain ratio / common factor of the channel - 1|, over frames and channels.
    double gain_rms_share = 0, gain_max_share = 0;
    /// Solved / true - 1 of the vignetting at the frame's corner (r = 1), largest in magnitude.
    double corner_vignetting_share = 0;

    std::vector<std::string> missing;  ///< used in truth, not in the solved scene
    std::vector<std::string> extra;    ///< used in the solved scene, left out in truth

    /// RMS over the frames with this `placed_by` alone; 0 when there are none.
    [[nodiscard]] double rms_px_of(const std::string& placed_by) const;
};

/// Compares frames that are used in the solved scene, paired with the truth by file name without
/// folders; every one needs orientations in both. The lattice has `across` x `across` pixels in
/// each frame, the outermost half a cell from the edge. Throws std::runtime_error when names repeat
/// within a scene, a solved frame is unknown to the truth, nothing is left to compare, or frame
/// sizes differ.
SceneTruth compare_with_truth(const Scene& truth, const Scene& solved, int across = 9);

/// The turn that best takes the directions `from` to `to` (of equal number, at least two that are
/// not parallel), least squares. B. K. P. Horn, "Closed-form solution of absolute orientation using
/// unit quaternions", J. Opt. Soc. Am. A 4 (1987), section 4.
Rotation best_rotation(const std::vector<Vec3>& from, const std::vector<Vec3>& to);

/// A few lines for people.
std::string truth_text(const SceneTruth& truth);

}  // namespace broadloom::test
