#include "settle/patch_match.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstddef>
#include <vector>

#include "settle/local_shift.hpp"

namespace broadloom {

namespace {

constexpr int kSide = kPatchSide;
constexpr int kHalf = kSide / 2;
/// Least standard deviation of a patch's levels that is looked at, and what is blamed on noise and
/// rounding at least.
constexpr double kLeastContrast = 1.5;
constexpr double kLeastNoise = 0.7;
/// Least correlation at half size, and after the refinement.
constexpr double kLeastCoarse = 0.5;
constexpr double kLeastFine = 0.8;
/// Another peak must miss at least this many times as much of the variance as the best.
constexpr double kClearly = 1.6;
constexpr double kSlack = 0.03;
/// Neighbouring levels of a blurred patch err together: as if there were so many fewer.
constexpr double kKinship = 6;
/// A direction that is known less well than this is not known, patch pixels.
constexpr double kWorstDeviation = 0.5;
/// The way there and back, in deviations and in patch pixels.
constexpr double kWorstReturn = 0.35;

size_t index_of(int x, int y, int width) {
    return static_cast<size_t>(y) * static_cast<size_t>(width) + static_cast<size_t>(x);
}

using Plane = std::array<float, static_cast<size_t>(kSide) * kSide>;
using HalfPlane = std::array<float, static_cast<size_t>(kHalf) * kHalf>;

/// 1 2 1 on both axes: takes out what a bilinear sample would change with its place.
void soften(std::span<const uint8_t> grey, Plane& out) {
    assert(grey.size() == out.size());
    Plane across;
    for (int y = 0; y < kSide; ++y) {
        const uint8_t* in = grey.data() + y * kSide;
        float* to = across.data() + y * kSide;
        for (int x = 0; x < kSide; ++x) {
            const int left = in[std::max(x - 1, 0)];
            const int right = in[std::min(x + 1, kSide - 1)];
            to[x] = static_cast<float>(left + 2 * in[x] + right);
        }
    }
    for (int y = 0; y < kSide; ++y) {
        const float* above = across.data() + std::max(y - 1, 0) * kSide;
        const float* here = across.data() + y * kSide;
        const float* below = across.data() + std::min(y + 1, kSide - 1) * kSide;
        float* to = out.data() + y * kSide;
        for (int x = 0; x < kSide; ++x) {
            to[x] = (above[x] + 2 * here[x] + below[x]) * (1.0F / 16);
        }
    }
}

void halve(const Plane& in, HalfPlane& out) {
    for (int y = 0; y < kHalf; ++y) {
        const float* a = in.data() + static_cast<ptrdiff_t>(2 * y) * kSide;
        const float* b = a + kSide;
        for (int x = 0; x < kHalf; ++x) {
            out[index_of(x, y, kHalf)] = (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]) / 4;
        }
    }
}

/// Sums of rows are kept by column and added up at the end, so that the loops are wide and the
/// order is one.
template <size_t N>
double total(const std::array<float, N>& columns, int count) {
    double sum = 0;
    for (int i = 0; i < count; ++i) sum += static_cast<double>(columns[static_cast<size_t>(i)]);
    return sum;
}

/// Normalised correlation of the first's middle with the second at whole offsets, half size.
class Correlation {
  public:
    Correlation(const HalfPlane& first, const HalfPlane& second, int reach) : reach_(reach) {
        const int side = kHalf - 2 * reach;
        std::vector<float> pattern(static_cast<size_t>(side) * static_cast<size_t>(side));
        double mean = 0;
        for (int y = 0; y < side; ++y) {
            for (int x = 0; x < side; ++x) {
                const float v = first[index_of(x + reach, y + reach, kHalf)];
                pattern[index_of(x, y, side)] = v;
                mean += static_cast<double>(v);
            }
        }
        mean /= side * side;
        double power = 0;
        for (float& v : pattern) {
            v -= static_cast<float>(mean);
            power += static_cast<double>(v) * static_cast<double>(v);
        }
        const int width = 2 * reach + 1;
        value_.resize(static_cast<size_t>(width) * static_cast<size_t>(width));
        const double count = side * side;
        for (int oy = 0; oy < width; ++oy) {
            for (int ox = 0; ox < width; ++ox) {
                std::array<float, kHalf> product{};
                std::array<float, kHalf> sum{};
                std::array<float, kHalf> square{};
                for (int y = 0; y < side; ++y) {
                    const float* a = pattern.data() + static_cast<ptrdiff_t>(y) * side;
                    const float* b = second.data() + static_cast<ptrdiff_t>(y + oy) * kHalf + ox;
                    for (int x = 0; x < side; ++x) {
                        const auto i = static_cast<size_t>(x);
                        product[i] += a[x] * b[x];
                        sum[i] += b[x];
                        square[i] += b[x] * b[x];
                    }
                }
                const double s = total(sum, side);
                const double other = total(square, side) - s * s / count;
                const double both = power * std::max(other, 0.0);
                value_[index_of(ox, oy, width)] =
                    both > 0 ? total(product, side) / std::sqrt(both) : 0;
            }
        }
    }

