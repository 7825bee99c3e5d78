/// What the used frames cover of the surface: the longitudes, as arcs of the circle, and the
/// extreme latitudes. Found from the frames' outlines, sampled finely and refined at their turning
/// points.
#pragma once

#include <string>
#include <vector>

#include "broadloom/scene.hpp"

namespace broadloom {

/// A stretch of longitudes, eastwards from `start_deg`; start in [0, 360), 0 <= length <= 360.
struct LongitudeArc {
    double start_deg = 0, length_deg = 0;
};

/// The arcs without overlaps, sorted by their starts; one arc of 360 degrees when they leave no
/// gap.
std::vector<LongitudeArc> merged(std::vector<LongitudeArc> arcs);

struct FrameCoverage {
    bool any = false;      ///< something of a frame lies on the surface
    double left_deg = 0;   ///< in [-180, 180)
    double right_deg = 0;  ///< in [left, left + 360]
    double bottom_deg = 0, top_deg = 0;
    bool all_around = false;  ///< no gap in the longitudes, or a pole in view of a sphere
    bool pole_in_view = false;
    bool cut = false;  ///< a cylinder's frames reach beyond its limit
};

/// Coverage by the used frames of a scene; on a cylinder of what lies within +-`limit_deg` of
/// latitude. Every used frame must have a known camera and an orientation.
FrameCoverage frame_coverage(const Scene& scene, double limit_deg);

}  // namespace broadloom
