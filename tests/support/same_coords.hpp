/// Bit for bit equality of a cell's coordinates and corrections.
#pragma once

#include <cstring>

#include "image/kernels.hpp"

namespace broadloom::test {

inline bool same_coords(const CellCoords& a, const CellCoords& b) {
    if (a.by_channel != b.by_channel || a.monotone != b.monotone ||
        a.corners_of_g != b.corners_of_g) {
        return false;
    }
    const size_t channels = a.by_channel ? 3 : 1;
    const bool same_g =
        a.corners_of_g ? std::memcmp(a.g_corner, b.g_corner, channels * sizeof a.g_corner[0]) == 0
                       : std::memcmp(a.g, b.g, channels * sizeof a.g[0]) == 0;
    return same_g && std::memcmp(a.u, b.u, sizeof a.u) == 0 &&
           std::memcmp(a.v, b.v, sizeof a.v) == 0 &&
           std::memcmp(a.h, b.h, channels * sizeof a.h[0]) == 0;
}

}  // namespace broadloom::test