    [[nodiscard]] int reach() const { return reach_; }
    [[nodiscard]] double at(int x, int y) const {
        return value_[index_of(x + reach_, y + reach_, 2 * reach_ + 1)];
    }
    /// At least as large as its up to eight neighbours.
    [[nodiscard]] bool peak(int x, int y) const {
        for (int j = std::max(y - 1, -reach_); j <= std::min(y + 1, reach_); ++j) {
            for (int i = std::max(x - 1, -reach_); i <= std::min(x + 1, reach_); ++i) {
                if (at(i, j) > at(x, y)) return false;
            }
        }
        return true;
    }

  private:
    int reach_;
    std::vector<double> value_;
};

/// Bilinear rows of a window moved by a fixed amount.
void sample_row(const Plane& plane, int x0, int y0, float fx, float fy, int count, float* out) {
    const float* a = plane.data() + static_cast<ptrdiff_t>(y0) * kSide + x0;
    const float* b = a + kSide;
    const float w00 = (1 - fx) * (1 - fy);
    const float w01 = fx * (1 - fy);
    const float w10 = (1 - fx) * fy;
    const float w11 = fx * fy;
    for (int x = 0; x < count; ++x) {
        out[x] = w00 * a[x] + w01 * a[x + 1] + w10 * b[x] + w11 * b[x + 1];
    }
}

/// Inverts a symmetric positive 4 x 4 matrix in place by Gauss-Jordan; false when it is nearly
/// singular.
bool invert(std::array<std::array<double, 4>, 4>& m) {
    std::array<std::array<double, 4>, 4> inverse{};
    for (size_t i = 0; i < 4; ++i) inverse[i][i] = 1;
    for (size_t i = 0; i < 4; ++i) {
        const double pivot = m[i][i];
        if (!(pivot > 1e-9)) return false;
        for (size_t k = 0; k < 4; ++k) {
            m[i][k] /= pivot;
            inverse[i][k] /= pivot;
        }
        for (size_t j = 0; j < 4; ++j) {
            if (j == i) continue;
            const double factor = m[j][i];
            for (size_t k = 0; k < 4; ++k) {
                m[j][k] -= factor * m[i][k];
                inverse[j][k] -= factor * inverse[i][k];
            }
        }
    }
    m = inverse;
    return true;
}

/// Least squares for displacement, contrast and brightness: second(p + d) = u . grad first(p) +
/// contrast * first(p) + brightness, where u is what d lacks times the contrast.
class Refinement {
  public:
    Refinement(const Plane& first, int margin) : margin_(margin), side_(kSide - 2 * margin) {
        const auto side = static_cast<size_t>(side_);
        for (auto& c : column_) c.resize(side * side);
        std::array<std::array<std::array<float, kSide>, 5>, 4> sums{};
        for (int y = 0; y < side_; ++y) {
            const double v = 2.0 * (y + 0.5) / side_ - 1;
            const float* in = first.data() + static_cast<ptrdiff_t>(y + margin) * kSide + margin;
            for (int x = 0; x < side_; ++x) {
                const double u = 2.0 * (x + 0.5) / side_ - 1;
                const auto weight = static_cast<float>((1 - u * u) * (1 - v * v));
                const std::array<float, 4> row{(in[x + 1] - in[x - 1]) / 2,
                                               (in[x + kSide] - in[x - kSide]) / 2, in[x] - kMiddle,
                                               1};
                const size_t at = index_of(x, y, side_);
                for (size_t i = 0; i < 4; ++i) {
                    column_[i][at] = row[i] * weight;
                    for (size_t j = i; j < 4; ++j) {
                        sums[i][j][static_cast<size_t>(x)] += row[i] * row[j] * weight;
                    }
                }
            }
        }
        for (size_t i = 0; i < 4; ++i) {
            for (size_t j = i; j < 4; ++j) {
                normal_[i][j] = normal_[j][i] = total(sums[i][j], side_);
            }
        }
        inverse_ = normal_;
        usable_ = invert(inverse_);
    }

