/// Pictures read back by libvips, to compare them.
#pragma once

#include <vips/vips.h>

#include <cstdint>
#include <cstdlib>
#include <stdexcept>
#include <string>
#include <vector>

namespace broadloom::test {

struct Pixels {
    int64_t width = 0, height = 0;
    std::vector<uint8_t> rgb;
    [[nodiscard]] int at(int64_t x, int64_t y, int c) const {
        return rgb[static_cast<size_t>(3 * (y * width + x) + c)];
    }
};

/// By libvips; `name` may end with libvips' options in brackets.
inline Pixels load(const std::string& name) {
    VipsImage* image = vips_image_new_from_file(name.c_str(), nullptr);
    if (image == nullptr) throw std::runtime_error(vips_error_buffer());
    if (image->Bands != 3 || image->BandFmt != VIPS_FORMAT_UCHAR)
        throw std::runtime_error("not RGB: " + name);
    Pixels p{image->Xsize, image->Ysize, {}};
    size_t size = 0;
    void* data = vips_image_write_to_memory(image, &size);
    g_object_unref(image);
    if (data == nullptr) throw std::runtime_error(vips_error_buffer());
    const auto* bytes = static_cast<const uint8_t*>(data);
    p.rgb.assign(bytes, bytes + size);
    g_free(data);
    return p;
}

/// Mean absolute difference over a rectangle of `a` against the same of `b` from (bx, by) on,
/// levels.
inline double difference(const Pixels& a, const Pixels& b, int64_t bx, int64_t by, int64_t w,
                         int64_t h) {
    double sum = 0;
    for (int64_t y = 0; y < h; ++y) {
        for (int64_t x = 0; x < w; ++x) {
            for (int c = 0; c < 3; ++c) sum += std::abs(a.at(x, y, c) - b.at(bx + x, by + y, c));
        }
    }
    return sum / static_cast<double>(3 * w * h);
}

}  // namespace broadloom::test
