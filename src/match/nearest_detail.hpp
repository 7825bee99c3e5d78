/// Nearest descriptors of two frames, compared one by one in whole numbers: exact, and the same on
/// every machine.
#pragma once

#include <cstddef>
#include <cstdint>
#include <utility>
#include <vector>

#include "broadloom/rotation.hpp"
#include "match/features.hpp"

namespace broadloom {

/// Where a point of the first frame is expected in the second.
struct Expected {
    Vec2 at;
    bool inside = false;  ///< false: nowhere, the point takes no part
};

struct NearestOptions {
    /// The nearest counts only below this share of the second nearest's distance (Lowe 2004, 7.1).
    double ratio = 0.8;
    /// The largest distance that counts; descriptors have the length 512.
    double most_distance = 1e9;
};

/// Mutual nearest neighbours, as indices into a and b, in the order of a. With `expected` (one for
/// each point of a), only points of b within `radius_px` of it are compared.
std::vector<std::pair<size_t, size_t>> mutual_nearest(const FeatureSet& a, const FeatureSet& b,
                                                      const NearestOptions& options);
std::vector<std::pair<size_t, size_t>> mutual_nearest(const FeatureSet& a, const FeatureSet& b,
                                                      const NearestOptions& options,
                                                      const std::vector<Expected>& expected,
                                                      double radius_px);

}  // namespace broadloom
