// Shrinking in linear light, 8-bit pixels and deep ones.
#include "image/shrink.hpp"

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <random>
#include <vector>

#include "image/srgb_light.hpp"

using namespace broadloom;

namespace {

using DeepPixels = std::vector<std::array<uint16_t, 4>>;

DeepPixels shrink_deep(const DeepPixels& in, int64_t width, int64_t height) {
    DeepPixels out(static_cast<size_t>((width + 1) / 2 * ((height + 1) / 2)));
    shrink_half_deep(reinterpret_cast<const uint8_t*>(in.data()), width, height, 8 * width,
                     reinterpret_cast<uint8_t*>(out.data()), 8 * ((width + 1) / 2));
    return out;
}

// IEC 61966-2-1, in double.
double to_light(double code) {
    return code <= 0.04045 ? code / 12.92 : std::pow((code + 0.055) / 1.055, 2.4);
}
double to_code(double light) {
    return light <= 0.0031308 ? light * 12.92 : 1.055 * std::pow(light, 1 / 2.4) - 0.055;
}

/// The definition, pixel by pixel: only pixels that exist count, each by its alpha.
std::array<double, 4> exact(const DeepPixels& in, int64_t width, int64_t height, int64_t x,
                            int64_t y) {
    double alpha = 0;
    double count = 0;
    std::array<double, 4> sum{};
    for (int64_t j = 2 * y; j < std::min(2 * y + 2, height); ++j) {
        for (int64_t i = 2 * x; i < std::min(2 * x + 2, width); ++i) {
            const auto& p = in[static_cast<size_t>(j * width + i)];
            for (size_t c = 0; c < 3; ++c) sum[c] += to_light(p[c] / 65535.0) * p[3];
            alpha += p[3];
            count += 1;
        }
    }
    for (size_t c = 0; c < 3; ++c) sum[c] = alpha > 0 ? to_code(sum[c] / alpha) * 65535 : 0;
    sum[3] = alpha / count;
    return sum;
}

/// Largest difference from the definition, colours where alpha is not 0.
double worst(const DeepPixels& in, int64_t width, int64_t height, const DeepPixels& out) {
    double most = 0;
    for (int64_t y = 0; y < (height + 1) / 2; ++y) {
        for (int64_t x = 0; x < (width + 1) / 2; ++x) {
            const auto wanted = exact(in, width, height, x, y);
            const auto& got = out[static_cast<size_t>(y * ((width + 1) / 2) + x)];
            for (size_t c = 0; c < 4; ++c) {
                if (c < 3 && got[3] == 0) continue;
                most = std::max(most, std::abs(got[c] - wanted[c]));
            }
        }
    }
    return most;
}

DeepPixels random_pixels(int64_t width, int64_t height, bool opaque, unsigned seed) {
    std::mt19937 random(seed);
    DeepPixels pixels(static_cast<size_t>(width * height));
    for (auto& p : pixels) {
        // As many dark values as bright ones.
        for (size_t c = 0; c < 3; ++c) {
            p[c] = static_cast<uint16_t>((random() & 0xffff) >> (random() % 14));
        }
        const uint16_t alphas[] = {0, 65535, static_cast<uint16_t>(random())};
        p[3] = opaque ? uint16_t{65535} : alphas[random() % 3];
    }
    return pixels;
}

}  // namespace

TEST_CASE("shrinking averages linear light", "[pyramid]") {
    // Computed from IEC 61966-2-1: {187, 0, 0, 0} -> 99, {255, 255, 0, 0} -> 188; encoded averages
    // would give 47 and 128.
    const auto shrink = [](std::vector<uint8_t> grey, int64_t w, int64_t h) {
        std::vector<uint8_t> in;
        for (const auto v : grey) in.insert(in.end(), {v, v, v, 255});
        std::vector<uint8_t> out(static_cast<size_t>(4 * ((w + 1) / 2) * ((h + 1) / 2)));
        shrink_half(in.data(), w, h, 4 * w, out.data(), 4 * ((w + 1) / 2));
        return out;
    };
    CHECK(shrink({187, 0, 0, 0}, 2, 2)[0] == 99);
    CHECK(shrink({255, 255, 0, 0}, 2, 2)[1] == 188);
    for (int v = 0; v < 256; ++v) {
        CHECK(shrink({static_cast<uint8_t>(v)}, 1, 1)[2] == v);
        CHECK(shrink(std::vector<uint8_t>(6, static_cast<uint8_t>(v)), 3, 2)[4] == v);
    }
    const auto edge = shrink({187, 0, 200, 0, 0, 50}, 3, 2);
    CHECK(edge[0] == 99);
    CHECK(edge[4] == shrink({200, 50}, 1, 2)[0]);
}

