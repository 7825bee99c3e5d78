/// Candidates for the resampling kernel in plain double arithmetic, for measurements and as outside
/// references of what the fast code does.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <vector>

#include "image/taps.hpp"

namespace broadloom::test {

inline constexpr double kCirclePi = 3.14159265358979323846;

struct ResampleKernel {
    const char* name;
    double radius;            ///< zero from here on
    double (*value)(double);  ///< of the distance, samples; >= 0
    bool prefilter;           ///< samples are turned into cubic B-spline coefficients first
    bool ours = false;        ///< the program's own (image/taps.hpp), which stretches differently
};

inline double sinc(double t) { return t == 0 ? 1 : std::sin(kCirclePi * t) / (kCirclePi * t); }

/// Cubic convolution with free parameter a (R. G. Keys, IEEE Trans. ASSP 29(6), 1981, eq. 14).
inline double keys(double t, double a) {
    if (t < 1) return ((a + 2) * t - (a + 3)) * t * t + 1;
    return t < 2 ? ((a * t - 5 * a) * t + 8 * a) * t - 4 * a : 0;
}
/// The six-point kernel of the same paper (from memory; its properties are checked).
inline double keys_six(double t) {
    if (t < 1) return (4.0 / 3 * t - 7.0 / 3) * t * t + 1;
    if (t < 2) return ((-7.0 / 12 * t + 3) * t - 59.0 / 12) * t + 2.5;
    return t < 3 ? ((1.0 / 12 * t - 2.0 / 3) * t + 1.75) * t - 1.5 : 0;
}
inline double lanczos(double t, double radius) {
    return t < radius ? sinc(t) * sinc(t / radius) : 0;
}
/// Mitchell and Netravali, SIGGRAPH 1988, B = C = 1/3.
inline double mitchell(double t) {
    if (t < 1) return ((7 * t - 12) * t * t + 16.0 / 3) / 6;
    return t < 2 ? (((-7.0 / 3 * t + 12) * t - 20) * t + 32.0 / 3) / 6 : 0;
}
inline double cubic_spline(double t) {
    if (t < 1) return (0.5 * t - 1) * t * t + 2.0 / 3;
    return t < 2 ? (2 - t) * (2 - t) * (2 - t) / 6 : 0;
}
/// Sinc under a Kaiser window that ends at `radius`.
inline double kaiser(double t, double radius, double beta) {
    const auto bessel = [](double x) {
        double sum = 1;
        double term = 1;
        for (int k = 1; k < 24; ++k) {
            term *= x / (2 * k) * (x / (2 * k));
            sum += term;
        }
        return sum;
    };
    if (t >= radius) return 0;
    const double u = t / radius;
    return sinc(t) * bessel(beta * std::sqrt(1 - u * u)) / bessel(beta);
}

inline const std::vector<ResampleKernel>& resample_kernels() {
    static const std::vector<ResampleKernel> all{
        {"linear", 1, [](double t) { return t < 1 ? 1 - t : 0; }, false},
        {"mitchell", 2, mitchell, false},
        {"keys -0.5", 2, [](double t) { return keys(t, -0.5); }, false},
        {"keys -0.6", 2, [](double t) { return keys(t, -0.6); }, false},
        {"keys -0.75", 2, [](double t) { return keys(t, -0.75); }, false},
        {"lanczos2", 2, [](double t) { return lanczos(t, 2); }, false},
        {"keys 6 taps", 3, keys_six, false},
        {"lanczos3", 3, [](double t) { return lanczos(t, 3); }, false},
        {"lanczos4", 4, [](double t) { return lanczos(t, 4); }, false},
        {"kaiser 6, 4", 3, [](double t) { return kaiser(t, 3, 4); }, false},
        {"kaiser 6, 5", 3, [](double t) { return kaiser(t, 3, 5); }, false},
        {"kaiser 8, 5", 4, [](double t) { return kaiser(t, 4, 5); }, false},
        {"b-spline 3", 2, cubic_spline, true},
        {"ours", 4, nullptr, false, true},
    };
    return all;
}

/// The weights of the samples first, first + 1, ... around position x (sample i lies at i), for a
/// kernel stretched by r >= 1; they sum to one.
inline void weights_at(const ResampleKernel& kernel, double x, double r, int64_t& first,
                       std::vector<double>& weights) {
    const double reach = kernel.radius * r;
    first = static_cast<int64_t>(std::floor(x - reach)) + 1;
    const auto last = static_cast<int64_t>(std::ceil(x + reach)) - 1;
    weights.clear();
    double sum = 0;
    for (int64_t i = first; i <= last; ++i) {
        const double distance = std::abs(static_cast<double>(i) - x);
        weights.push_back(kernel.ours ? kernel_value(distance, std::min(r, kMostStretch))
                                      : kernel.value(distance / r));
        sum += weights.back();
    }
    for (double& w : weights) w /= sum;
}

}  // namespace broadloom::test
