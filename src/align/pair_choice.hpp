/// Which registrations to believe: the set that agrees with itself over cycles. Knows relative
/// rotations only, which are off by a few per cent of their angle while the focal length is a
/// guess; such errors nearly cancel around a short cycle.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "broadloom/rotation.hpp"
#include "match/pairs.hpp"

namespace broadloom {

struct ChoiceOptions {
    double base_rad = 0.005;  ///< error of one registration however small its angle
    double share = 0.02;      ///< error as a share of the angles along the cycle
    double most_rad = 0.15;   ///< no cycle may miss by more
    /// Relative rotation that the head says for a pair (frames a, b), where it says something; by
    /// frame. Registrations off by more than `head_rad` and a quarter of the angle are not
    /// believed; 0: the head is not asked.
    std::vector<std::optional<Rotation>> head;
    double head_rad = 0;
};

struct PairChoice {
    std::vector<size_t> links;                       ///< believed, at most one a pair; sorted
    std::vector<std::optional<Rotation>> rotations;  ///< along the tree; absent: no link at all
    std::vector<size_t> group;                       ///< by frame; see group_frames()
    size_t groups = 0;
};

/// Links confirmed by cycles of three or four come first, the strongest spanning tree of those
/// joins frames to parts; parts are then joined by the strongest set of links that agree on how one
/// lies to the other. Of each pair the candidate nearest to the tree is believed, when it is near.
/// Of several such trees the one that most matches agree with is taken.
PairChoice choose_pairs(size_t frames, std::span<const PairLink> links,
                        const ChoiceOptions& options);

struct Groups {
    std::vector<size_t> of_frame;  ///< 0 is the largest; equal ones by their lowest frame
    size_t count = 0;              ///< frames without any link are groups of one
};
Groups group_frames(size_t frames, std::span<const PairLink> links, std::span<const size_t> used);

/// Sum of the angles along the shortest way between two frames over `used` links; infinite when
/// there is none. `angles` belongs to `used`.
std::vector<double> shortest_ways(size_t frames, std::span<const PairLink> links,
                                  std::span<const size_t> used, std::span<const double> angles,
                                  size_t from);

}  // namespace broadloom
