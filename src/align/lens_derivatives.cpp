#include "align/lens_derivatives.hpp"

#include <cmath>

namespace broadloom {

LensUnknowns lens_unknowns(const Camera& camera) {
    const Vec2 centre = camera.principal_point();
    return {std::log(camera.focal_px), camera.radial[0], camera.radial[1],
            camera.radial[2],          centre.x,         centre.y};
}

Camera with_unknowns(const Camera& camera, const LensUnknowns& unknowns) {
    Camera out = camera;
    out.focal_px = std::exp(unknowns[0]);
    out.radial = {unknowns[1], unknowns[2], unknowns[3]};
    out.principal_point_px = Vec2{unknowns[4], unknowns[5]};
    return out;
}

LensModel::LensModel(const double* unknowns, const std::array<double, 2>& tangential)
    : focal(std::exp(unknowns[0])),
      k1(unknowns[1]),
      k2(unknowns[2]),
      k3(unknowns[3]),
      cx(unknowns[4]),
      cy(unknowns[5]),
      p1(tangential[0]),
      p2(tangential[1]) {
    Camera camera;
    camera.focal_px = focal;
    camera.radial = {k1, k2, k3};
    const double fold = Lens(camera).fold_radius();
    fold_radius_sq = fold * fold;
}

std::optional<Projected> project_with_derivatives(const LensModel& lens, Vec2 ab) {
    const double a = ab.x;
    const double b = ab.y;
    const double r2 = a * a + b * b;
    if (!(r2 < lens.fold_radius_sq)) return std::nullopt;
    const double radial = 1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3));
    const double slope = lens.k1 + r2 * (2 * lens.k2 + r2 * 3 * lens.k3);
    const double f = lens.focal;
    const double da = a * radial + 2 * lens.p1 * a * b + lens.p2 * (r2 + 2 * a * a);
    const double db = b * radial + lens.p1 * (r2 + 2 * b * b) + 2 * lens.p2 * a * b;
    Projected out;
    out.pixel = {f * da + lens.cx, f * db + lens.cy};
    out.xa = f * (radial + 2 * a * a * slope + 2 * lens.p1 * b + 6 * lens.p2 * a);
    out.xb = f * (2 * a * b * slope + 2 * lens.p1 * a + 2 * lens.p2 * b);
    out.ya = out.xb;
    out.yb = f * (radial + 2 * b * b * slope + 6 * lens.p1 * b + 2 * lens.p2 * a);
    const double fa = f * a * r2;
    const double fb = f * b * r2;
    out.x_by = {f * da, fa, fa * r2, fa * r2 * r2, 1, 0};
    out.y_by = {f * db, fb, fb * r2, fb * r2 * r2, 0, 1};
    return out;
}

std::optional<Unprojected> unproject_with_derivatives(const LensModel& lens, Vec2 pixel) {
    const Vec2 target{(pixel.x - lens.cx) / lens.focal, (pixel.y - lens.cy) / lens.focal};
    const double tolerance = 1e-13 * std::max(1.0, std::hypot(target.x, target.y)) * lens.focal;
    Vec2 ab = target;
    std::optional<Projected> at = project_with_derivatives(lens, ab);
    bool found = false;
    for (int i = 0; i < 20 && at; ++i) {
        const double ex = at->pixel.x - pixel.x;
        const double ey = at->pixel.y - pixel.y;
        const double determinant = at->xa * at->yb - at->xb * at->ya;
        if (!(determinant > 0)) break;
        if (std::abs(ex) + std::abs(ey) <= tolerance) {
            found = true;
            break;
        }
        ab.x -= (at->yb * ex - at->xb * ey) / determinant;
        ab.y -= (at->xa * ey - at->ya * ex) / determinant;
        at = project_with_derivatives(lens, ab);
    }
    if (!found) {
        // Newton's steps from the undistorted guess can leave the fold where Lens's bracketed
        // search does not.
        Camera camera;
        camera.focal_px = lens.focal;
        camera.radial = {lens.k1, lens.k2, lens.k3};
        camera.tangential = {lens.p1, lens.p2};
        camera.principal_point_px = Vec2{lens.cx, lens.cy};
        const std::optional<Vec2> slow = Lens(camera).undistort(pixel);
        if (!slow) return std::nullopt;
        ab = *slow;
        at = project_with_derivatives(lens, ab);
        if (!at) return std::nullopt;
    }
    const double determinant = at->xa * at->yb - at->xb * at->ya;
    if (!(determinant > 0)) return std::nullopt;
    Unprojected out;
    out.ab = ab;
    out.ax = at->yb / determinant;
    out.ay = -at->xb / determinant;
    out.bx = -at->ya / determinant;
    out.by = at->xa / determinant;
    // The pixel stays: d pixel / d ab * d ab + d pixel / d unknowns = 0.
    for (size_t i = 0; i < kLensUnknowns; ++i) {
        out.a_by[i] = -(out.ax * at->x_by[i] + out.ay * at->y_by[i]);
        out.b_by[i] = -(out.bx * at->x_by[i] + out.by * at->y_by[i]);
    }
    return out;
}

}  // namespace broadloom
