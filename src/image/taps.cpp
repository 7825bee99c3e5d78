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
    return taps;
}

const Taps& usual_taps() {
    static const Taps taps = make_taps(1);
    return taps;
}

}  // namespace broadloom