TEST_CASE("the tables of the sRGB curve agree with the curve", "[pyramid][reference]") {
    const SrgbLight& light = SrgbLight::tables();
    double most = 0;
    for (int c = 0; c < 65536; ++c) {
        const auto code = static_cast<uint16_t>(c);
        CHECK_FALSE(std::abs(light.to_linear(code) - to_light(c / 65535.0)) > 1e-7);
        if (light.to_code_rounded(light.to_linear(code)) != code) FAIL("code " << c);
        // Half-way between this code's light and the next one's.
        const double middle =
            (to_light(c / 65535.0) + to_light(std::min(c + 1, 65535) / 65535.0)) / 2;
        most = std::max(
            most, std::abs(light.to_code(static_cast<float>(middle)) - to_code(middle) * 65535));
    }
    CHECK(most < 0.05);
    CHECK(most > 1e-4);  // it is a table, and the figure is measured
    CHECK(light.to_code_rounded(-0.5F) == 0);
    CHECK(light.to_code_rounded(1.5F) == 65535);
    CHECK(light.to_code_rounded(std::nanf("")) == 0);
}

TEST_CASE("deep pixels shrink as the definition has it", "[pyramid][property]") {
    for (const bool opaque : {true, false}) {
        for (const auto& [w, h] : std::vector<std::pair<int64_t, int64_t>>{
                 {1, 1}, {2, 1}, {1, 2}, {3, 5}, {64, 64}, {101, 67}}) {
            const DeepPixels in = random_pixels(w, h, opaque, static_cast<unsigned>(w + h));
            const DeepPixels out = shrink_deep(in, w, h);
            CAPTURE(opaque, w, h);
            // Half a step of rounding and 0.05 of the tables.
            CHECK(worst(in, w, h, out) <= 0.56);
        }
    }
    // Control: the encoded values' average, and the colour's without its alpha, are far off.
    const DeepPixels in = random_pixels(64, 64, false, 9);
    DeepPixels mixed = in;
    for (auto& p : mixed) p[3] = 65535;
    DeepPixels unweighted = shrink_deep(mixed, 64, 64);
    const DeepPixels right = shrink_deep(in, 64, 64);
    for (size_t i = 0; i < right.size(); ++i) unweighted[i][3] = right[i][3];
    CHECK(worst(in, 64, 64, unweighted) > 1000);
}

TEST_CASE("deep pixels of one colour keep it through all levels", "[pyramid][property]") {
    std::mt19937 random(5);
    for (int trial = 0; trial < 2000; ++trial) {
        const std::array<uint16_t, 4> colour{static_cast<uint16_t>(random() >> (random() % 16)),
                                             static_cast<uint16_t>(random()),
                                             static_cast<uint16_t>(random()), 65535};
        DeepPixels pixels(64, colour);
        // Part of it uncovered: the colour of the rest must not darken.
        for (size_t i = 0; i + 1 < pixels.size(); ++i) {
            if (random() % 3 == 0) pixels[i] = {0, 0, 0, 0};
        }
        for (int64_t side = 8; side > 1; side /= 2) {
            pixels = shrink_deep(pixels, side, side);
            for (const auto& p : pixels) {
                const auto wanted =
                    p[3] == 0 ? std::array<uint16_t, 4>{}
                              : std::array<uint16_t, 4>{colour[0], colour[1], colour[2], p[3]};
                REQUIRE(p == wanted);
            }
        }
    }
}

TEST_CASE("deep and 8-bit pixels shrink alike", "[pyramid]") {
    std::mt19937 random(8);
    constexpr int64_t kSide = 33;
    std::vector<uint8_t> shallow(kSide * kSide * 4);
    DeepPixels deep(kSide * kSide);
    for (size_t i = 0; i < deep.size(); ++i) {
        for (size_t c = 0; c < 3; ++c) {
            shallow[4 * i + c] = static_cast<uint8_t>(random());
            deep[i][c] = static_cast<uint16_t>(shallow[4 * i + c] * 257);
        }
        deep[i][3] = 65535;
    }
    constexpr int64_t kHalf = (kSide + 1) / 2;
    std::vector<uint8_t> out(kHalf * kHalf * 4);
    shrink_half(shallow.data(), kSide, kSide, 4 * kSide, out.data(), 4 * kHalf);
    const DeepPixels deep_out = shrink_deep(deep, kSide, kSide);
    for (size_t i = 0; i < deep_out.size(); ++i) {
        // Both round the same average, the one to a 257th of the other's step.
        for (size_t c = 0; c < 3; ++c) {
            CHECK(std::abs(deep_out[i][c] / 257.0 - out[4 * i + c]) <= 0.56);
        }
        CHECK(deep_out[i][3] == 65535);
    }
}
