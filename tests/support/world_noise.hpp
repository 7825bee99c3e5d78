/// Deterministic noise for the procedural world: integer hashes, gradient noise and its sums.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>

#include "broadloom/rotation.hpp"

namespace broadloom::test {

/// A well mixed 32-bit value of three integers (finaliser of MurmurHash3, from memory).
inline uint32_t hash_of(int64_t x, int64_t y, int64_t z = 0) {
    uint32_t h = static_cast<uint32_t>(x) * 0x8da6b343U ^ static_cast<uint32_t>(y) * 0xd8163841U ^
                 static_cast<uint32_t>(z) * 0xcb1ab31fU;
    h ^= h >> 16U;
    h *= 0x85ebca6bU;
    h ^= h >> 13U;
    h *= 0xc2b2ae35U;
    return h ^ (h >> 16U);
}

/// 0..1.
inline double unit_of(uint32_t h) { return h * (1.0 / 4294967296.0); }
inline double random_unit(int64_t x, int64_t y, int64_t z = 0) { return unit_of(hash_of(x, y, z)); }

inline double clamp01(double x) { return std::clamp(x, 0.0, 1.0); }
inline double smoothstep(double from, double to, double x) {
    const double t = clamp01((x - from) / (to - from));
    return t * t * (3 - 2 * t);
}
inline double lerp(double a, double b, double t) { return a + (b - a) * t; }
inline Vec3 lerp(Vec3 a, Vec3 b, double t) { return a + t * (b - a); }
inline Vec3 times(Vec3 a, Vec3 b) { return {a.x * b.x, a.y * b.y, a.z * b.z}; }
inline int64_t floor_of(double x) {
    const auto i = static_cast<int64_t>(x);
    return i - (x < static_cast<double>(i) ? 1 : 0);
}
inline double fract(double x) { return x - static_cast<double>(floor_of(x)); }

/// Gradient noise of two coordinates, about -1..1, one feature a unit.
inline double noise2(double x, double y, int64_t seed = 0) {
    const int64_t ix = floor_of(x);
    const int64_t iy = floor_of(y);
    const double fx = x - static_cast<double>(ix);
    const double fy = y - static_cast<double>(iy);
    const auto slope = [&](int64_t i, int64_t j, double dx, double dy) {
        const uint32_t h = hash_of(ix + i, iy + j, seed);
        const double a = static_cast<int>(h & 0xffffU) * (2.0 / 65535) - 1;
        const double b = static_cast<int>(h >> 16U) * (2.0 / 65535) - 1;
        return a * dx + b * dy;
    };
    const double u = fx * fx * fx * (fx * (fx * 6 - 15) + 10);
    const double v = fy * fy * fy * (fy * (fy * 6 - 15) + 10);
    return 1.5 * lerp(lerp(slope(0, 0, fx, fy), slope(1, 0, fx - 1, fy), u),
                      lerp(slope(0, 1, fx, fy - 1), slope(1, 1, fx - 1, fy - 1), u), v);
}

/// Sum of octaves, each of twice the frequency and half the height, turned against each other.
inline double fbm2(double x, double y, int octaves, int64_t seed = 0) {
    double sum = 0;
    double height = 0.5;
    for (int i = 0; i < octaves; ++i) {
        sum += height * noise2(x, y, seed + i);
        const double turned = 1.6 * x + 1.2 * y;
        y = 1.6 * y - 1.2 * x;
        x = turned;
        height *= 0.5;
    }
    return sum;
}

/// The same with creases upwards, 0..1: mountain ridges.
inline double ridged2(double x, double y, int octaves, int64_t seed = 0) {
    double sum = 0;
    double height = 0.5;
    double weight = 1;
    for (int i = 0; i < octaves; ++i) {
        const double crease = 1 - std::min(1.0, std::abs(noise2(x, y, seed + i)) * 1.4);
        sum += height * weight * crease * crease;
        weight = clamp01(crease * 1.6);
        const double turned = 1.6 * x + 1.2 * y;
        y = 1.6 * y - 1.2 * x;
        x = turned;
        height *= 0.52;
    }
    return sum;
}

/// Value noise of three coordinates, 0..1.
inline double noise3(Vec3 p, int64_t seed = 0) {
    const int64_t ix = floor_of(p.x);
    const int64_t iy = floor_of(p.y);
    const int64_t iz = floor_of(p.z);
    const auto ease = [](double t) { return t * t * (3 - 2 * t); };
    const double u = ease(p.x - static_cast<double>(ix));
    const double v = ease(p.y - static_cast<double>(iy));
    const double w = ease(p.z - static_cast<double>(iz));
    const auto at = [&](int64_t i, int64_t j, int64_t k) {
        return unit_of(hash_of(ix + i, iy + j, (iz + k) * 7919 + seed));
    };
    return lerp(lerp(lerp(at(0, 0, 0), at(1, 0, 0), u), lerp(at(0, 1, 0), at(1, 1, 0), u), v),
                lerp(lerp(at(0, 0, 1), at(1, 0, 1), u), lerp(at(0, 1, 1), at(1, 1, 1), u), v), w);
}

}  // namespace broadloom::test
