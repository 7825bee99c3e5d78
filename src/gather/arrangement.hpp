/// Rows, columns and order of a shoot, and its retakes, from how frames lie against each other.
/// Works on displacements and times alone; knows no pictures.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/gather.hpp"

namespace broadloom {

/// Frame b seen from frame a, in degrees on the sphere of frame a: how far the axis of b lies to
/// the right of and above the axis of a.
struct Displacement {
    size_t a = 0, b = 0;  ///< places in the sequence, a < b
    double right_deg = 0, up_deg = 0;
    double weight = 1;  ///< number of matches behind it
};

struct ArrangementInput {
    size_t frames = 0;                     ///< in capture order
    double width_deg = 0, height_deg = 0;  ///< field of view
    std::vector<Displacement>
        displacements;  ///< any accepted pairs; at least sequence neighbours were tried
    std::vector<std::optional<double>> times_s;
    std::vector<double> sharpness;  ///< relative; higher is sharper; 0: unknown
    std::optional<int64_t> rows, columns;
    std::optional<ShootOrder> order;
    bool allow_gaps = false;
};

struct Placement {
    std::optional<int64_t> row, column;
    std::optional<double> yaw_deg, pitch_deg;  ///< where the head aimed, from the grid's steps
    bool left_out = false;
    std::string reason;          ///< why, without names; see kept for the take used instead
    std::optional<size_t> kept;  ///< the take used instead
    /// Placed by the order alone: without matches, or with matches that say another place.
    bool by_sequence = false;
};

struct Arrangement {
    bool complete = false;
    int64_t rows = 0;
    std::vector<int64_t> columns;  ///< of each row
    ShootOrder order;
    double step_right_deg = 0;  ///< of yaw, in the row nearest to the horizon
    double step_up_deg = 0;
    bool wraps = false;  ///< the columns go all the way round
    std::vector<Placement> frames;
    std::vector<std::pair<int64_t, int64_t>> empty_cells;  ///< row, column
    /// Frames that were given no cell: all of them, where the grid itself could not be told.
    std::vector<size_t> without_cell;
    /// Why it is not complete, a sentence that names options but no frames. Empty when complete,
    /// but for holes that allow_gaps lets pass.
    std::string problem;
};

/// Never guesses over a hole: `complete` is false and the lists say what is missing, unless
/// allow_gaps. Deterministic.
Arrangement arrange(const ArrangementInput& input);

}  // namespace broadloom
