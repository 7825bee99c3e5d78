/// The cells of a grid in the order in which they are photographed.
#pragma once

#include <array>
#include <cstdint>
#include <utility>
#include <vector>

#include "broadloom/gather.hpp"

namespace broadloom {

/// A cell as the head comes to it: `line` counts columns (rows, when shot by row) as they are shot,
/// `at` the cells of a line from the end where the first line began, whichever way it is run.
struct PatternCell {
    int64_t line = 0, at = 0;
};

/// An order and the number of cells in each line. A line is what is shot in one go.
struct OrderPattern {
    ShootOrder order;
    std::vector<int64_t> lengths;  ///< of each line; all the same when shot by column

    [[nodiscard]] int64_t cells() const;
    /// All cells in shooting order.
    [[nodiscard]] std::vector<PatternCell> sequence() const;
    /// Row from the top and column from the left.
    [[nodiscard]] std::pair<int64_t, int64_t> row_and_column(PatternCell cell) const;
    [[nodiscard]] int64_t rows() const;
    [[nodiscard]] std::vector<int64_t> columns() const;  ///< of each row, from the top
};

/// All sixteen.
std::array<ShootOrder, 16> all_shoot_orders();

}  // namespace broadloom
