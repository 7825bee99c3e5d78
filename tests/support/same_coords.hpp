/// Bit for bit equality of a cell's coordinates and corrections.
#pragma once

#include <cstring>

#include "image/kernels.hpp"

namespace broadloom::test {

inline bool same_coords(const CellCoords& a, const CellCoords& b) {
    if (a.by_channel != b.by_channel) return false;
    const size_t channels = a.by_channel ? 3 : 1;
    return std::memcmp(a.u, b.u, sizeof a.u) == 0 && std::memcmp(a.v, b.v, sizeof a.v) == 0 &&
           std::memcmp(a.h, b.h, channels * sizeof a.h[0]) == 0 &&
           std::memcmp(a.g, b.g, channels * sizeof a.g[0]) == 0;
}

}  // namespace broadloom::test
