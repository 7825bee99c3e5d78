#include "image/shrink.hpp"

#include <array>
#include <cmath>
#include <vector>

namespace broadloom {

namespace {

/// sRGB code values to 16-bit linear light and back; 65536 entries keep the rounding exact to 1/20
/// of a level at the curve's steepest place.
struct ShrinkTables {
    std::array<uint32_t, 256> to_linear{};
    std::vector<uint8_t> to_code;

    ShrinkTables() : to_code(65536) {
        const auto decode = [](double code) {  // IEC 61966-2-1
            return code <= 0.04045 ? code / 12.92 : std::pow((code + 0.055) / 1.055, 2.4);
        };
        const auto encode = [](double linear) {
            return linear <= 0.0031308 ? linear * 12.92 : 1.055 * std::pow(linear, 1 / 2.4) - 0.055;
        };
        for (size_t i = 0; i < 256; ++i) {
            to_linear[i] = static_cast<uint32_t>(
                std::lround(decode(static_cast<double>(i) / 255.0) * 65535.0));
        }
        for (size_t i = 0; i < to_code.size(); ++i) {
            to_code[i] =
                static_cast<uint8_t>(std::lround(encode(static_cast<double>(i) / 65535.0) * 255.0));
        }
    }
};

const ShrinkTables& tables() {
    static const ShrinkTables instance;
    return instance;
}

}  // namespace

void shrink_half(const uint8_t* in, int64_t width, int64_t height, std::ptrdiff_t in_stride,
                 uint8_t* out, std::ptrdiff_t out_stride) {
    const ShrinkTables& t = tables();
    for (int64_t y = 0; y < (height + 1) / 2; ++y) {
        // Averaging a sample with itself is the same as averaging only what exists.
        const uint8_t* top = in + 2 * y * in_stride;
        const uint8_t* bottom = 2 * y + 1 < height ? top + in_stride : top;
        uint8_t* to = out + y * out_stride;
        const auto shrink = [&](const uint8_t* a, const uint8_t* b, const uint8_t* c,
                                const uint8_t* d) {
            for (int i = 0; i < 3; ++i) {
                const uint32_t sum =
                    t.to_linear[a[i]] + t.to_linear[b[i]] + t.to_linear[c[i]] + t.to_linear[d[i]];
                to[i] = t.to_code[(sum + 2) >> 2];
            }
            to[3] = 255;
            to += 4;
        };
        for (int64_t x = 0; x < width / 2; ++x) {
            shrink(top + 8 * x, top + 8 * x + 4, bottom + 8 * x, bottom + 8 * x + 4);
        }
        if (width % 2 != 0) {
            const int64_t last = 4 * (width - 1);
            shrink(top + last, top + last, bottom + last, bottom + last);
        }
    }
}

}  // namespace broadloom
