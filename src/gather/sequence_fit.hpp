/// The least costly way in which a sequence of frames walks through the cells of a pattern: one
/// after the other, but for steps back after a spoilt frame and for cells that were left out.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

namespace broadloom {

/// Where something lies, in steps of the grid (x to the right, y down). Every component of frames
/// has an origin of its own.
struct GridPoint {
    double x = 0, y = 0;
};

struct SequenceFrame {
    int component = -1;        ///< -1: nothing is known of where it lies
    GridPoint at;              ///< in its component
    double likely_retake = 0;  ///< 0..1: an unusual pause before it
};

struct SequenceFitInput {
    std::span<const SequenceFrame> frames;
    std::span<const GridPoint> cells;  ///< in shooting order
    /// By cell: differences in x are counted this many times; empty: once.
    std::span<const double> scale_x;
    /// By component: its origin in the cells' coordinates; absent: not yet known.
    std::span<const std::optional<GridPoint>> origins;
    double period_x = 0;     ///< cells of x and x + period_x are the same; 0: none
    int64_t line = 0;        ///< the sequence may end after any multiple of this many cells ...
    bool all_cells = false;  ///< ... or, when set, only after the last
};

struct SequenceFit {
    double cost = 0;
    std::vector<int64_t> cell;  ///< by frame: index into cells
    int64_t end = 0;            ///< cells that the shoot was to have
};

/// Dynamic programme over frames and cells. In units of a negative log likelihood; see the
/// constants in the source.
SequenceFit fit_sequence(const SequenceFitInput& input);

/// By frame: was it seen elsewhere than in the cell that it was given?
std::vector<bool> misplaced_frames(const SequenceFitInput& input, const SequenceFit& fit);

/// The part of the cost that aim errors cause: frames off the middles of their cells, but not those
/// that were seen elsewhere.
double aim_cost(const SequenceFitInput& input, const SequenceFit& fit);

/// What a frame costs in a cell that lies this far, in steps, from where the frame was seen.
double misplacement_cost(double dx, double dy);

}  // namespace broadloom
