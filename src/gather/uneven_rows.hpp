/// Rows that hold different numbers of columns: plans for steep pitch, shot row by row.
#pragma once

#include <span>
#include <vector>

#include "gather/grid_search.hpp"
#include "gather/grid_steps.hpp"
#include "gather/rough_positions.hpp"

namespace broadloom {

/// Where one step of yaw does not serve all rows and `fits` explains the frames badly, adds what
/// rows of different length explain, and sorts by cost.
void add_uneven_fits(std::span<const SequenceFrame> frames, const RoughPositions& rough,
                     const GridSteps& steps, const GridWishes& wishes, std::vector<GridFit>& fits);

}  // namespace broadloom
