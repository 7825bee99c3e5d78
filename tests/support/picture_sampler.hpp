/// Light of a picture between its pixels.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>

#include "broadloom/photometry.hpp"
#include "support/shoot.hpp"

namespace broadloom::test {

/// Samples a picture, which outlives it. Beyond the edges the picture goes on mirrored, from its
/// other side, or with its outermost pixels.
class PictureSampler {
  public:
    PictureSampler(const Picture& picture, bool mirror, bool wrap)
        : picture_(picture), mirror_(mirror), wrap_(wrap) {}
    /// Bicubic (a = -1/2) on encoded values, then linear light.
    [[nodiscard]] std::array<double, 3> at(double x, double y) const {
        const double fx = std::floor(x - 0.5);
        const double fy = std::floor(y - 0.5);
        double wx[4];
        double wy[4];
        weights(x - 0.5 - fx, wx);
        weights(y - 0.5 - fy, wy);
        std::array<double, 3> sum{0, 0, 0};
        for (int j = 0; j < 4; ++j) {
            const uint8_t* row =
                picture_.rgb.data() + 3 * picture_.width * row_of(static_cast<int64_t>(fy) - 1 + j);
            for (int i = 0; i < 4; ++i) {
                const uint8_t* p = row + 3 * column_of(static_cast<int64_t>(fx) - 1 + i);
                for (size_t c = 0; c < 3; ++c) sum[c] += wx[i] * wy[j] * p[c];
            }
        }
        for (double& v : sum) v = srgb_decode(v / 255);
        return sum;
    }

  private:
    static int64_t reflected(int64_t x, int64_t size) {
        const int64_t period = 2 * size;
        x = ((x % period) + period) % period;
        return x < size ? x : period - 1 - x;
    }
    static void weights(double t, double w[4]) {
        w[0] = ((-0.5 * t + 1) * t - 0.5) * t;
        w[1] = (1.5 * t - 2.5) * t * t + 1;
        w[2] = ((-1.5 * t + 2) * t + 0.5) * t;
        w[3] = (0.5 * t - 0.5) * t * t;
    }
    [[nodiscard]] int64_t row_of(int64_t y) const {
        return mirror_ ? reflected(y, picture_.height)
                       : std::clamp<int64_t>(y, 0, picture_.height - 1);
    }
    [[nodiscard]] int64_t column_of(int64_t x) const {
        if (wrap_) return ((x % picture_.width) + picture_.width) % picture_.width;
        return mirror_ ? reflected(x, picture_.width)
                       : std::clamp<int64_t>(x, 0, picture_.width - 1);
    }
    const Picture& picture_;
    bool mirror_, wrap_;
};

}  // namespace broadloom::test
