#include "broadloom/camera.hpp"

#include <algorithm>
#include <limits>

namespace broadloom {

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
/// undistort() answers to this residual, in units of the focal length.
constexpr double kResidual = 1e-12;

/// The first zero of 1 + c1 t + c2 t^2 + c3 t^3 over t > 0; +infinity when there is none. Between
/// its turning points the cubic is monotone, so each stretch holds at most one zero and bisection
/// cannot miss or skip it, even where the roots are nearly double and closed forms lose all digits.
double first_positive_zero(double c1, double c2, double c3) {
    const auto value = [&](double t) { return 1 + t * (c1 + t * (c2 + t * c3)); };
    std::array<double, 3> ends{kInfinity, kInfinity, kInfinity};
    // Turning points: 3 c3 t^2 + 2 c2 t + c1 = 0, in the form without cancellation.
    const double half_b = c2;
    const double discriminant = half_b * half_b - 3 * c3 * c1;
    if (discriminant >= 0) {
        const double q = -(half_b + std::copysign(std::sqrt(discriminant), half_b));
        size_t n = 0;
        for (const double t : {q / (3 * c3), c1 / q}) {
            if (std::isfinite(t) && t > 0) ends[n++] = t;
        }
        std::sort(ends.begin(), ends.end());
    }
    double low = 0;
    for (double high : ends) {
        if (high == kInfinity) {
            // Behind the last turning point the leading term decides the sign in the end.
            const double leading = c3 != 0 ? c3 : (c2 != 0 ? c2 : c1);
            if (!(leading < 0)) return kInfinity;
            high = std::max(1.0, 2 * low);
            while (value(high) > 0) {
                low = high;
                high *= 2;
                if (!std::isfinite(high)) return kInfinity;
            }
        }
        if (value(high) <= 0) {
            for (;;) {
                const double middle = low + (high - low) / 2;
                if (middle <= low || middle >= high) return low;
                (value(middle) > 0 ? low : high) = middle;
            }
        }
        low = high;
    }
    return kInfinity;
}

/// Distorted normalised coordinates and their derivatives by (a, b).
struct Distorted {
    Vec2 at;
    double aa, ab, ba, bb;  ///< da'/da, da'/db, db'/da, db'/db

    [[nodiscard]] double determinant() const { return aa * bb - ab * ba; }
};

Vec2 distort_normalised(const Camera& c, Vec2 p) {
    const auto [k1, k2, k3] = c.radial;
    const auto [p1, p2] = c.tangential;
    const double r2 = p.x * p.x + p.y * p.y;
    const double radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
    return {p.x * radial + 2 * p1 * p.x * p.y + p2 * (r2 + 2 * p.x * p.x),
            p.y * radial + p1 * (r2 + 2 * p.y * p.y) + 2 * p2 * p.x * p.y};
}

Distorted distort_with_derivatives(const Camera& c, Vec2 p) {
    const auto [k1, k2, k3] = c.radial;
    const auto [p1, p2] = c.tangential;
    const double r2 = p.x * p.x + p.y * p.y;
    const double radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
    const double slope = k1 + r2 * (2 * k2 + r2 * 3 * k3);  // d radial / d r^2
    const double mixed = 2 * p.x * p.y * slope + 2 * p1 * p.x + 2 * p2 * p.y;
    return {distort_normalised(c, p), radial + 2 * p.x * p.x * slope + 2 * p1 * p.y + 6 * p2 * p.x,
            mixed, mixed, radial + 2 * p.y * p.y * slope + 6 * p1 * p.y + 2 * p2 * p.x};
}

/// The tangential part is quadratic: far off the axis it, too, folds the frame back, where the
/// derivatives' determinant is no longer positive. Near the radial fold that fold alone decides, so
/// that the edge of such a frame is the circle that the coefficients give.
bool folded_by_tangential_part(const Camera& c, Vec2 p) {
    if (c.tangential[0] == 0 && c.tangential[1] == 0) return false;
    const double t = p.x * p.x + p.y * p.y;
    const double rise = 1 + t * (3 * c.radial[0] + t * (5 * c.radial[1] + t * 7 * c.radial[2]));
    return rise > 0.5 && !(distort_with_derivatives(c, p).determinant() > 0);
}

/// r with r (1 + k1 r^2 + k2 r^4 + k3 r^6) = target, below `fold`; a value just below `fold` when
/// the lens does not reach the target. The left side rises there, so the bracket always holds.
double radial_inverse(const std::array<double, 3>& k, double target, double fold) {
    const auto value = [&](double r) {
        const double t = r * r;
        return r * (1 + t * (k[0] + t * (k[1] + t * k[2])));
    };
    double low = 0;
    double high = fold;
    if (fold == kInfinity) {
        high = std::max(1.0, target);
        while (value(high) < target && std::isfinite(high)) high *= 2;
    } else if (value(fold) <= target) {
        return fold * (1 - 1e-9);
    }
    double r = std::min(target, low + (high - low) / 2);
    for (int i = 0; i < 200; ++i) {
        const double excess = value(r) - target;
        (excess > 0 ? high : low) = r;
        const double t = r * r;
        const double rise = 1 + t * (3 * k[0] + t * (5 * k[1] + t * 7 * k[2]));
        double next = r - excess / rise;
        if (!(next > low && next < high)) next = low + (high - low) / 2;
        if (std::abs(next - r) <= 1e-16 * r || next <= low || next >= high) break;
        r = next;
    }
    return r;
}

}  // namespace

