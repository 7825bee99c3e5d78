/// Several takes of one cell: which is used.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "gather/arrangement.hpp"

namespace broadloom {

/// Leaves out all takes but one of each row and column: the latest is kept, unless it is clearly
/// less sharp than another. Sets left_out, reason and kept of the others.
void choose_takes(std::span<const double> sharpness, std::vector<Placement>& frames);

}  // namespace broadloom
