/// What the page's seam view shows, from what a render knows.
#pragma once

#include <string>
#include <vector>

#include "blend/label_grid.hpp"
#include "broadloom/canvas.hpp"
#include "broadloom/scene.hpp"
#include "canvas/frame_fields.hpp"

namespace broadloom {

/// The script that stands beside the page (see io/seam_overlay.hpp): the labels of `grid` where
/// they lie on the rendered canvas, which may be another size or a part of the grid's, and the used
/// frames. `fields` are the frames' corrections, as the used frames; empty: none. Throws
/// Error{internal} when the grid does not meet the canvas.
std::string seam_view_script(const Scene& scene, const Canvas& canvas, const LabelGrid& grid,
                             const std::vector<FrameFields>& fields = {});

}  // namespace broadloom