    [[nodiscard]] bool usable() const { return usable_; }
    /// Weighted standard deviation of the first.
    [[nodiscard]] double contrast() const {
        const double mean = normal_[2][3] / normal_[3][3];
        return std::sqrt(std::max(0.0, normal_[2][2] / normal_[3][3] - mean * mean));
    }

    struct Result {
        bool good = false;
        double residual = 0;     ///< weighted standard deviation, levels of the first
        double correlation = 0;  ///< weighted
    };

    /// Refines `d`, which may not leave the margin; when given, along one direction alone.
    Result refine(const Plane& second, Vec2& d, const Vec2* along) const {
        Result result;
        constexpr int kMost = 12;
        std::array<double, 4> answer{};
        double power = 0;
        for (int iteration = 0; iteration < kMost; ++iteration) {
            const double px = margin_ + d.x;
            const double py = margin_ + d.y;
            if (!(px >= 0 && py >= 0 && px + side_ < kSide - 1 && py + side_ < kSide - 1)) {
                return result;
            }
            const int x0 = static_cast<int>(px);
            const int y0 = static_cast<int>(py);
            std::array<std::array<float, kSide>, 5> sums{};
            std::array<float, kSide> row{};
            for (int y = 0; y < side_; ++y) {
                sample_row(second, x0, y0 + y, static_cast<float>(px - x0),
                           static_cast<float>(py - y0), side_, row.data());
                const size_t at = static_cast<size_t>(y) * static_cast<size_t>(side_);
                for (size_t i = 0; i < 4; ++i) {
                    const float* c = column_[i].data() + at;
                    float* s = sums[i].data();
                    for (int x = 0; x < side_; ++x)
                        s[x] += c[x] * (row[static_cast<size_t>(x)] - kMiddle);
                }
                const float* w = column_[3].data() + at;
                for (int x = 0; x < side_; ++x) {
                    const float v = row[static_cast<size_t>(x)] - kMiddle;
                    sums[4][static_cast<size_t>(x)] += w[x] * v * v;
                }
            }
            std::array<double, 4> right{};
            for (size_t i = 0; i < 4; ++i) right[i] = total(sums[i], side_);
            power = total(sums[4], side_);
            for (size_t i = 0; i < 4; ++i) {
                answer[i] = 0;
                for (size_t j = 0; j < 4; ++j) answer[i] += inverse_[i][j] * right[j];
            }
            const double gain = answer[2];
            if (!(gain > 0.5 && gain < 2)) return result;
            Vec2 step{-answer[0] / gain, -answer[1] / gain};
            if (along != nullptr) {
                const double length = step.x * along->x + step.y * along->y;
                step = {length * along->x, length * along->y};
            }
            if (!(std::hypot(step.x, step.y) < 4)) return result;
            double explained = 0;
            for (size_t i = 0; i < 4; ++i) explained += answer[i] * right[i];
            const double count = normal_[3][3];
            const double mean = right[3] / count;
            const double variance = power / count - mean * mean;
            const double left = std::max(0.0, (power - explained) / count);
            result.residual = std::sqrt(left) / gain;
            result.correlation = variance > 0 ? std::sqrt(std::max(0.0, 1 - left / variance)) : 0;
            d = {d.x + step.x, d.y + step.y};
            if (std::hypot(step.x, step.y) < 0.01) {
                result.good = true;
                return result;
            }
        }
        return result;
    }

    /// Directions and standard deviations of a displacement found with this residual.
    void precision(double residual, std::array<Vec2, 2>& axis,
                   std::array<double, 2>& deviation) const {
        // The displacement's part of the inverse is its covariance for unit noise.
        const double a = inverse_[0][0];
        const double b = inverse_[0][1];
        const double c = inverse_[1][1];
        const double half = (a - c) / 2;
        const double root = std::hypot(half, b);
        const double small = std::max((a + c) / 2 - root, 0.0);
        const double large = (a + c) / 2 + root;
        // Of the smaller eigenvalue: (b, small - a) or (small - c, b), the longer of the two.
        Vec2 e{b, small - a};
        const Vec2 other{small - c, b};
        if (std::hypot(other.x, other.y) > std::hypot(e.x, e.y)) e = other;
        const double length = std::hypot(e.x, e.y);
        if (length > 0) {
            axis[0] = {e.x / length, e.y / length};
        } else {
            axis[0] = {1, 0};
        }
        axis[1] = {-axis[0].y, axis[0].x};
        const double noise = std::max(residual, kLeastNoise) * std::sqrt(kKinship);
        deviation = {noise * std::sqrt(small), noise * std::sqrt(large)};
    }

