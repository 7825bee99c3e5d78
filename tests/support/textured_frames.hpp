/// A made-up world of many scales, and what patches of it look like.
#pragma once

#include <cmath>
#include <cstdint>

namespace broadloom::test {

/// Uniform in -1..1, a function of whole numbers.
inline double lattice_noise(int64_t x, int64_t y, uint64_t seed) {
    uint64_t k = seed * 0x9e3779b97f4a7c15ULL + static_cast<uint64_t>(x) * 0xbf58476d1ce4e5b9ULL +
                 static_cast<uint64_t>(y) * 0x94d049bb133111ebULL;
    k = (k ^ (k >> 30)) * 0xbf58476d1ce4e5b9ULL;
    k = (k ^ (k >> 27)) * 0x94d049bb133111ebULL;
    k ^= k >> 31;
    return static_cast<double>(k >> 11) / 4503599627370496.0 - 1;
}

/// Smooth noise of about this grain.
inline double smooth_noise(double x, double y, double grain, uint64_t seed) {
    x /= grain;
    y /= grain;
    const double fx = std::floor(x);
    const double fy = std::floor(y);
    const auto ix = static_cast<int64_t>(fx);
    const auto iy = static_cast<int64_t>(fy);
    const double tx = x - fx;
    const double ty = y - fy;
    const double u = tx * tx * (3 - 2 * tx);
    const double v = ty * ty * (3 - 2 * ty);
    const double top = lattice_noise(ix, iy, seed) * (1 - u) + lattice_noise(ix + 1, iy, seed) * u;
    const double low =
        lattice_noise(ix, iy + 1, seed) * (1 - u) + lattice_noise(ix + 1, iy + 1, seed) * u;
    return top * (1 - v) + low * v;
}

/// Levels around 0, within about +-90, with detail from 5 px to 150 px.
inline double texture(double x, double y, uint64_t seed) {
    return 22 * smooth_noise(x, y, 5, seed) + 22 * smooth_noise(x, y, 13, seed + 1) +
           22 * smooth_noise(x, y, 40, seed + 2) + 24 * smooth_noise(x, y, 150, seed + 3);
}

}  // namespace broadloom::test
