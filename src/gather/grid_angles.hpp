/// Where the head aimed for each cell, from the frames that are seen.
#pragma once

#include "gather/arrangement.hpp"
#include "gather/grid_search.hpp"
#include "gather/grid_steps.hpp"
#include "gather/rough_positions.hpp"

namespace broadloom {

/// Fills steps, wraps, and yaw, pitch and by_sequence of the frames, whose rows and columns are
/// set.
void set_angles(const GridFit& fit, const RoughPositions& rough, const GridSteps& steps,
                double width_deg, Arrangement& out);

}  // namespace broadloom