Lens::Lens(const Camera& camera)
    : camera_(camera),
      centre_(camera.principal_point()),
      fold_radius_(std::sqrt(
          first_positive_zero(3 * camera.radial[0], 5 * camera.radial[1], 7 * camera.radial[2]))) {
    const auto w = static_cast<double>(camera.width);
    const auto h = static_cast<double>(camera.height);
    inverse_half_diagonal_sq_ = 4 / (w * w + h * h);
}

Vec2 Lens::distort(Vec2 ab) const {
    const Vec2 d = distort_normalised(camera_, ab);
    return {camera_.focal_px * d.x + centre_.x, camera_.focal_px * d.y + centre_.y};
}

std::optional<Vec2> Lens::undistort(Vec2 pixel) const {
    const Vec2 target{(pixel.x - centre_.x) / camera_.focal_px,
                      (pixel.y - centre_.y) / camera_.focal_px};
    const double target_norm = std::hypot(target.x, target.y);
    if (!std::isfinite(target_norm)) return std::nullopt;
    if (target_norm == 0) return Vec2{0, 0};
    const double tolerance = kResidual * std::max(1.0, target_norm);

    // The radial part alone is solved without fail; the tangential part is small beside it and is
    // brought in by Newton steps, shortened until they stay inside the fold and come nearer.
    const double r = radial_inverse(camera_.radial, target_norm, fold_radius_);
    Vec2 ab{target.x * (r / target_norm), target.y * (r / target_norm)};
    Distorted at = distort_with_derivatives(camera_, ab);
    double miss = std::hypot(at.at.x - target.x, at.at.y - target.y);
    for (int i = 0; i < 60 && miss > 0; ++i) {
        const double determinant = at.determinant();
        if (!(determinant > 0)) break;
        const double ex = at.at.x - target.x;
        const double ey = at.at.y - target.y;
        const Vec2 step{(at.bb * ex - at.ab * ey) / determinant,
                        (at.aa * ey - at.ba * ex) / determinant};
        bool nearer = false;
        for (double share = 1; share > 1e-6 && !nearer; share /= 2) {
            const Vec2 next{ab.x - share * step.x, ab.y - share * step.y};
            if (!(std::hypot(next.x, next.y) < fold_radius_)) continue;
            const Distorted there = distort_with_derivatives(camera_, next);
            const double rest = std::hypot(there.at.x - target.x, there.at.y - target.y);
            if (rest < miss && there.determinant() > 0) {
                ab = next;
                at = there;
                miss = rest;
                nearer = true;
            }
        }
        if (!nearer) break;
    }
    if (!(miss <= tolerance)) return std::nullopt;
    return ab;
}

std::optional<Vec2> Lens::project(Vec3 direction) const {
    if (!(direction.z > 0)) return std::nullopt;
    const Vec2 ab{direction.x / direction.z, direction.y / direction.z};
    if (!(std::hypot(ab.x, ab.y) < fold_radius_)) return std::nullopt;
    if (folded_by_tangential_part(camera_, ab)) return std::nullopt;
    return distort(ab);
}

bool Lens::in_view(Vec3 direction) const {
    const std::optional<Vec2> p = project(direction);
    return p && p->x >= 0.5 && p->x <= static_cast<double>(camera_.width) - 0.5 && p->y >= 0.5 &&
           p->y <= static_cast<double>(camera_.height) - 0.5;
}

double Lens::vignetting(Vec2 pixel) const {
    const double dx = pixel.x - centre_.x;
    const double dy = pixel.y - centre_.y;
    const double r2 = (dx * dx + dy * dy) * inverse_half_diagonal_sq_;
    const auto [v2, v4, v6] = camera_.vignetting;
    return 1 + r2 * (v2 + r2 * (v4 + r2 * v6));
}

}  // namespace broadloom
