#include "image/output_colour.hpp"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "image/srgb_light.hpp"

namespace broadloom {

namespace {

constexpr uint16_t kOpaque = 65535;

struct Pixel {
    uint16_t value[4];
};

Pixel load(const uint8_t* from) {
    Pixel p;
    std::memcpy(&p, from, sizeof p);
    return p;
}

/// One of the 257 offsets below a step of 257, the distance of two 8-bit levels.
uint32_t dither_offset(int64_t x, int64_t y) { return (dither_threshold(x, y) * 257U) >> 16; }

uint8_t to_byte(uint32_t value, uint32_t offset) {
    return static_cast<uint8_t>((value + offset) / 257U);
}

std::array<float, 9> in_floats(const ColourMatrix& m) {
    std::array<float, 9> f{};
    std::transform(m.begin(), m.end(), f.begin(), [](double v) { return static_cast<float>(v); });
    return f;
}

void apply(const std::array<float, 9>& m, float v[3]) {
    const float r = v[0];
    const float g = v[1];
    const float b = v[2];
    v[0] = (m[0] * r + m[1] * g) + m[2] * b;
    v[1] = (m[3] * r + m[4] * g) + m[5] * b;
    v[2] = (m[6] * r + m[7] * g) + m[8] * b;
}

/// Light of a pixel that covers `alpha` of 65535, with the background behind it.
float laid_over(float light, float background, uint16_t alpha) {
    return background + (light - background) * (static_cast<float>(alpha) * (1.0F / kOpaque));
}

}  // namespace

TileColour::TileColour(ColourSpace working, const std::array<uint8_t, 3>& background)
    : same_primaries_(working == ColourSpace::srgb),
      to_srgb_(in_floats(colour_matrix(working, ColourSpace::srgb))),
      background_(background) {
    const SrgbLight& light = SrgbLight::tables();
    for (size_t c = 0; c < 3; ++c) {
        background_light_[c] = light.to_linear(static_cast<uint16_t>(background[c] * 257));
    }
}

void TileColour::convert_row(const uint8_t* deep, int64_t x, int64_t y, int64_t n,
                             uint8_t* rgbx) const {
    if (same_primaries_) {
        convert_codes(deep, x, y, n, rgbx);
        return;
    }
    // In pieces that stay in the processor's nearest cache.
    constexpr int64_t kPiece = 256;
    std::array<uint16_t, 4 * kPiece> codes;
    const SrgbLight& light = SrgbLight::tables();
    for (int64_t from = 0; from < n; from += kPiece) {
        const int64_t count = std::min(kPiece, n - from);
        std::memcpy(codes.data(), deep + 8 * from, static_cast<size_t>(8 * count));
        for (int64_t i = 0; i < count; ++i) {
            uint16_t* p = &codes[static_cast<size_t>(4 * i)];
            float v[3] = {light.to_linear(p[0]), light.to_linear(p[1]), light.to_linear(p[2])};
            apply(to_srgb_, v);
            for (int c = 0; c < 3; ++c) p[c] = light.to_code_rounded(v[c]);
        }
        convert_codes(reinterpret_cast<const uint8_t*>(codes.data()), x + from, y, count,
                      rgbx + 4 * from);
    }
}

void TileColour::convert_codes(const uint8_t* deep, int64_t x, int64_t y, int64_t n,
                               uint8_t* rgbx) const {
    const SrgbLight& light = SrgbLight::tables();
    for (int64_t i = 0; i < n; ++i) {
        Pixel p = load(deep + 8 * i);
        const uint32_t offset = dither_offset(x + i, y);
        uint8_t* out = rgbx + 4 * i;
        out[3] = 255;
        if (p.value[3] == 0) {
            std::copy(background_.begin(), background_.end(), out);
            continue;
        }
        if (p.value[3] != kOpaque) {
            for (size_t c = 0; c < 3; ++c) {
                p.value[c] = light.to_code_rounded(
                    laid_over(light.to_linear(p.value[c]), background_light_[c], p.value[3]));
            }
        }
        for (int c = 0; c < 3; ++c) out[c] = to_byte(p.value[c], offset);
    }
}

TiffColour::TiffColour(ColourSpace space, int bits, bool alpha,
                       const std::array<uint8_t, 3>& background)
    : bits_(bits), alpha_(alpha) {
    const SrgbLight& light = SrgbLight::tables();
    // Adobe RGB (1998) Color Image Encoding, version 2005-05, 4.3.4.2: gamma 2 51/256.
    const auto encode = [&](double linear) {
        return space == ColourSpace::adobe_rgb
                   ? 65535.0 * std::pow(linear, 256.0 / 563.0)
                   : static_cast<double>(light.to_code(static_cast<float>(linear)));
    };
    if (space == ColourSpace::adobe_rgb) {
        curve_.resize(65536);
        for (size_t i = 0; i < curve_.size(); ++i) {
            curve_[i] = static_cast<uint16_t>(
                std::lround(encode(light.to_linear(static_cast<uint16_t>(i)))));
        }
    }
    for (size_t c = 0; c < 3; ++c) {
        background_light_[c] = light.to_linear(static_cast<uint16_t>(background[c] * 257));
    }
    apply(in_floats(colour_matrix(ColourSpace::srgb, space)), background_light_.data());
    for (size_t c = 0; c < 3; ++c) {
        background_light_[c] = std::clamp(background_light_[c], 0.0F, 1.0F);
        background_code_[c] =
            space == ColourSpace::srgb
                ? static_cast<uint16_t>(background[c] * 257)
                : static_cast<uint16_t>(std::lround(encode(background_light_[c])));
    }
}

void TiffColour::convert_row(const uint8_t* deep, int64_t x, int64_t y, int64_t n,
                             uint8_t* out) const {
    const SrgbLight& light = SrgbLight::tables();
    const size_t samples = alpha_ ? 4 : 3;
    for (int64_t i = 0; i < n; ++i) {
        Pixel p = load(deep + 8 * i);
        if (!alpha_ && p.value[3] != kOpaque) {
            if (p.value[3] == 0) {
                std::copy(background_code_.begin(), background_code_.end(), p.value);
            } else {
                for (size_t c = 0; c < 3; ++c) {
                    p.value[c] = light.to_code_rounded(
                        laid_over(light.to_linear(p.value[c]), background_light_[c], p.value[3]));
                }
            }
        }
        if (!curve_.empty() && (alpha_ || p.value[3] != 0)) {
            for (int c = 0; c < 3; ++c) p.value[c] = curve_[p.value[c]];
        }
        if (bits_ == 16) {
            std::memcpy(out, p.value, 2 * samples);
            out += 2 * samples;
            continue;
        }
        const uint32_t offset = dither_offset(x + i, y);
        for (int c = 0; c < 3; ++c) out[c] = to_byte(p.value[c], offset);
        if (alpha_) out[3] = static_cast<uint8_t>((p.value[3] + 128U) / 257U);
        out += samples;
    }
}

}  // namespace broadloom
