/// Which frames overlap: registrations of the pairs that the head's aim or the pictures suggest.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "align/frame_set.hpp"
#include "align/joint_solve.hpp"
#include "match/pairs.hpp"

namespace broadloom {

/// Pairs (a < b) whose frames overlap by at least `share` of their width and height, each frame
/// with its rotation; frames without one have no pairs.
std::vector<std::pair<size_t, size_t>> overlapping_pairs(
    const FrameSet& set, const std::vector<Camera>& cameras,
    const std::vector<std::optional<Rotation>>& rotations, double share);

/// Registers the pairs that the head's aim predicts and, when few of them fit or there is no aim,
/// those that look alike. Adds what a person should know to `notes`.
std::vector<PairLink> find_links(const FrameSet& set, const std::vector<FeatureSet>& features,
                                 int workers, const WorkHooks& hooks,
                                 std::vector<std::string>& notes);

/// With a solution at hand: better and more matches of every overlapping pair, measured in the grey
/// frames. `radius_px` is how far the solution may be off.
std::vector<PairLink> measure_links(const FrameSet& set, const std::vector<FeatureSet>& features,
                                    const SolveResult& solution, ImageCache<GreyImage>& greys,
                                    double radius_px, int workers, const WorkHooks& hooks);

}  // namespace broadloom
