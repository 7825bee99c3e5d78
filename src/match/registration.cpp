#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "match/registration_detail.hpp"

namespace broadloom {

namespace {

/// SplitMix64 (G. Steele, D. Lea, C. Flood, OOPSLA 2014).
class Draws {
  public:
    explicit Draws(uint64_t seed) : state_(seed) {}
    size_t below(size_t n) {
        state_ += 0x9e3779b97f4a7c15U;
        uint64_t z = state_;
        z = (z ^ (z >> 30U)) * 0xbf58476d1ce4e5b9U;
        z = (z ^ (z >> 27U)) * 0x94d049bb133111ebU;
        z ^= z >> 31U;
        return static_cast<size_t>(z % n);
    }

  private:
    uint64_t state_;
};

Vec3 direction_of(Vec2 p) { return normalized({p.x, p.y, 1}); }

/// Axes that two directions span: their middle, their normal, and the third.
Rotation axes_of(Vec3 first, Vec3 second) {
    const Vec3 x = normalized(first + second);
    const Vec3 z = normalized(cross(first, second));
    const Vec3 y = cross(z, x);
    return {{{{x.x, y.x, z.x}, {x.y, y.y, z.y}, {x.z, y.z, z.z}}}};
}

constexpr size_t kParameters = 5;  // rotation vector, logarithm of the focal factor, k1
using Row = std::array<double, kParameters>;

/// Solves the symmetric positive system by Cholesky; false when it is not positive.
bool solve(std::array<Row, kParameters> m, Row rhs, Row& out) {
    for (size_t i = 0; i < kParameters; ++i) {
        for (size_t j = 0; j <= i; ++j) {
            double sum = m[i][j];
            for (size_t k = 0; k < j; ++k) sum -= m[i][k] * m[j][k];
            if (i == j) {
                if (!(sum > 0)) return false;
                m[i][i] = std::sqrt(sum);
            } else {
                m[i][j] = sum / m[j][j];
            }
        }
    }
    for (size_t i = 0; i < kParameters; ++i) {
        for (size_t k = 0; k < i; ++k) rhs[i] -= m[i][k] * rhs[k];
        rhs[i] /= m[i][i];
    }
    for (size_t i = kParameters; i-- > 0;) {
        for (size_t k = i + 1; k < kParameters; ++k) rhs[i] -= m[k][i] * rhs[k];
        rhs[i] /= m[i][i];
    }
    out = rhs;
    return true;
}

Registration moved(const Registration& from, const Row& step) {
    Registration to = from;
    to.a_from_b = rotation_exp({step[0], step[1], step[2]}) * from.a_from_b;
    to.lens.focal *= std::exp(step[3]);
    to.lens.k1 += step[4];
    return to;
}

/// The miss as a vector in a's pixels.
std::optional<Vec2> miss(const Registration& fit, const Sighting& s, double focal_px) {
    const Vec2 a = fit.lens.apply(s.a);
    const Vec2 b = fit.lens.apply(s.b);
    const Vec3 d = fit.a_from_b.to_world({b.x, b.y, 1});
    // Nearly at a right angle to the axis: no frame shows that.
    if (!(d.z > 0.02)) return std::nullopt;
    const double scale = focal_px * fit.lens.focal;
    return Vec2{scale * (a.x - d.x / d.z), scale * (a.y - d.y / d.z)};
}

/// How well the lens guess is known beforehand, standard deviations.
constexpr double kFocalPrior = 0.08;
double k1_prior(const PairShape& shape) {
    // As a share of the picture at its corner a few hundredths, however narrow the view is.
    constexpr double kCornerShare = 0.03;
    return std::max(0.1, kCornerShare / std::max(1e-9, shape.corner_radius * shape.corner_radius));
}

/// Sum of Cauchy losses and priors, in units of scale_px squared.
double cost_of(const std::vector<Sighting>& sightings, const PairShape& shape,
               const Registration& fit, double scale_px) {
    double cost = 0;
    for (const Sighting& s : sightings) {
        const double e = miss_px(fit, s, shape.focal_px) / scale_px;
        // What lies behind the camera costs like something very far off.
        cost += std::log1p(std::min(e * e, 1e6));
    }
    const double f = std::log(fit.lens.focal) / kFocalPrior;
    const double k = fit.lens.k1 / k1_prior(shape);
    return cost + f * f + k * k;
}

}  // namespace

Vec2 LensGuess::apply(Vec2 p) const {
    const double x = p.x / focal;
    const double y = p.y / focal;
    // r (1 + k1 r^2) = r_recorded, by Newton from the first term of the inverse series.
    const double recorded_sq = x * x + y * y;
    double share = 1 / (1 + k1 * recorded_sq);  // r / r_recorded
    for (int i = 0; i < 3; ++i) {
        const double t = k1 * recorded_sq * share * share;
        const double rise = 1 + 3 * t;
        if (!(rise > 0.1)) break;
        share -= (share * (1 + t) - 1) / rise;
    }
    return {x * share, y * share};
}

double miss_px(const Registration& fit, const Sighting& sighting, double focal_px) {
    const std::optional<Vec2> e = miss(fit, sighting, focal_px);
    return e ? std::hypot(e->x, e->y) : std::numeric_limits<double>::infinity();
}

std::optional<Rotation> search_rotation(const std::vector<Sighting>& sightings,
                                        const PairShape& shape, double loose_px) {
    const size_t n = sightings.size();
    if (n < 2) return std::nullopt;
    std::vector<Vec3> a(n);
    std::vector<Vec3> b(n);
    for (size_t i = 0; i < n; ++i) {
        a[i] = direction_of(sightings[i].a);
        b[i] = direction_of(sightings[i].b);
    }
    const double loose = loose_px / shape.focal_px;
    // Two points nearer to each other than this say little about the roll.
    const double apart = 0.06 * shape.width_px / shape.focal_px;
    const double prior = shape.prior_rad + 2 * loose;

    Draws draws(shape.seed);
    std::optional<Rotation> best;
    double best_score = 0;
    constexpr size_t kMostDraws = 6000;
    constexpr double kMissRate = 1e-4;
    size_t wanted = kMostDraws;
    for (size_t draw = 0; draw < wanted; ++draw) {
        const size_t i = draws.below(n);
        const size_t j = draws.below(n);
        if (i == j) continue;
        const double angle_a = angle_between(a[i], a[j]);
        if (angle_a < apart || std::abs(angle_a - angle_between(b[i], b[j])) > 2 * loose) continue;
        const Rotation r = axes_of(a[i], a[j]) * axes_of(b[i], b[j]).inverse();
        if (shape.predicted && rotation_angle(r * shape.predicted->inverse()) > prior) continue;
        double score = 0;  // inliers, each less the nearer its limit (MSAC)
        double inliers = 0;
        for (size_t k = 0; k < n; ++k) {
            const Vec3 e = a[k] - r.to_world(b[k]);
            const double share = dot(e, e) / (loose * loose);
            if (share < 1) {
                score += 1 - share;
                inliers += 1;
            }
        }
        if (score <= best_score) continue;
        best_score = score;
        best = r;
        const double hit = std::pow(inliers / static_cast<double>(n), 2);
        // Twice as many as needed in theory: inliers near each other give poor rotations.
        const double needed = hit >= 1 ? 1 : 2 * std::log(kMissRate) / std::log1p(-hit);
        wanted = static_cast<size_t>(std::clamp(needed, 50.0, static_cast<double>(kMostDraws)));
    }
    return best;
}

Registration refine_registration(const std::vector<Sighting>& sightings, const PairShape& shape,
                                 Registration start, double scale_px) {
    constexpr int kMostSteps = 20;
    constexpr Row kNudge{1e-6, 1e-6, 1e-6, 1e-6, 1e-6};
    const double scale_sq = scale_px * scale_px;
    double damping = 1e-6;
    double cost = cost_of(sightings, shape, start, scale_px);
    for (int step = 0; step < kMostSteps; ++step) {
        std::array<Row, kParameters> normal{};
        Row rhs{};
        std::array<Registration, kParameters> nudged;
        for (size_t p = 0; p < kParameters; ++p) {
            Row nudge{};
            nudge[p] = kNudge[p];
            nudged[p] = moved(start, nudge);
        }
        for (const Sighting& s : sightings) {
            const std::optional<Vec2> e = miss(start, s, shape.focal_px);
            if (!e) continue;
            const double e_sq = (e->x * e->x + e->y * e->y) / scale_sq;
            const double weight = 1 / (scale_sq * (1 + e_sq));
            Row dx{};
            Row dy{};
            bool whole = true;
            for (size_t p = 0; p < kParameters; ++p) {
                const std::optional<Vec2> there = miss(nudged[p], s, shape.focal_px);
                if (!there) {
                    whole = false;
                    break;
                }
                dx[p] = (there->x - e->x) / kNudge[p];
                dy[p] = (there->y - e->y) / kNudge[p];
            }
            if (!whole) continue;
            for (size_t p = 0; p < kParameters; ++p) {
                rhs[p] -= weight * (dx[p] * e->x + dy[p] * e->y);
                for (size_t q = 0; q <= p; ++q) {
                    normal[p][q] += weight * (dx[p] * dx[q] + dy[p] * dy[q]);
                }
            }
        }
        const double focal_weight = 1 / (kFocalPrior * kFocalPrior);
        const double k1_sigma = k1_prior(shape);
        normal[3][3] += focal_weight;
        rhs[3] -= focal_weight * std::log(start.lens.focal);
        normal[4][4] += 1 / (k1_sigma * k1_sigma);
        rhs[4] -= start.lens.k1 / (k1_sigma * k1_sigma);

        bool better = false;
        for (int tries = 0; tries < 6 && !better; ++tries) {
            std::array<Row, kParameters> damped = normal;
            for (size_t p = 0; p < kParameters; ++p) damped[p][p] *= 1 + damping;
            Row change{};
            if (solve(damped, rhs, change)) {
                const Registration next = moved(start, change);
                const double next_cost = cost_of(sightings, shape, next, scale_px);
                if (next_cost < cost) {
                    better = cost - next_cost > 1e-7 * cost;
                    start = next;
                    cost = next_cost;
                    damping = std::max(1e-9, damping / 10);
                    if (!better) return start;
                    continue;
                }
            }
            damping *= 10;
        }
        if (!better) break;
    }
    return start;
}

}  // namespace broadloom
