/// Orders and sizes of a grid, tried against a sequence of frames of which most are seen somewhere.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "gather/grid_steps.hpp"
#include "gather/order_pattern.hpp"
#include "gather/sequence_fit.hpp"

namespace broadloom {

struct GridWishes {
    std::optional<int64_t> rows, columns;
    std::optional<ShootOrder> order;
};

struct GridFit {
    OrderPattern pattern;
    double cost = 0;
    double aim_cost = 0;          ///< the part of it that frames off their cells' middles cause
    std::vector<int64_t> cell;    ///< by frame, index in the pattern's sequence
    std::vector<bool> misplaced;  ///< by frame: was seen elsewhere than its cell lies
    double extent_deg = 0;        ///< of uneven rows: yaw from the first column to the last
    bool round = false;           ///< uneven rows close the circle
};

/// Do two fits put all frames into the same rows and columns?
bool same_places(const GridFit& a, const GridFit& b);

/// The likeliest patterns with the same number of columns in each row, best first, each with
/// places of its own. Empty when the wishes cannot be met or nothing says how long a line is.
std::vector<GridFit> search_grids(std::span<const SequenceFrame> frames, int components,
                                  const GridSteps& steps, const GridWishes& wishes);

/// Where a cell lies, in steps, with the first cell at 0.
GridPoint even_grid_point(const ShootOrder& order, PatternCell cell);

}  // namespace broadloom
