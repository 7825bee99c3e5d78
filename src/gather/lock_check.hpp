/// Did the camera stay locked? What differs from frame to frame, and what that does.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "broadloom/gather.hpp"
#include "gather/photo.hpp"

namespace broadloom {

/// Findings for exposure time, aperture, ISO, focal length, white balance, focus distance and mode,
/// flash, exposure mode, size, camera and lens; a frame that differs from the usual (most frequent)
/// value of the set, and settings that were on automatic for the whole set.
std::vector<Finding> check_lock(const std::vector<Photo>& photos);

/// Sets Photo::orientation: `wanted` when given, otherwise the file's own, and where the set
/// disagrees the majority's, with a finding for each frame that was changed. Frames whose stored
/// size differs keep their own.
std::vector<Finding> settle_orientation(std::vector<Photo>& photos, std::optional<int> wanted);

}  // namespace broadloom
