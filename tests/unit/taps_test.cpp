#include "image/taps.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <functional>
#include <vector>

#include "image/kernels.hpp"
#include "support/resample_kernels.hpp"

using namespace broadloom;

namespace {

/// The weights as taps.hpp writes them, in double.
std::vector<double> weights_of(const Taps& taps, double t) {
    const double s = t - 0.5;
    const double z = s * s;
    std::vector<double> w(static_cast<size_t>(taps.count));
    for (size_t p = 0; p < w.size() / 2; ++p) {
        const auto c = [&](const float* from, int i) { return static_cast<double>(from[i]); };
        const double even = (c(taps.even[p], 2) * z + c(taps.even[p], 1)) * z + c(taps.even[p], 0);
        const double odd =
            ((c(taps.odd[p], 2) * z + c(taps.odd[p], 1)) * z + c(taps.odd[p], 0)) * s;
        w[p] = even + odd;
        w[w.size() - 1 - p] = even - odd;
    }
    return w;
}

double sum_of(const std::vector<double>& w) {
    double sum = 0;
    for (const double x : w) sum += x;
    return sum;
}

constexpr double kRatios[] = {0.2, 1, 1.05, 1.06, 1.2, 1.43, 1.5, 1.51, 1.7, 2, 3};

/// Where pixel i of a cell lies in it.
double column(int i) { return i % kCell; }
double row(int i) {
    const int whole = i / kCell;
    return whole;
}

/// A grey frame of 16 bits that `value` (0..1) fills, and cells of a canvas laid over it.
class Sheet {
  public:
    Sheet(int64_t side, const std::function<double(double, double)>& value) : side_(side) {
        const int64_t wide = side + 2 * kBorder;
        samples_.resize(static_cast<size_t>(wide * wide));
        for (int64_t y = -kBorder; y < side + kBorder; ++y) {
            for (int64_t x = -kBorder; x < side + kBorder; ++x) {
                const double v = value(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
                samples_[static_cast<size_t>((y + kBorder) * wide + x + kBorder)] =
                    static_cast<uint16_t>(std::lround(v * 65535));
            }
        }
    }
    /// One cell whose first pixel's centre is (u, v) in the frame, `ratio` frame pixels a pixel.
    [[nodiscard]] std::vector<float> cell(const Kernels& kernels, const Taps& taps, double u,
                                          double v, double ratio) const {
        const int64_t wide = side_ + 2 * kBorder;
        CellSampler s;
        s.planes = 1;
        s.sixteen_bits = true;
        s.taps = &taps;
        s.u_low = s.v_low = 0.5F;
        s.u_high = s.v_high = static_cast<float>(side_) - 0.5F;
        s.plane[0] = {reinterpret_cast<const uint8_t*>(samples_.data() + kBorder * wide + kBorder),
                      wide * 2,
                      1,
                      1,
                      -0.5F,
                      -0.5F};
        CellCoords coords;
        for (int i = 0; i < kCellArea; ++i) {
            coords.u[i] = static_cast<float>(u + ratio * column(i));
            coords.v[i] = static_cast<float>(v + ratio * row(i));
        }
        std::vector<float> out(3 * kCellArea);
        kernels.sample_cell_float(s, coords, out.data(), out.data() + kCellArea,
                                  out.data() + 2 * kCellArea, kCell);
        out.resize(kCellArea);
        return out;
    }

  private:
    static constexpr int64_t kBorder = kMostTaps / 2 + 4;
    int64_t side_;
    std::vector<uint16_t> samples_;
};

/// Contrast that a grating of `cycles` a frame pixel, slanted by 20 degrees, keeps on a canvas of
/// `ratio` frame pixels a pixel: the root of its mean square against the grating's own.
double contrast(const Taps& taps, double cycles, double ratio) {
    const double a = std::cos(0.35) * cycles * 2 * test::kCirclePi;
    const double b = std::sin(0.35) * cycles * 2 * test::kCirclePi;
    const Sheet sheet(160, [&](double x, double y) { return 0.5 + 0.4 * std::cos(a * x + b * y); });
    double sum = 0;
    int64_t n = 0;
    for (int j = 0; j < 4; ++j) {
        for (int i = 0; i < 4; ++i) {
            const auto cell =
                sheet.cell(plain_kernels(), taps, 10.3 + 31.7 * i, 10.8 + 31.1 * j, ratio);
            for (const float v : cell) {
                const double off = static_cast<double>(v) / 255 - 0.5;
                sum += off * off;
                ++n;
            }
        }
    }
    return std::sqrt(sum / static_cast<double>(n) / 0.08);
}

}  // namespace

TEST_CASE("the weights are the kernel's and sum to one", "[kernels][property]") {
    for (const double ratio : kRatios) {
        INFO(ratio);
        const Taps taps = make_taps(ratio);
        const double stretch = ratio > kStretchFrom ? std::min(ratio, kMostStretch) : 1.0;
        CHECK(taps.count == (stretch > 1.5 ? 8 : 6));
        double worst = 0;
        double worst_sum = 0;
        double uneven = 0;
        for (int i = 0; i <= 200; ++i) {
            const double t = i / 200.0;
            const auto w = weights_of(taps, t);
            std::vector<double> expected(w.size());
            const int first = 1 - taps.count / 2;
            for (size_t k = 0; k < w.size(); ++k) {
                expected[k] = kernel_value(static_cast<double>(k) + first - t, stretch);
            }
            const double whole = sum_of(expected);
            for (size_t k = 0; k < w.size(); ++k) {
                worst = std::max(worst, std::abs(w[k] - expected[k] / whole));
            }
            worst_sum = std::max(worst_sum, std::abs(sum_of(w) - 1));
            const auto mirrored = weights_of(taps, 1 - t);
            for (size_t k = 0; k < w.size(); ++k) {
                uneven = std::max(uneven, std::abs(w[k] - mirrored[w.size() - 1 - k]));
            }
        }
        CHECK(worst < 2e-4);      // of the fit
        CHECK(worst_sum < 2e-7);  // float's rounding of the coefficients
        CHECK(uneven < 1e-12);
    }
}

TEST_CASE("the usual kernel is a sinc under a Kaiser window and leaves samples as they are",
          "[kernels]") {
    // J. F. Kaiser, R. W. Schafer, IEEE Trans. ASSP 28(1), 1980: I0(beta sqrt(1 - u^2)) / I0(beta);
    // the standard library's Bessel function is the reference.
    for (double x = 0.05; x < 3; x += 0.1) {
        const double window =
            std::cyl_bessel_i(0.0, 4 * std::sqrt(1 - x * x / 9)) / std::cyl_bessel_i(0.0, 4.0);
        const double expected = std::sin(test::kCirclePi * x) / (test::kCirclePi * x) * window;
        CHECK(std::abs(kernel_value(x, 1) - expected) < 1e-12);
        CHECK(kernel_value(-x, 1) == kernel_value(x, 1));
    }
    CHECK(kernel_value(3, 1) == 0);
    const auto w = weights_of(usual_taps(), 0);
    for (size_t k = 0; k < 6; ++k) CHECK(std::abs(w[k] - (k == 2 ? 1 : 0)) < 1e-7);
    // Negative control: a stretched one mixes them.
    CHECK(weights_of(make_taps(1.2), 0)[2] < 0.9);
    // Stretched ones end without a jump.
    for (const double ratio : {1.2, 1.5, 1.6, 2.0}) {
        CHECK(std::abs(weights_of(make_taps(ratio), 0).back()) < 1e-6);
    }
}

TEST_CASE("constants and positions come through every kernel", "[kernels][property]") {
    for (const auto set : {InstructionSet::plain, InstructionSet::automatic}) {
        const Kernels& kernels = kernels_for(set);
        for (const double ratio : kRatios) {
            INFO(kernels.name << ", " << ratio);
            const Taps taps = make_taps(ratio);
            const double step = std::min(ratio, 2.0);
            const Sheet flat(64, [](double, double) { return 0.8; });
            double worst = 0;
            for (const float v : flat.cell(kernels, taps, 4.37, 5.61, step)) {
                worst = std::max(worst, std::abs(static_cast<double>(v) / 255 - 0.8) * 65535);
            }
            CHECK(worst < 0.05);  // float's rounding, in 16-bit steps
            // A ramp comes back where it was, within the ripple of a windowed sinc: 1/40 px.
            const Sheet ramp(64, [](double x, double y) { return (2 * x + y + 40) / 300; });
            const auto off_by = [&](double turned) {
                const auto cell = ramp.cell(kernels, taps, 12.37 + turned, 13.61, step);
                double most = 0;
                for (int i = 0; i < kCellArea; ++i) {
                    const double x = 12.37 + step * column(i);
                    const double y = 13.61 + step * row(i);
                    const auto value = static_cast<double>(cell[static_cast<size_t>(i)]);
                    most = std::max(most, std::abs(value / 255 * 300 - (2 * x + y + 40)));
                }
                return most / 2;
            };
            CHECK(off_by(0) < 0.025);
            CHECK(off_by(0.05) > 0.025);  // negative control
        }
    }
}

TEST_CASE("a coarser canvas shows no false patterns, a finer one keeps contrast", "[kernels]") {
    // On a canvas of 1.43 frame pixels a pixel (--scale 0.7) gratings finer than 0.5 / 1.43 = 0.35
    // cycles a frame pixel can only come back as a false, coarser pattern.
    const Taps stretched = make_taps(1.43);
    const Taps usual = make_taps(1);
    CHECK(contrast(stretched, 0.2, 1.43) > 0.85);
    CHECK(contrast(stretched, 0.42, 1.43) < 0.4);
    CHECK(contrast(stretched, 0.47, 1.43) < 0.25);
    CHECK(contrast(usual, 0.42, 1.43) > 0.7);  // negative control: not stretched
    CHECK(contrast(usual, 0.47, 1.43) > 0.6);
    const Taps halved = make_taps(1.9);
    CHECK(contrast(halved, 0.15, 1.9) > 0.85);
    CHECK(contrast(halved, 0.36, 1.9) < 0.25);
    CHECK(contrast(halved, 0.45, 1.9) < 0.1);
    CHECK(contrast(usual, 0.45, 1.9) > 0.6);  // negative control
    // Where canvas and frame are alike, the usual kernel keeps what bicubic (Keys, a = -1/2; 72 %)
    // loses.
    CHECK(contrast(usual, 0.42, 1.01) > 0.8);
    CHECK(contrast(usual, 0.3, 1.01) > 0.95);
}
