/// The map on the alignment's page: outlines of the frames where they look, and a line for each
/// pair.
#pragma once

#include <string>
#include <vector>

#include "align/align_page.hpp"

namespace broadloom {

/// What the report says of each frame of the scene; null: nothing, it took no part. Throws
/// Error{internal} when that cannot be told (see make_align_page).
std::vector<const FrameReport*> reports_by_scene_index(const AlignPage& page);

/// An inline SVG, yaw to the right and pitch up, equal scales; how a frame was placed and whether
/// it is to be trusted is told by pattern, outline and the shape at its middle. Only frames with a
/// place and a size are drawn. Empty when there is none.
std::string align_map(const AlignPage& page);

/// What the signs on the map mean, as a list; only the signs that occur.
std::string align_map_key(const AlignPage& page);

}  // namespace broadloom
