/// Reads a frame's masks.
#pragma once

#include <string>
#include <vector>

#include "broadloom/scene.hpp"
#include "scene/json_value.hpp"
#include "scene/problems.hpp"

namespace broadloom {

/// The masks in an array; everything that is wrong with them becomes a problem with its place, like
/// "frames[3].masks[0].outline_px[2]".
std::vector<FrameMask> read_masks(const JsonValue& array, const std::string& place,
                                  Problems& problems);

}  // namespace broadloom
