/// The files of a card as photographs: headers and tags, not yet pixels.
#pragma once

#include <string>
#include <vector>

#include "broadloom/gather.hpp"
#include "gather/photo.hpp"

namespace broadloom {

/// Photographs of the options' inputs, one an exposure, in capture order, upright by
/// settle_orientation(). Raw files have no frame_path yet. Adds to `notes` and `findings`. Throws
/// Error; all unreadable files are reported together, and so is a bracketed set.
std::vector<Photo> read_card(const GatherOptions& options, int threads, const WorkHooks& hooks,
                             std::vector<std::string>& notes, std::vector<Finding>& findings);

/// Develops the raw files among `photos` beside the scene, all with the white balance of the first,
/// and gives each its frame_path and info. What was developed already by the same rules stays.
/// Tells the space first; throws Error{machine} when the disk has not enough.
void develop_raws(std::vector<Photo>& photos, const std::filesystem::path& scene, int threads,
                  int64_t memory_bytes, const WorkHooks& hooks, std::vector<std::string>& notes);

}  // namespace broadloom
