/// The colour profiles that our files carry.
#pragma once

#include <cstdint>
#include <vector>

#include "image/colour_space.hpp"

namespace broadloom {

/// An ICC profile of the space: ICC.1:2001-04 (version 2.4) display profile, three primaries
/// adapted to D50 and one curve (of 1024 entries, or the power 563/256 of Adobe RGB (1998)). The
/// same bytes at every call and on every machine.
std::vector<uint8_t> output_profile(ColourSpace space);

}  // namespace broadloom
