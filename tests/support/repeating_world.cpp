#include "support/repeating_world.hpp"

#include <algorithm>
#include <cmath>

#include "broadloom/photometry.hpp"
#include "support/world_noise.hpp"

namespace broadloom::test {

namespace {

constexpr float kDecodeSteps = 16;  // of a level

float bilinear(float a, float b, float c, float d, float u, float v) {
    const float top = a + u * (b - a);
    return top + v * (c + u * (d - c) - top);
}

float ramp(float from, float to, float x) {
    const float t = std::clamp((x - from) / (to - from), 0.0F, 1.0F);
    return t * t * (3 - 2 * t);
}

}  // namespace

RepeatingWorld::RepeatingWorld(double pixel_deg, double period_deg, int64_t side, uint32_t seed,
                               double contrast)
    : side_(side), contrast_(static_cast<float>(contrast)) {
    constexpr double kMost = 50;  // texels; what is larger is scenery
    scenery_.texture = leaves(static_cast<double>(side) / 160, static_cast<double>(side) / 5, seed);
    scenery_.texels_per_deg = static_cast<double>(side) / period_deg;
    busy_ = layer_of(period_deg, pixel_deg, 1.1, 0, 1.5, kMost, seed + 1);
    const double texels = busy_.texels_per_deg * period_deg / static_cast<double>(side);
    plain_ = layer_of(period_deg, pixel_deg, 0.7, std::llround(texels), 1.5, kMost, seed + 2);
    for (float v = 0; v <= 255 * kDecodeSteps; ++v)
        decode_.push_back(static_cast<float>(srgb_decode(v / kDecodeSteps / 255)));
}

/// A layer that fits the period a whole number of times, another number than `other_than`, at about
/// so many texels a pixel.
RepeatingWorld::Layer RepeatingWorld::layer_of(double period_deg, double pixel_deg,
                                               double texels_per_pixel, int64_t other_than,
                                               double least, double most, uint32_t seed) const {
    const double exact = period_deg / pixel_deg * texels_per_pixel / static_cast<double>(side_);
    int64_t times = std::max<int64_t>(1, std::llround(exact));
    if (times == other_than) ++times;
    return {leaves(least, most, seed), static_cast<double>(times * side_) / period_deg};
}

/// Paints leaves with radii of least..most texels over each other until nothing shows through.
RepeatingWorld::Texture RepeatingWorld::leaves(double least, double most, uint32_t seed) const {
    Texture texture(static_cast<size_t>(4 * side_ * side_), 128);
    const double ratio = least / most;
    const double mean_area = kPi * 2 * least * least * std::log(1 / ratio) / (1 - ratio * ratio);
    const auto count = static_cast<int64_t>(3 * static_cast<double>(side_ * side_) / mean_area);
    for (int64_t n = 0; n < count; ++n) {
        const auto random = [&](int64_t salt) { return random_unit(n, salt, seed); };
        // The inverse cube's distribution, turned round.
        const double radius = least / std::sqrt(1 - random(0) * (1 - ratio * ratio));
        const double x0 = random(1) * static_cast<double>(side_);
        const double y0 = random(2) * static_cast<double>(side_);
        const double flat = 0.4 + 0.6 * random(3);
        const double c = std::cos(kPi * random(4));
        const double s = std::sin(kPi * random(4));
        float colour[4];
        const double tone = 128 + 100 * (random(5) + random(6) - 1);
        for (int64_t k = 0; k < 4; ++k)
            colour[k] =
                static_cast<float>(k < 3 ? tone + 36 * (random(7 + k) - 0.5) : 255 * random(10));
        const auto reach = static_cast<int64_t>(std::ceil(radius)) + 1;
        const auto xc = static_cast<int64_t>(x0);
        const auto yc = static_cast<int64_t>(y0);
        for (int64_t y = yc - reach; y <= yc + reach; ++y) {
            for (int64_t x = xc - reach; x <= xc + reach; ++x) {
                const double dx = static_cast<double>(x) + 0.5 - x0;
                const double dy = static_cast<double>(y) + 0.5 - y0;
                const double along = c * dx + s * dy;
                const double across = (c * dy - s * dx) / flat;
                const double inside = (radius - std::hypot(along, across)) * flat + 0.5;
                if (inside <= 0) continue;
                const auto cover = static_cast<float>(std::min(inside, 1.0));
                uint8_t* p = texture.data() + 4 * ((y & (side_ - 1)) * side_ + (x & (side_ - 1)));
                for (int k = 0; k < 4; ++k) {
                    const float v = p[k];
                    p[k] = static_cast<uint8_t>(
                        std::clamp(v + cover * (colour[k] - v) + 0.5F, 0.0F, 255.0F));
                }
            }
        }
    }
    return texture;
}

void RepeatingWorld::sample(const Layer& layer, double longitude, double latitude,
                            float out[4]) const {
    const double x = longitude * layer.texels_per_deg;
    const double y = latitude * layer.texels_per_deg;
    const int64_t ix = floor_of(x);
    const int64_t iy = floor_of(y);
    const auto u = static_cast<float>(x - static_cast<double>(ix));
    const auto v = static_cast<float>(y - static_cast<double>(iy));
    const int64_t mask = side_ - 1;
    const uint8_t* upper = layer.texture.data() + 4 * (iy & mask) * side_;
    const uint8_t* lower = layer.texture.data() + 4 * ((iy + 1) & mask) * side_;
    const int64_t left = 4 * (ix & mask);
    const int64_t right = 4 * ((ix + 1) & mask);
    for (int k = 0; k < 4; ++k) {
        out[k] =
            bilinear(upper[left + k], upper[right + k], lower[left + k], lower[right + k], u, v);
    }
}

void RepeatingWorld::light(const double* longitude_deg, const double* latitude_deg, size_t count,
                           float* rgb) const {
    for (size_t i = 0; i < count; ++i) {
        float scenery[4];
        float busy[4];
        float plain[4];
        sample(scenery_, longitude_deg[i], latitude_deg[i], scenery);
        sample(busy_, longitude_deg[i], latitude_deg[i], busy);
        sample(plain_, longitude_deg[i], latitude_deg[i], plain);
        // The scenery's texels are large: what they say is taken between narrow bounds.
        const float material = ramp(100, 156, scenery[3]);
        const float smooth = ramp(30, 60, scenery[3]);
        const float height = contrast_ * (0.04F + 0.96F * smooth);
        for (int k = 0; k < 3; ++k) {
            const float detail = plain[k] + material * (busy[k] - plain[k]) - 128;
            const float v =
                std::clamp(0.6F * (scenery[k] - 128) + 128 + height * detail, 4.0F, 250.0F);
            rgb[3 * i + static_cast<size_t>(k)] =
                decode_[static_cast<size_t>(v * kDecodeSteps + 0.5F)];
        }
    }
}

}  // namespace broadloom::test
