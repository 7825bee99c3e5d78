/// The steps of the head, from where the frames aimed, and the frames' places counted in steps.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "gather/arrangement.hpp"
#include "gather/rough_positions.hpp"
#include "gather/sequence_fit.hpp"

namespace broadloom {

struct GridSteps {
    double step_right_deg = 0;  ///< of yaw, the same in all rows when columns_agree
    double step_up_deg = 0;
    bool rows_seen = false, columns_seen = false;  ///< false: the step is only a guess
    /// How well one step of yaw serves all rows, 0..1. Low when rows hold different numbers of
    /// columns.
    double columns_agree = 1;
    int64_t round_columns = 0;  ///< columns that close the circle; 0: it is not closed
    /// By frame, in steps, near whole numbers where it could be; y counts downwards.
    std::vector<GridPoint> at;
};

GridSteps grid_steps(const RoughPositions& rough, std::span<const Displacement> displacements,
                     double width_deg, double height_deg);

}  // namespace broadloom
