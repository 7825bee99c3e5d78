#include "io/frame_reduce.hpp"

#include <algorithm>
#include <cstdlib>

#include "io/frame_detail.hpp"

namespace broadloom {

namespace {

template <typename T>
const T* row_of(const FramePlane& plane, int64_t y) {
    return reinterpret_cast<const T*>(plane.origin + y * plane.stride);
}

template <typename T>
void reduce_plane(const FramePlane& from, int factor, const FramePlane& to) {
    std::vector<uint32_t> sums(static_cast<size_t>(to.width));
    for (int64_t y = 0; y < to.height; ++y) {
        std::fill(sums.begin(), sums.end(), 0U);
        const int64_t rows = std::min<int64_t>(factor, from.height - y * factor);
        for (int64_t j = 0; j < rows; ++j) {
            const T* in = row_of<T>(from, y * factor + j);
            for (int64_t x = 0; x < to.width; ++x) {
                const int64_t end = std::min((x + 1) * factor, from.width);
                uint32_t sum = 0;
                for (int64_t i = x * factor; i < end; ++i) sum += in[i];
                sums[static_cast<size_t>(x)] += sum;
            }
        }
        T* out = reinterpret_cast<T*>(to.origin + y * to.stride);
        for (int64_t x = 0; x < to.width; ++x) {
            const int64_t columns = std::min<int64_t>(factor, from.width - x * factor);
            const auto count = static_cast<uint32_t>(rows * columns);
            out[x] = static_cast<T>((sums[static_cast<size_t>(x)] + count / 2) / count);
        }
    }
}

template <typename T>
void contrast_of(const FramePlane& plane, int factor, DetailMap& map) {
    constexpr int kUnit = sizeof(T) == 1 ? 1 : 257;  // one 8-bit level
    for (int64_t by = 0; by < map.height; ++by) {
        for (int64_t bx = 0; bx < map.width; ++bx) {
            const int64_t x1 = std::min((bx + 1) * factor, plane.width);
            const int64_t y1 = std::min((by + 1) * factor, plane.height);
            int64_t sum = 0;
            int64_t count = 0;
            for (int64_t y = by * factor; y < y1; ++y) {
                // The borders are replicated, so neighbours beyond the edge exist.
                const T* above = row_of<T>(plane, y - 1);
                const T* here = row_of<T>(plane, y);
                const T* below = row_of<T>(plane, y + 1);
                for (int64_t x = bx * factor; x < x1; ++x, ++count) {
                    sum += std::abs(4 * int{here[x]} - int{here[x - 1]} - int{here[x + 1]} -
                                    int{above[x]} - int{below[x]});
                }
            }
            // A quarter of the Laplacian's sum, in eighths of a level.
            const int64_t value = 2 * sum / (count * kUnit);
            map.value[static_cast<size_t>(by * map.width + bx)] =
                static_cast<uint8_t>(std::min<int64_t>(value, 255));
        }
    }
}

}  // namespace

void reduce_pixels(const FramePixels& pixels, const FrameInfo& info, int factor, FramePixels& out) {
    out.allocate(info, pixels.denominator * factor);
    for (size_t i = 0; i < pixels.planes.size(); ++i) {
        if (pixels.bits == 16) {
            reduce_plane<uint16_t>(pixels.planes[i], factor, out.planes[i]);
        } else {
            reduce_plane<uint8_t>(pixels.planes[i], factor, out.planes[i]);
        }
    }
    frame_detail::replicate_borders(out);
}

DetailMap fine_contrast(const FramePixels& pixels, int factor) {
    const FramePlane& plane = pixels.planes[pixels.colour == FrameColour::rgb ? 1 : 0];
    DetailMap map;
    map.width = (plane.width + factor - 1) / factor;
    map.height = (plane.height + factor - 1) / factor;
    map.value.resize(static_cast<size_t>(map.width * map.height));
    if (pixels.bits == 16) {
        contrast_of<uint16_t>(plane, factor, map);
    } else {
        contrast_of<uint8_t>(plane, factor, map);
    }
    return map;
}

}  // namespace broadloom