  private:
    /// Levels are counted from here, for the floats' sake.
    static constexpr float kMiddle = 128;
    int margin_, side_;
    std::array<std::vector<float>, 4> column_;  // of the equations, weighted
    std::array<std::array<double, 4>, 4> normal_{}, inverse_{};
    bool usable_ = false;
};

}  // namespace

std::optional<PatchOffset> match_patches(std::span<const uint8_t> first,
                                         std::span<const uint8_t> second, int search) {
    const int reach = std::clamp((search + 1) / 2, 1, kFarthestSearch / 2);
    Plane a;
    Plane b;
    soften(first, a);
    soften(second, b);
    const int margin = 2 * reach + 2;
    const Refinement there(a, margin);
    if (!there.usable() || there.contrast() < kLeastContrast) return std::nullopt;
    std::array<Vec2, 2> axis{};
    std::array<double, 2> deviation{};
    there.precision(kLeastNoise, axis, deviation);
    if (deviation[0] > kWorstDeviation) return std::nullopt;

    HalfPlane small_a;
    HalfPlane small_b;
    halve(a, small_a);
    halve(b, small_b);
    const Correlation surface(small_a, small_b, reach);
    int best_x = 0;
    int best_y = 0;
    for (int y = -reach; y <= reach; ++y) {
        for (int x = -reach; x <= reach; ++x) {
            if (surface.at(x, y) > surface.at(best_x, best_y)) {
                best_x = x;
                best_y = y;
            }
        }
    }
    const double best = surface.at(best_x, best_y);
    if (best < kLeastCoarse) return std::nullopt;
    const bool loose = deviation[1] > kWorstDeviation;
    const auto across = [&](int x, int y) { return x * axis[0].x + y * axis[0].y; };
    if (loose) {
        // Along an edge of the content all places are as good: the nearest stands for them.
        const double where = across(best_x, best_y);
        int near_x = best_x;
        int near_y = best_y;
        for (int y = -reach; y <= reach; ++y) {
            for (int x = -reach; x <= reach; ++x) {
                if (std::abs(across(x, y) - where) < 1 && surface.at(x, y) > best - kSlack &&
                    x * x + y * y < near_x * near_x + near_y * near_y) {
                    near_x = x;
                    near_y = y;
                }
            }
        }
        best_x = near_x;
        best_y = near_y;
    }
    // At the border of what was searched the displacement may lie beyond.
    if (std::abs(best_x) == reach || std::abs(best_y) == reach) return std::nullopt;
    for (int y = -reach; y <= reach; ++y) {
        for (int x = -reach; x <= reach; ++x) {
            const double dx = x - best_x;
            const double dy = y - best_y;
            const double apart = loose ? std::abs(across(x, y) - across(best_x, best_y))
                                       : std::max(std::abs(dx), std::abs(dy));
            if (apart < (loose ? 2.5 : 1.5) || !surface.peak(x, y)) continue;
            if (1 - surface.at(x, y) < kClearly * (1 - best) + kSlack) return std::nullopt;
        }
    }

    PatchOffset found;
    found.by = {2.0 * best_x, 2.0 * best_y};
    const auto forward = there.refine(b, found.by, loose ? axis.data() : nullptr);
    if (!forward.good || forward.correlation < kLeastFine) return std::nullopt;
    there.precision(forward.residual, found.axis, found.deviation);
    if (found.deviation[0] > kWorstDeviation) return std::nullopt;
    if (loose || found.deviation[1] > kWorstDeviation) {
        found.deviation[1] = PatchOffset::kUnknown;
    }

    const Refinement back(b, margin);
    Vec2 home{-found.by.x, -found.by.y};
    if (!back.usable() || !back.refine(a, home, loose ? axis.data() : nullptr).good)
        return std::nullopt;
    const Vec2 miss{found.by.x + home.x, found.by.y + home.y};
    for (size_t i = 0; i < 2; ++i) {
        if (found.deviation[i] == PatchOffset::kUnknown) continue;
        if (std::abs(miss.x * found.axis[i].x + miss.y * found.axis[i].y) > kWorstReturn) {
            return std::nullopt;
        }
    }
    return found;
}

}  // namespace broadloom
