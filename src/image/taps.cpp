#include "image/taps.hpp"

#include <algorithm>
#include <array>
#include <cmath>

namespace broadloom {

namespace {

constexpr double kPi = 3.14159265358979323846;

/// Modified Bessel function of the first kind and order zero, by its power series.
double bessel(double x) {
    double sum = 1;
    double term = 1;
    for (int k = 1; k < 30; ++k) {
        term *= x / (2 * k) * (x / (2 * k));
        sum += term;
    }
    return sum;
}

double sinc(double t) { return t == 0 ? 1 : std::sin(kPi * t) / (kPi * t); }

/// A product of numbers with 15 fraction bits, rounded half up.
int32_t fixed_product(int32_t a, int32_t b) { return (a * b + 0x4000) >> 15; }

int16_t whole(float coefficient, float unit) {
    return static_cast<int16_t>(std::lrint(coefficient * unit));
}

int samples_each_side(double stretch) { return (stretch <= 1.5 ? kUsualTaps : kMostTaps) / 2; }

}  // namespace

double kernel_value(double distance, double stretch) {
    const int half = samples_each_side(stretch);
    const double u = distance / half;
    if (std::abs(u) >= 1) return 0;
    // Where it ends a sinc that is not stretched is zero. A stretched one is not: its window is.
    const double beta = stretch > 1 ? 5 : 4;
    const double end = stretch > 1 ? 1 : 0;
    const double window = (bessel(beta * std::sqrt(1 - u * u)) - end) / (bessel(beta) - end);
    return sinc(distance / stretch) * window;
}

Taps make_taps(double ratio) {
    const double stretch = ratio > kStretchFrom ? std::min(ratio, kMostStretch) : 1.0;
    const int half = samples_each_side(stretch);
    Taps taps;
    taps.count = 2 * half;
    // The polynomials meet the weights at three |s|, which include the ends: Chebyshev's extrema.
    constexpr size_t kNodes = 3;
    std::array<double, kNodes> z{};
    std::array<std::array<double, kMostTaps / 2>, kNodes> even{};
    std::array<std::array<double, kMostTaps / 2>, kNodes> odd{};
    for (size_t n = 0; n < kNodes; ++n) {
        const double s = 0.5 * std::cos(kPi * static_cast<double>(n) / (2 * kNodes - 1));
        z[n] = s * s;
        std::array<double, kMostTaps> weights{};
        double sum = 0;
        for (int i = 0; i < taps.count; ++i) {
            const double distance = i - (half - 1) - (s + 0.5);
            const double value = kernel_value(distance, stretch);
            weights[static_cast<size_t>(i)] = value;
            sum += value;
        }
        for (int p = 0; p < half; ++p) {
            const double left = weights[static_cast<size_t>(p)] / sum;
            const double right = weights[static_cast<size_t>(taps.count - 1 - p)] / sum;
            even[n][static_cast<size_t>(p)] = (left + right) / 2;
            odd[n][static_cast<size_t>(p)] = (left - right) / (2 * s);
        }
    }
    // Newton's divided differences, then powers of z.
    const auto fit = [&](double a, double b, double c, float* out) {
        const double ab = (b - a) / (z[1] - z[0]);
        const double bc = (c - b) / (z[2] - z[1]);
        const double abc = (bc - ab) / (z[2] - z[0]);
        out[0] = static_cast<float>(a - ab * z[0] + abc * z[0] * z[1]);
        out[1] = static_cast<float>(ab - abc * (z[0] + z[1]));
        out[2] = static_cast<float>(abc);
    };
    std::array<double, kNodes> rest{0.5, 0, 0};
    for (int p = 0; p < half; ++p) {
        const auto i = static_cast<size_t>(p);
        fit(even[0][i], even[1][i], even[2][i], taps.even[p]);
        fit(odd[0][i], odd[1][i], odd[2][i], taps.odd[p]);
        if (p + 1 == half) break;
        for (size_t k = 0; k < kNodes; ++k) rest[k] -= static_cast<double>(taps.even[p][k]);
    }
    // The middle pair takes what rounding left of the sum.
    for (size_t k = 0; k < kNodes; ++k) taps.even[half - 1][k] = static_cast<float>(rest[k]);
    if (taps.count != kUsualTaps) return taps;
    float unit = kWholeOne;  // of a power of 2 s
    for (size_t k = 0; k < kNodes; ++k, unit /= 4) {
        for (int p = 0; p < half; ++p) {
            if (p + 1 < half) taps.whole_even[p][k] = whole(taps.even[p][k], unit);
            taps.whole_odd[p][k] = whole(taps.odd[p][k], unit / 2);
        }
    }
    return taps;
}

void whole_weights(const Taps& taps, int32_t phase, int16_t w[kUsualTaps]) {
    constexpr int kHalf = kUsualTaps / 2;
    const int32_t s = std::max((phase << (16 - kPhaseBits)) - 32768, -32767);
    const int32_t z = fixed_product(s, s);
    const auto square = [&](const int16_t* c) {
        return fixed_product(fixed_product(c[2], z) + c[1], z) + c[0];
    };
    int32_t rest = kWholeOne / 2;
    for (int p = 0; p < kHalf; ++p) {
        const int32_t even = p + 1 < kHalf ? square(taps.whole_even[p]) : rest;
        rest -= even;
        const int32_t odd = fixed_product(square(taps.whole_odd[p]), s);
        w[p] = static_cast<int16_t>(even + odd);
        w[kUsualTaps - 1 - p] = static_cast<int16_t>(even - odd);
    }
}

const Taps& usual_taps() {
    static const Taps taps = make_taps(1);
    return taps;
}

}  // namespace broadloom
