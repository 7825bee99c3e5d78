/// The colour profile that our files carry.
#pragma once

#include <cstdint>
#include <vector>

namespace broadloom {

/// An ICC profile of sRGB: ICC.1:2001-04 (version 2.4) display profile, three primaries adapted to
/// D50 and one curve of 1024 entries. The same bytes at every call and on every machine.
std::vector<uint8_t> srgb_profile();

}  // namespace broadloom
