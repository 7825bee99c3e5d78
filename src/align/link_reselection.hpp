/// Links judged by a solution: those that it contradicts go, candidates that it confirms come in.
#pragma once

#include <span>
#include <vector>

#include "align/bundle.hpp"
#include "match/pairs.hpp"

namespace broadloom {

struct Reselection {
    std::span<const PairLink> links;
    std::span<const size_t> camera_of_frame;
    const BundleState& state;      ///< its link_miss_px belongs to `used`
    std::span<const size_t> used;  ///< into links
    /// What is not yet tied together may have drifted by so much of the way between its frames.
    double drift_share = 0;
};

/// The links to use next, sorted, one a pair. `dropped` counts, by link, how often it went; a link
/// that went twice stays out.
std::vector<size_t> reselect_links(const Reselection& from, std::vector<int>& dropped);

}  // namespace broadloom
