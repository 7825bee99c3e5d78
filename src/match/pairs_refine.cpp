// Least squares matching: A. W. Gruen, "Adaptive least squares correlation: a powerful image
// matching technique", South African Journal of Photogrammetry 14 (1985). Unknowns of a window are
// its shift, gain and offset; turn and scale come from the geometry.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "match/pairs.hpp"

namespace broadloom {
namespace {

constexpr int kRadius = 10;  // of the window, reduced pixels
constexpr int kSide = 2 * kRadius + 1;
constexpr int kRounds = 20;
constexpr double kConverged = 0.003;  // reduced pixels
constexpr double kLeastCorrelation = 0.9;
constexpr double kLeastGradient = 1.5;    // levels a pixel, RMS in the direction of least texture
constexpr double kWorstDeviation = 0.12;  // reduced pixels, of the shift by its covariance

using Window = std::array<double, static_cast<size_t>(kSide) * kSide>;

/// Frame a's points in frame b's reduced pixels.
class Transfer {
  public:
    Transfer(const GreyImage& image_a, const GreyImage& image_b, const Camera& camera_a,
             const Camera& camera_b, const Rotation& a_from_b)
        : a_(image_a),
          b_(image_b),
          lens_a_(camera_a),
          lens_b_(camera_b),
          b_from_a_(a_from_b.inverse()) {}

    [[nodiscard]] std::optional<Vec2> operator()(Vec2 reduced_a) const {
        const auto ab = lens_a_.undistort(a_.to_full(reduced_a));
        if (!ab) return std::nullopt;
        const auto at = lens_b_.project(b_from_a_.to_world({ab->x, ab->y, 1}));
        if (!at) return std::nullopt;
        return b_.from_full(*at);
    }

  private:
    const GreyImage& a_;
    const GreyImage& b_;
    Lens lens_a_, lens_b_;
    Rotation b_from_a_;
};

/// Smoothed by 1 2 1 in both directions: what interpolation would blur anyway is blurred in both
/// windows alike. (x, y) at least one pixel inside.
double smoothed(const GreyImage& g, int64_t x, int64_t y) {
    const uint8_t* p = g.pixels.data() + y * g.width + x;
    const uint8_t* above = p - g.width;
    const uint8_t* below = p + g.width;
    return (above[-1] + 2 * above[0] + above[1] + 2 * (p[-1] + 2 * p[0] + p[1]) + below[-1] +
            2 * below[0] + below[1]) /
           16.0;
}

/// A smoothed piece of an image that can be sampled between its pixels.
class Patch {
  public:
    /// The pixels x0 <= x < x0 + side, likewise y; at least one pixel inside the image.
    void load(const GreyImage& g, int64_t x0, int64_t y0, int side) {
        x0_ = x0;
        y0_ = y0;
        side_ = side;
        values_.resize(static_cast<size_t>(side) * static_cast<size_t>(side));
        size_t i = 0;
        for (int y = 0; y < side; ++y) {
            for (int x = 0; x < side; ++x) values_[i++] = smoothed(g, x0 + x, y0 + y);
        }
    }

    struct Sample {
        double value = 0, by_x = 0, by_y = 0;
    };

    /// Bicubic (R. Keys 1981, a = -1/2) with its derivatives, at continuous image coordinates;
    /// nullopt too near the patch's edge.
    [[nodiscard]] std::optional<Sample> at(Vec2 p) const {
        const double u = p.x - 0.5 - static_cast<double>(x0_);
        const double v = p.y - 0.5 - static_cast<double>(y0_);
        const double fu = std::floor(u);
        const double fv = std::floor(v);
        if (!(fu >= 1 && fv >= 1 && fu + 2 < side_ && fv + 2 < side_)) return std::nullopt;
        std::array<double, 4> wx{};
        std::array<double, 4> dx{};
        std::array<double, 4> wy{};
        std::array<double, 4> dy{};
        weights(u - fu, wx, dx);
        weights(v - fv, wy, dy);
        Sample s;
        const auto column = static_cast<size_t>(fu) - 1;
        const auto row = static_cast<size_t>(fv) - 1;
        for (size_t j = 0; j < 4; ++j) {
            const double* q = values_.data() + (row + j) * static_cast<size_t>(side_) + column;
            double value = 0;
            double slope = 0;
            for (size_t i = 0; i < 4; ++i) {
                value += wx[i] * q[i];
                slope += dx[i] * q[i];
            }
            s.value += wy[j] * value;
            s.by_x += wy[j] * slope;
            s.by_y += dy[j] * value;
        }
        return s;
    }

  private:
    static void weights(double t, std::array<double, 4>& w, std::array<double, 4>& d) {
        const double t2 = t * t;
        const double t3 = t2 * t;
        w = {-0.5 * t3 + t2 - 0.5 * t, 1.5 * t3 - 2.5 * t2 + 1, -1.5 * t3 + 2 * t2 + 0.5 * t,
             0.5 * t3 - 0.5 * t2};
        d = {-1.5 * t2 + 2 * t - 0.5, 4.5 * t2 - 5 * t, -4.5 * t2 + 4 * t + 0.5, 1.5 * t2 - t};
    }

