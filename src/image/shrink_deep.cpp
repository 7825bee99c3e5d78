#include <cstring>

#include "image/shrink.hpp"
#include "image/srgb_light.hpp"

namespace broadloom {

namespace {

struct Pixel {
    uint16_t value[4];
};

Pixel load(const uint8_t* from) {
    Pixel p;
    std::memcpy(&p, from, sizeof p);
    return p;
}

Pixel average(const SrgbLight& light, const Pixel& a, const Pixel& b, const Pixel& c,
              const Pixel& d) {
    constexpr uint32_t kOpaque = 65535;
    Pixel out{};
    const uint32_t alpha = uint32_t{a.value[3]} + b.value[3] + c.value[3] + d.value[3];
    out.value[3] = static_cast<uint16_t>((alpha + 2) >> 2);
    if (out.value[3] == 0) return out;
    if (alpha == 4 * kOpaque) {
        for (int i = 0; i < 3; ++i) {
            const float sum = (light.to_linear(a.value[i]) + light.to_linear(b.value[i])) +
                              (light.to_linear(c.value[i]) + light.to_linear(d.value[i]));
            out.value[i] = light.to_code_rounded(sum * 0.25F);
        }
        return out;
    }
    const auto all = static_cast<float>(alpha);
    for (int i = 0; i < 3; ++i) {
        const auto part = [&](const Pixel& p) {
            return light.to_linear(p.value[i]) * static_cast<float>(p.value[3]);
        };
        out.value[i] = light.to_code_rounded(((part(a) + part(b)) + (part(c) + part(d))) / all);
    }
    return out;
}

}  // namespace

void shrink_half_deep(const uint8_t* in, int64_t width, int64_t height, std::ptrdiff_t in_stride,
                      uint8_t* out, std::ptrdiff_t out_stride) {
    const SrgbLight& light = SrgbLight::tables();
    for (int64_t y = 0; y < (height + 1) / 2; ++y) {
        // Averaging a sample with itself is the same as averaging only what exists.
        const uint8_t* top = in + 2 * y * in_stride;
        const uint8_t* bottom = 2 * y + 1 < height ? top + in_stride : top;
        uint8_t* to = out + y * out_stride;
        for (int64_t x = 0; x < (width + 1) / 2; ++x) {
            const int64_t left = 16 * x;
            const int64_t right = 2 * x + 1 < width ? left + 8 : left;
            const Pixel p = average(light, load(top + left), load(top + right), load(bottom + left),
                                    load(bottom + right));
            std::memcpy(to + 8 * x, &p, sizeof p);
        }
    }
}

}  // namespace broadloom
