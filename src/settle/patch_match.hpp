/// How far one patch's content lies from another's.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>

#include "broadloom/rotation.hpp"

namespace broadloom {

/// A displacement with what is known of it along two directions at right angles: along an edge
/// little is, and nothing is said of a direction with a deviation of kUnknown.
struct PatchOffset {
    static constexpr double kUnknown = 1e9;
    Vec2 by;                          ///< what stands at p in the first stands at p + by in the
                                      ///< second; patch pixels
    std::array<Vec2, 2> axis;         ///< unit length; the better known first
    std::array<double, 2> deviation;  ///< standard, patch pixels
};

/// Farthest displacement that can be found, patch pixels.
inline constexpr int kFarthestSearch = 14;

/// The displacement of `second` from `first`, patches of kPatchSide squared. Normalised
/// correlation at half size finds it, within `search` (at most kFarthestSearch) patch pixels on
/// each axis, least squares refine it, with brightness and contrast left free. nullopt where the
/// patches hold too little, where more than one displacement would do, where the content differs,
/// or the way back leads elsewhere.
std::optional<PatchOffset> match_patches(std::span<const uint8_t> first,
                                         std::span<const uint8_t> second, int search);

}  // namespace broadloom