    int64_t x0_ = 0, y0_ = 0;
    int side_ = 0;
    std::vector<double> values_;
};

/// Solves the 4 x 4 normal equations in place; false when they are singular. `inverse` receives the
/// upper left 2 x 2 block of the inverse.
bool solve(std::array<std::array<double, 4>, 4> n, std::array<double, 4>& b,
           std::array<std::array<double, 2>, 2>& inverse) {
    std::array<std::array<double, 3>, 4> right{};
    for (size_t i = 0; i < 4; ++i) right[i] = {b[i], i == 0 ? 1.0 : 0.0, i == 1 ? 1.0 : 0.0};
    for (size_t i = 0; i < 4; ++i) {
        size_t pivot = i;
        for (size_t k = i + 1; k < 4; ++k) {
            if (std::abs(n[k][i]) > std::abs(n[pivot][i])) pivot = k;
        }
        if (std::abs(n[pivot][i]) < 1e-9) return false;
        std::swap(n[i], n[pivot]);
        std::swap(right[i], right[pivot]);
        for (size_t k = 0; k < 4; ++k) {
            if (k == i) continue;
            const double f = n[k][i] / n[i][i];
            for (size_t c = i; c < 4; ++c) n[k][c] -= f * n[i][c];
            for (size_t c = 0; c < 3; ++c) right[k][c] -= f * right[i][c];
        }
    }
    for (size_t i = 0; i < 4; ++i) b[i] = right[i][0] / n[i][i];
    for (size_t i = 0; i < 2; ++i) inverse[i] = {right[i][1] / n[i][i], right[i][2] / n[i][i]};
    return true;
}

/// The shift of frame b's window that fits best; nullopt when nothing can be trusted.
std::optional<Vec2> fit_window(const Window& wanted, const Patch& patch, Vec2 start,
                               const std::array<double, 4>& turn) {
    Vec2 centre = start;
    double gain = 1;
    double offset = 0;
    double mean = 0;
    for (const double v : wanted) mean += v;
    mean /= static_cast<double>(wanted.size());
    double spread = 0;
    for (const double v : wanted) spread += (v - mean) * (v - mean);
    for (int round = 0; round < kRounds; ++round) {
        std::array<std::array<double, 4>, 4> n{};
        std::array<double, 4> b{};
        double misfit = 0;
        size_t i = 0;
        for (int y = -kRadius; y <= kRadius; ++y) {
            for (int x = -kRadius; x <= kRadius; ++x, ++i) {
                const auto s = patch.at(
                    {centre.x + turn[0] * x + turn[1] * y, centre.y + turn[2] * x + turn[3] * y});
                if (!s) return std::nullopt;
                const double r = wanted[i] - gain * s->value - offset;
                misfit += r * r;
                const std::array<double, 4> j{gain * s->by_x, gain * s->by_y, s->value, 1};
                for (size_t p = 0; p < 4; ++p) {
                    for (size_t q = 0; q < 4; ++q) n[p][q] += j[p] * j[q];
                    b[p] += j[p] * r;
                }
            }
        }
        const auto count = static_cast<double>(wanted.size());
        const double half = (n[0][0] - n[1][1]) / 2;
        const double least = (n[0][0] + n[1][1]) / 2 - std::hypot(half, n[0][1]);
        if (least < kLeastGradient * kLeastGradient * count) return std::nullopt;
        std::array<std::array<double, 2>, 2> inverse{};
        if (!solve(n, b, inverse)) return std::nullopt;
        centre.x += b[0];
        centre.y += b[1];
        gain += b[2];
        offset += b[3];
        if (!(std::hypot(b[0], b[1]) < 4) || !(gain > 0.2 && gain < 5)) return std::nullopt;
        if (std::hypot(b[0], b[1]) < kConverged && round > 0) {
            const double variance = misfit / (count - 4);
            const double worst = std::max(inverse[0][0], inverse[1][1]) * variance;
            // Smoothed pixels are not independent: about four share their noise.
            if (1 - misfit / std::max(spread, 1e-9) < kLeastCorrelation * kLeastCorrelation ||
                4 * worst > kWorstDeviation * kWorstDeviation) {
                return std::nullopt;
            }
            return centre;
        }
    }
    return std::nullopt;
}

/// Up to `most` matches spread over the area that they cover, in their own order.
std::vector<Match> spread_out(std::span<const Match> matches, size_t most) {
    if (matches.size() <= most) return {matches.begin(), matches.end()};
    Vec2 low = matches[0].a;
    Vec2 high = low;
    for (const Match& m : matches) {
        low = {std::min(low.x, m.a.x), std::min(low.y, m.a.y)};
        high = {std::max(high.x, m.a.x), std::max(high.y, m.a.y)};
    }
    const double w = std::max(high.x - low.x, 1.0);
    const double h = std::max(high.y - low.y, 1.0);
    const double cell = std::sqrt(w * h / static_cast<double>(most));
    const auto columns = static_cast<size_t>(w / cell) + 1;
    const auto rows = static_cast<size_t>(h / cell) + 1;
    std::vector<std::vector<size_t>> cells(columns * rows);
    for (size_t i = 0; i < matches.size(); ++i) {
        const auto x = static_cast<size_t>((matches[i].a.x - low.x) / cell);
        const auto y = static_cast<size_t>((matches[i].a.y - low.y) / cell);
        cells[std::min(y, rows - 1) * columns + std::min(x, columns - 1)].push_back(i);
    }
    std::vector<size_t> chosen;
    for (size_t depth = 0; chosen.size() < most; ++depth) {
        bool any = false;
        for (const auto& c : cells) {
            if (depth < c.size() && chosen.size() < most) {
                chosen.push_back(c[depth]);
                any = true;
            }
        }
        if (!any) break;
    }
    std::sort(chosen.begin(), chosen.end());
    std::vector<Match> list;
    list.reserve(chosen.size());
    for (const size_t i : chosen) list.push_back(matches[i]);
    return list;
}

}  // namespace

std::vector<Match> refine_matches(const GreyImage& image_a, const GreyImage& image_b,
                                  const Camera& camera_a, const Camera& camera_b,
                                  const Rotation& a_from_b, std::span<const Match> matches,
                                  double most_px, size_t most) {
    const Transfer transfer(image_a, image_b, camera_a, camera_b, a_from_b);
    std::vector<Match> refined;
    std::vector<std::pair<int64_t, int64_t>> taken;
    Patch patch;
    const double most_reduced = most_px / image_b.denominator;
    // Some windows have no texture or fit badly: try more than are wanted.
    for (const Match& m : spread_out(matches, most + most / 2)) {
        if (refined.size() >= most) break;
        // The window in a lies on whole pixels, so that it is not interpolated.
        const Vec2 near = image_a.from_full(m.a);
        const auto x = static_cast<int64_t>(std::floor(near.x));
        const auto y = static_cast<int64_t>(std::floor(near.y));
        if (x < kRadius + 1 || y < kRadius + 1 || x + kRadius + 1 >= image_a.width ||
            y + kRadius + 1 >= image_a.height) {
            continue;
        }
        // Features of several angles stand in one place.
        if (std::find(taken.begin(), taken.end(), std::pair(x, y)) != taken.end()) continue;
        const Vec2 centre_a{static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5};
        const auto from = transfer(near);
        const auto middle = transfer(centre_a);
        const auto right = transfer({centre_a.x + kRadius, centre_a.y});
        const auto left = transfer({centre_a.x - kRadius, centre_a.y});
        const auto below = transfer({centre_a.x, centre_a.y + kRadius});
        const auto above = transfer({centre_a.x, centre_a.y - kRadius});
        if (!from || !middle || !right || !left || !below || !above) continue;
        constexpr double kAcross = 2.0 * kRadius;
        const std::array<double, 4> turn{
            (right->x - left->x) / kAcross, (below->x - above->x) / kAcross,
            (right->y - left->y) / kAcross, (below->y - above->y) / kAcross};
        // Where the feature was seen, and the rest of the way by the geometry.
        const Vec2 seen = image_b.from_full(m.b);
        const Vec2 start{seen.x + middle->x - from->x, seen.y + middle->y - from->y};
        const double reach = kRadius * std::max(std::abs(turn[0]) + std::abs(turn[1]),
                                                std::abs(turn[2]) + std::abs(turn[3])) +
                             std::min(most_reduced, 6.0) + 4;
        const auto half = static_cast<int64_t>(std::ceil(reach));
        const auto x0 = static_cast<int64_t>(std::floor(start.x)) - half;
        const auto y0 = static_cast<int64_t>(std::floor(start.y)) - half;
        const auto side = static_cast<int>(2 * half + 1);
        if (x0 < 1 || y0 < 1 || x0 + side + 1 > image_b.width || y0 + side + 1 > image_b.height ||
            side > 200) {
            continue;
        }
        Window wanted;
        size_t i = 0;
        for (int64_t v = y - kRadius; v <= y + kRadius; ++v) {
            for (int64_t u = x - kRadius; u <= x + kRadius; ++u) {
                wanted[i++] = smoothed(image_a, u, v);
            }
        }
        patch.load(image_b, x0, y0, side);
        const auto found = fit_window(wanted, patch, start, turn);
        if (!found || std::hypot(found->x - start.x, found->y - start.y) > most_reduced) continue;
        taken.emplace_back(x, y);
        refined.push_back({image_a.to_full(centre_a), image_b.to_full(*found)});
    }
    return refined;
}

}  // namespace broadloom
