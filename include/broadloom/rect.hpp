/// Half-open rectangles of pixels with 64-bit corners.
#pragma once

#include <algorithm>
#include <cstdint>

namespace broadloom {

/// Pixels with x0 <= x < x1 and y0 <= y < y1.
struct Rect {
    int64_t x0 = 0, y0 = 0, x1 = 0, y1 = 0;

    [[nodiscard]] int64_t width() const { return x1 - x0; }
    [[nodiscard]] int64_t height() const { return y1 - y0; }
    [[nodiscard]] int64_t area() const { return empty() ? 0 : width() * height(); }
    [[nodiscard]] bool empty() const { return x1 <= x0 || y1 <= y0; }
    [[nodiscard]] bool contains(const Rect& r) const {
        return r.x0 >= x0 && r.x1 <= x1 && r.y0 >= y0 && r.y1 <= y1;
    }
    [[nodiscard]] Rect grown(int64_t by) const { return {x0 - by, y0 - by, x1 + by, y1 + by}; }
    [[nodiscard]] Rect moved(int64_t dx, int64_t dy) const {
        return {x0 + dx, y0 + dy, x1 + dx, y1 + dy};
    }
    friend bool operator==(const Rect&, const Rect&) = default;
};

/// The common part; empty rectangles come back with zero width and height.
inline Rect intersect(const Rect& a, const Rect& b) {
    Rect r{std::max(a.x0, b.x0), std::max(a.y0, b.y0), std::min(a.x1, b.x1), std::min(a.y1, b.y1)};
    if (r.empty()) r = {r.x0, r.y0, r.x0, r.y0};
    return r;
}

/// The smallest rectangle that holds both; an empty one does not count.
inline Rect hull(const Rect& a, const Rect& b) {
    if (a.empty()) return b;
    if (b.empty()) return a;
    return {std::min(a.x0, b.x0), std::min(a.y0, b.y0), std::max(a.x1, b.x1), std::max(a.y1, b.y1)};
}

/// Division that rounds towards minus infinity, and its partner; b > 0.
constexpr int64_t floor_div(int64_t a, int64_t b) { return a / b - (a % b != 0 && a < 0 ? 1 : 0); }
constexpr int64_t ceil_div(int64_t a, int64_t b) { return -floor_div(-a, b); }

/// Grown outwards so that every corner is a multiple of `step`.
inline Rect aligned_outwards(const Rect& r, int64_t step) {
    return {floor_div(r.x0, step) * step, floor_div(r.y0, step) * step, ceil_div(r.x1, step) * step,
            ceil_div(r.y1, step) * step};
}

}  // namespace broadloom
