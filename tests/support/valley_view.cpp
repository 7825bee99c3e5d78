#include "support/valley_view.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "io/jpeg_codec.hpp"

namespace broadloom::testing {

namespace {

double wave(double x) {
    return std::sin(x) + 0.5 * std::sin(2.3 * x + 1) + 0.3 * std::sin(5.1 * x);
}

uint32_t hash(int64_t a, int64_t b) {
    uint64_t h = static_cast<uint64_t>(a) * 0x9E3779B97F4A7C15ULL + static_cast<uint64_t>(b);
    h = (h ^ (h >> 31U)) * 0xBF58476D1CE4E5B9ULL;
    return static_cast<uint32_t>(h >> 33U);
}

/// A valley town at dusk, by yaw and pitch in degrees: sky, hills, houses with windows, water.
void colour_at(double yaw, double pitch, double* rgb) {
    const auto set = [rgb](double r, double g, double b) {
        rgb[0] = r;
        rgb[1] = g;
        rgb[2] = b;
    };
    const double far_hill = 5 + 2.2 * wave(yaw / 17);
    const double near_hill = 1 + 1.6 * wave(yaw / 9 + 2);
    if (pitch > far_hill) {
        const double t = std::clamp((pitch - 2) / 26, 0.0, 1.0);
        const double cloud = std::max(0.0, wave(yaw / 11 + pitch / 5) * wave(pitch / 2.2 + 1)) * 14;
        return set(222 - 130 * t + cloud, 196 - 76 * t + cloud, 172 - 8 * t + cloud);
    }
    if (pitch > near_hill) {
        const double shade = 8 * wave(yaw * 1.7 + pitch * 2);
        return set(104 + shade, 116 + shade, 128 + shade);
    }
    const double shore = -11 + 0.5 * wave(yaw / 6);
    if (pitch < shore) {
        const double ripple =
            12 * std::sin(pitch * 9 + wave(yaw)) + 6 * std::sin(yaw * 3 + pitch * 17);
        return set(78 + ripple, 98 + ripple, 112 + ripple);
    }
    const auto house = static_cast<int64_t>(std::floor(yaw / 2.6));
    const double roof = -9 + 5 * static_cast<double>(hash(house, 1) % 100) / 100;
    if (pitch < roof) {
        const auto tint = static_cast<double>(hash(house, 2) % 60);
        const double u = (yaw / 2.6 - static_cast<double>(house)) * 5;
        const double v = (roof - pitch) / 0.8;
        const bool window = u - std::floor(u) > 0.35 && v - std::floor(v) > 0.4 && v > 0.6;
        const bool lit =
            hash(house * 31 + static_cast<int64_t>(u), static_cast<int64_t>(v)) % 4 == 0;
        if (window && lit) return set(250, 214, 140);
        if (window) return set(58, 56, 60);
        return set(150 + tint, 132 + tint * 0.7, 112 + tint * 0.4);
    }
    const double leaf = 14 * wave(yaw * 4 + 3 * std::sin(pitch * 3)) + 8 * wave(pitch * 7);
    set(70 + leaf, 88 + leaf, 62 + leaf * 0.7);
}

}  // namespace

std::string picture(const View& view, int64_t width, int64_t height, int quality) {
    std::vector<uint8_t> pixels(static_cast<size_t>(width * height * 4), 255);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            double sum[3] = {0, 0, 0};
            constexpr int kSamples = 3;
            for (int i = 0; i < kSamples * kSamples; ++i) {
                const double u = (static_cast<double>(x) + (i % kSamples + 0.5) / kSamples) /
                                 static_cast<double>(width);
                const double v = (static_cast<double>(y) + (i / kSamples + 0.5) / kSamples) /
                                 static_cast<double>(height);
                double rgb[3];
                const double smear = view.blur * (i - 4) / 4;
                colour_at(view.yaw + (u - 0.5) * view.width + smear,
                          view.pitch - (v - 0.5) * view.height, rgb);
                if (view.lorry && u > 0.1 && u < 0.8 && v > 0.35) {
                    rgb[0] = v > 0.85 ? 30 : 176;
                    rgb[1] = v > 0.85 ? 30 : 62;
                    rgb[2] = v > 0.85 ? 32 : 48;
                }
                for (int c = 0; c < 3; ++c) sum[c] += rgb[c] / (kSamples * kSamples);
            }
            for (int c = 0; c < 3; ++c) {
                pixels[static_cast<size_t>((y * width + x) * 4 + c)] =
                    static_cast<uint8_t>(std::clamp(sum[c] * view.gain, 0.0, 255.0));
            }
        }
    }
    JpegEncoder encoder(quality, JpegChroma::c420);
    const auto jpeg = encoder.encode(pixels.data(), width, height, width * 4);
    return {jpeg.begin(), jpeg.end()};
}

}  // namespace broadloom::testing
