/// Where each frame and finding goes on the contact sheet.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "gather/contact_sheet.hpp"

namespace broadloom {

using GridCell = std::pair<int64_t, int64_t>;

/// Findings that say the same of several frames; told once, with a number that marks the frames.
struct FindingKind {
    std::string what, effect;
    std::vector<size_t> findings;
    bool folded = false;  ///< one of many of its sort
    bool marked = true;   ///< on its frames; not where most frames would bear the same mark
};

/// Where everything goes.
struct ContactPlan {
    std::vector<FindingKind> kinds;
    std::vector<size_t> kind_of_finding;
    std::map<GridCell, std::vector<size_t>> cells;  ///< frames in use
    std::vector<GridCell> holes;
    std::vector<size_t> loose;  ///< frames in use of a set without a grid
    std::vector<size_t> homeless, left_out;
    std::vector<size_t> frame_of_finding;  ///< frames.size(): none
    size_t by_order = 0;                   ///< placed by the order alone
    std::vector<int64_t> columns_of_row;   ///< that frames or holes reach
};

/// Is the cell one of the sheet's rows and columns?
bool inside_grid(const ContactSheet& sheet, const GridCell& cell);

ContactPlan plan_contact_sheet(const ContactSheet& sheet);

}  // namespace broadloom
