#include "support/world_model.hpp"

#include <algorithm>
#include <limits>
#include <numeric>

#include "support/world_noise.hpp"

namespace broadloom::test {

namespace {

constexpr double kNear = 1e-3;
constexpr double kFar = std::numeric_limits<double>::infinity();

std::optional<Hit> hit_convex(const Primitive& p, Vec3 eye, Vec3 d, double limit) {
    double in = kNear;
    double out = limit;
    const Plane* entered = nullptr;
    for (const Plane& plane : p.planes) {
        const double speed = dot(plane.normal, d);
        const double gap = plane.offset - dot(plane.normal, eye);
        if (speed == 0) {
            if (gap < 0) return std::nullopt;
            continue;
        }
        const double t = gap / speed;
        if (speed < 0) {
            if (t > in) {
                in = t;
                entered = &plane;
            }
        } else {
            out = std::min(out, t);
        }
        if (in >= out) return std::nullopt;
    }
    if (entered == nullptr) return std::nullopt;
    return Hit{in, eye + in * d, entered->normal, &p, entered->face};
}

std::optional<Hit> hit_cone(const Primitive& p, Vec3 eye, Vec3 d, double limit) {
    const Vec3 whole = p.b - p.a;
    const double length = norm(whole);
    const Vec3 axis = (1 / length) * whole;
    const double k = (p.rb - p.ra) / length;
    const Vec3 m = eye - p.a;
    const double md = dot(m, axis);
    const double vd = dot(d, axis);
    const double a = 1 - vd * vd * (1 + k * k);
    const double r0 = p.ra + k * md;
    const double b = dot(m, d) - md * vd - k * vd * r0;
    const double c = dot(m, m) - md * md - r0 * r0;
    const double disc = b * b - a * c;
    if (disc <= 0 || std::abs(a) < 1e-12) return std::nullopt;
    const double root = std::sqrt(disc);
    const double t = (-b - root) / a;
    const double s = md + t * vd;
    if (!(t > kNear && t < limit && s >= 0 && s <= length)) return std::nullopt;
    const Vec3 point = eye + t * d;
    const Vec3 radial = normalized(point - p.a - s * axis);
    return Hit{t, point, normalized(radial - k * axis), &p, 0};
}

std::optional<Hit> hit_ball(const Primitive& p, Vec3 eye, Vec3 d, double limit) {
    const Vec3 m = eye - p.a;
    const double b = dot(m, d);
    const double disc = b * b - dot(m, m) + p.ra * p.ra;
    if (disc <= 0) return std::nullopt;
    const double t = -b - std::sqrt(disc);
    if (!(t > kNear && t < limit)) return std::nullopt;
    const Vec3 point = eye + t * d;
    return Hit{t, point, (1 / p.ra) * (point - p.a), &p, 0};
}

/// Leaves fill the ball's outer part cell by cell, thinner outwards; a ray may pass between them.
std::optional<Hit> hit_leaves(const Primitive& p, Vec3 eye, Vec3 d, double limit, int steps) {
    const Vec3 m = eye - p.a;
    const double b = dot(m, d);
    const double disc = b * b - dot(m, m) + p.ra * p.ra;
    if (disc <= 0) return std::nullopt;
    const double half = std::sqrt(disc);
    const double from = std::max(-b - half, kNear);
    const double to = std::min(-b + half, limit);
    const double step = std::max(p.leaf * 0.7, (to - from) / steps);
    for (double t = from + 0.3 * step; t < to; t += step) {
        const Vec3 point = eye + t * d;
        const Vec3 q = (1 / p.leaf) * point;
        // Cells with crooked walls look like leaves.
        const double bend = noise2(q.x * 1.9 + q.z, q.y * 1.9, 11);
        const uint32_t h =
            hash_of(floor_of(q.x + 0.7 * bend), floor_of(q.y + 0.6 * bend + 0.4 * q.x),
                    floor_of(q.z - 0.5 * bend) * 31 + p.seed);
        // Boughs stand out of the ball and gaps reach into it.
        const double clump = 0.65 * noise3((3.4 / p.ra) * point, p.seed) +
                             0.35 * noise3((0.24 / p.leaf) * point, p.seed + 1);
        const double depth = 1 - norm(point - p.a) / p.ra - 0.75 * std::max(0.0, 0.62 - clump);
        const double chance = depth <= 0 ? 0 : (0.10 + 2.6 * depth) * smoothstep(0.22, 0.45, clump);
        if (unit_of(h) < chance) {
            const Vec3 tilt{unit_of(h * 3U) - 0.5, unit_of(h * 5U) - 0.3, unit_of(h * 7U) - 0.5};
            const Vec3 out = (1 / p.ra) * (point - p.a);
            return Hit{t, point, normalized(out + 1.5 * tilt), &p,
                       static_cast<int>(h >> 8U & 0xffU)};
        }
    }
    return std::nullopt;
}

std::optional<Hit> hit_of(const Primitive& p, Vec3 eye, Vec3 d, double limit, bool shadow) {
    switch (p.shape) {
        case Shape::convex:
            return hit_convex(p, eye, d, limit);
        case Shape::cone:
            return hit_cone(p, eye, d, limit);
        case Shape::ball:
            return hit_ball(p, eye, d, limit);
        case Shape::leaves:
            return hit_leaves(p, eye, d, limit, shadow ? 6 : 24);
    }
    return std::nullopt;
}

Vec2 azimuth_elevation(Vec3 d) {
    return {std::atan2(d.x, d.z) * kDegPerRad, std::atan2(d.y, std::hypot(d.x, d.z)) * kDegPerRad};
}

}  // namespace

Vec3 sun_direction() {
    const double az = -124 * kRadPerDeg;
    const double el = 37 * kRadPerDeg;
    return {std::sin(az) * std::cos(el), std::sin(el), std::cos(az) * std::cos(el)};
}

Place Place::turned(double deg) const {
    const double c = std::cos(deg * kRadPerDeg);
    const double s = std::sin(deg * kRadPerDeg);
    return {origin, c * u + s * w, c * w - s * u};
}

Place place_at(double azimuth_deg, double rho, double y) {
    const double s = std::sin(azimuth_deg * kRadPerDeg);
    const double c = std::cos(azimuth_deg * kRadPerDeg);
    return {{rho * s, y, rho * c}, {c, 0, -s}, {s, 0, c}};
}

Primitive& Model::add(Shape shape, Surface3 surface, Vec3 colour) {
    Primitive& p = things_.emplace_back();
    p.shape = shape;
    p.surface = surface;
    p.colour = colour;
    p.seed = hash_of(static_cast<int64_t>(things_.size()), 77);
    return p;
}

void Model::add_plane(Primitive& p, Vec3 normal, Vec3 through, int face) {
    const Vec3 n = normalized(normal);
    p.planes.push_back({n, dot(n, through), static_cast<int8_t>(face)});
}

Primitive& Model::box(const Place& q, double width, double height, double depth, Surface3 surface,
                      Vec3 colour) {
    Primitive& p = add(Shape::convex, surface, colour);
    p.place = q;
    p.width = width;
    p.height = height;
    p.depth = depth;
    const double x = width / 2;
    const double z = depth / 2;
    add_plane(p, -1.0 * q.w, q.at(0, 0, -z), 0);
    add_plane(p, q.w, q.at(0, 0, z), 1);
    add_plane(p, -1.0 * q.u, q.at(-x, 0, 0), 2);
    add_plane(p, q.u, q.at(x, 0, 0), 3);
    add_plane(p, {0, 1, 0}, q.at(0, height, 0), 4);
    add_plane(p, {0, -1, 0}, q.origin, 5);
    for (const double y : {0.0, height}) {
        for (const double cx : {-x, x}) {
            for (const double cz : {-z, z}) p.corners.push_back(q.at(cx, y, cz));
        }
    }
    return p;
}

Primitive& Model::roof(const Place& q, double width, double rise, double depth, bool ridge_along_w,
                       Surface3 surface, Vec3 colour) {
    Primitive& p = add(Shape::convex, surface, colour);
    // In its own axes the ridge always runs along u.
    const Place r = ridge_along_w ? q.turned(-90) : q;
    const double x = (ridge_along_w ? depth : width) / 2;
    const double z = (ridge_along_w ? width : depth) / 2;
    p.place = r;
    p.width = 2 * x;
    p.depth = 2 * z;
    p.height = rise;
    add_plane(p, rise * (-1.0 * r.w) + Vec3{0, z, 0}, r.at(0, 0, -z), 0);
    add_plane(p, rise * r.w + Vec3{0, z, 0}, r.at(0, 0, z), 1);
    add_plane(p, -1.0 * r.u, r.at(-x, 0, 0), 2);
    add_plane(p, r.u, r.at(x, 0, 0), 3);
    add_plane(p, {0, -1, 0}, r.origin, 5);
    p.corners = {r.at(-x, 0, -z), r.at(x, 0, -z),    r.at(-x, 0, z),
                 r.at(x, 0, z),   r.at(-x, rise, 0), r.at(x, rise, 0)};
    return p;
}

Primitive& Model::pyramid(const Place& q, double width, double rise, double depth, Surface3 surface,
                          Vec3 colour) {
    Primitive& p = add(Shape::convex, surface, colour);
    p.place = q;
    p.width = width;
    p.height = rise;
    p.depth = depth;
    const double x = width / 2;
    const double z = depth / 2;
    const Vec3 top = q.at(0, rise, 0);
    add_plane(p, rise * (-1.0 * q.w) + Vec3{0, z, 0}, top, 0);
    add_plane(p, rise * q.w + Vec3{0, z, 0}, top, 1);
    add_plane(p, rise * (-1.0 * q.u) + Vec3{0, x, 0}, top, 2);
    add_plane(p, rise * q.u + Vec3{0, x, 0}, top, 3);
    add_plane(p, {0, -1, 0}, q.origin, 5);
    p.corners = {q.at(-x, 0, -z), q.at(x, 0, -z), q.at(-x, 0, z), q.at(x, 0, z), top};
    return p;
}

Primitive& Model::hull(const Place& q, double length, double freeboard, double beam, bool bow_left,
                       Surface3 surface, Vec3 colour) {
    Primitive& p = add(Shape::convex, surface, colour);
    p.place = q;
    p.width = length;
    p.height = freeboard;
    p.depth = beam;
    const double x = length / 2;
    const double z = beam / 2;
    const double bow = bow_left ? -1 : 1;
    const Vec3 up{0, 1, 0};
    add_plane(p, -1.0 * q.w - 0.22 * up, q.at(0, freeboard, -z), 0);
    add_plane(p, q.w - 0.22 * up, q.at(0, freeboard, z), 1);
    // The bow is rounded by three pairs of planes.
    const double turns[3] = {0.18, 0.42, 0.75};
    const double where[3] = {0.42, 0.68, 0.86};
    for (int i = 0; i < 3; ++i) {
        const Vec3 along = (bow * turns[i]) * q.u;
        const double half = z * (1 - 0.30 * i);
        add_plane(p, along - q.w - 0.3 * up, q.at(bow * x * where[i], freeboard, -half), 0);
        add_plane(p, along + q.w - 0.3 * up, q.at(bow * x * where[i], freeboard, half), 1);
    }
    add_plane(p, -bow * q.u - 0.3 * up, q.at(-bow * x, freeboard, 0), bow_left ? 3 : 2);
    add_plane(p, (-bow * 0.2) * q.u - q.w - 0.3 * up, q.at(-bow * x * 0.6, freeboard, -z), 0);
    add_plane(p, bow * q.u - 0.5 * up, q.at(bow * x, freeboard, 0), 2);
    add_plane(p, up, q.at(0, freeboard, 0), 4);
    add_plane(p, -1.0 * up, q.at(0, -1, 0), 5);
    for (const double y : {-1.0, freeboard}) {
        for (const double cx : {-x, x}) {
            for (const double cz : {-z, z}) p.corners.push_back(q.at(cx, y, cz));
        }
    }
    return p;
}

Primitive& Model::cone(Vec3 a, double ra, Vec3 b, double rb, Surface3 surface, Vec3 colour) {
    Primitive& p = add(Shape::cone, surface, colour);
    p.a = a;
    p.b = b;
    p.ra = ra;
    p.rb = rb;
    return p;
}

Primitive& Model::ball(Vec3 centre, double radius, Surface3 surface, Vec3 colour) {
    Primitive& p = add(Shape::ball, surface, colour);
    p.a = centre;
    p.ra = radius;
    return p;
}

Primitive& Model::leaves(Vec3 centre, double radius, double leaf, Vec3 colour) {
    Primitive& p = add(Shape::leaves, Surface3::leaves, colour);
    p.a = centre;
    p.ra = radius;
    p.leaf = leaf;
    return p;
}

int64_t Model::Grid::index(double x, double y) const {
    const int64_t i = floor_of((x - left) / cell);
    const int64_t j = floor_of((y - bottom) / cell);
    return i < 0 || j < 0 || i >= columns || j >= rows ? -1 : j * columns + i;
}

/// Lists for every cell the things that may show in it. `project` maps a point and a radius about
/// it to the grid's plane: {x, y} and the radius there.
template <typename Project>
void Model::fill(Grid& grid, const Project& project, bool by_distance, bool casters_only) {
    std::vector<std::vector<uint32_t>> cells(static_cast<size_t>(grid.columns * grid.rows));
    std::vector<uint32_t> order(things_.size());
    std::iota(order.begin(), order.end(), 0U);
    if (by_distance) {
        std::stable_sort(order.begin(), order.end(),
                         [&](uint32_t a, uint32_t b) { return nearest_[a] < nearest_[b]; });
    }
    const auto cover = [&](uint32_t id, double x0, double x1, double y0, double y1) {
        const int64_t i0 = std::max<int64_t>(0, floor_of((x0 - grid.left) / grid.cell));
        const int64_t i1 = std::min(grid.columns - 1, floor_of((x1 - grid.left) / grid.cell));
        const int64_t j0 = std::max<int64_t>(0, floor_of((y0 - grid.bottom) / grid.cell));
        const int64_t j1 = std::min(grid.rows - 1, floor_of((y1 - grid.bottom) / grid.cell));
        for (int64_t j = j0; j <= j1; ++j) {
            for (int64_t i = i0; i <= i1; ++i) {
                auto& cell = cells[static_cast<size_t>(j * grid.columns + i)];
                if (cell.empty() || cell.back() != id) cell.push_back(id);
            }
        }
    };
    for (const uint32_t id : order) {
        const Primitive& p = things_[id];
        if (casters_only && !p.casts) continue;
        if (p.shape == Shape::convex) {
            double x0 = kFar, x1 = -kFar, y0 = kFar, y1 = -kFar;
            for (const Vec3& corner : p.corners) {
                const Vec3 q = project(corner, 0.05);
                x0 = std::min(x0, q.x - q.z);
                x1 = std::max(x1, q.x + q.z);
                y0 = std::min(y0, q.y - q.z);
                y1 = std::max(y1, q.y + q.z);
            }
            cover(id, x0, x1, y0, y1);
        } else if (p.shape == Shape::cone) {
            const Vec3 qa = project(p.a, 0);
            const Vec3 qb = project(p.b, 0);
            const int n =
                2 + static_cast<int>(2 * std::hypot(qb.x - qa.x, qb.y - qa.y) / grid.cell);
            for (int i = 0; i <= n; ++i) {
                const double s = static_cast<double>(i) / n;
                const Vec3 q = project(lerp(p.a, p.b, s), lerp(p.ra, p.rb, s));
                const double pad = q.z + 0.5 * grid.cell;
                cover(id, q.x - pad, q.x + pad, q.y - pad, q.y + pad);
            }
        } else {
            const Vec3 q = project(p.a, p.ra);
            cover(id, q.x - q.z, q.x + q.z, q.y - q.z, q.y + q.z);
        }
    }
    grid.begin.assign(1, 0);
    for (auto& cell : cells) {
        grid.items.insert(grid.items.end(), cell.begin(), cell.end());
        grid.begin.push_back(static_cast<uint32_t>(grid.items.size()));
    }
}

void Model::finish() {
    nearest_.clear();
    for (const Primitive& p : things_) {
        double nearest = kFar;
        if (p.shape == Shape::convex) {
            // The nearest point of a face may be nearer than its corners by its own size.
            Vec3 middle{0, 0, 0};
            for (const Vec3& c : p.corners) {
                middle = middle + (1.0 / static_cast<double>(p.corners.size())) * c;
            }
            double reach = 0;
            for (const Vec3& c : p.corners) reach = std::max(reach, norm(c - middle));
            nearest = std::hypot(middle.x, middle.z) - reach;
        } else if (p.shape == Shape::cone) {
            const Vec3 middle = 0.5 * (p.a + p.b);
            nearest = std::hypot(middle.x, middle.z) - norm(p.b - p.a) / 2 - std::max(p.ra, p.rb);
        } else {
            nearest = std::hypot(p.a.x, p.a.z) - p.ra;
        }
        nearest_.push_back(nearest);
    }
    for (Grid* grid : {&seen_, &mirrored_}) {
        const Vec3 eye{0, grid == &seen_ ? kEyeHeight : -kEyeHeight, 0};
        *grid = {-85, -60, 0.25, 680, 400, {}, {}};
        fill(
            *grid,
            [&](Vec3 point, double radius) {
                const Vec3 d = point - eye;
                const Vec2 q = azimuth_elevation(d);
                const double wide = 1 / std::max(0.2, std::cos(q.y * kRadPerDeg));
                return Vec3{q.x, q.y,
                            0.1 + wide * kDegPerRad * std::asin(std::min(1.0, radius / norm(d)))};
            },
            true, false);
    }
    sun_right_ = normalized(cross(sun_direction(), {0, 1, 0}));
    sun_up_ = cross(sun_right_, sun_direction());
    sunlit_ = {-520, -420, 1.0, 1040, 840, {}, {}};
    fill(
        sunlit_,
        [&](Vec3 point, double radius) {
            return Vec3{dot(point, sun_right_), dot(point, sun_up_), radius + 0.01};
        },
        false, true);
}

std::optional<Hit> Model::first_hit(bool mirrored, Vec3 d, double limit) const {
    const Grid& grid = mirrored ? mirrored_ : seen_;
    const Vec2 at = azimuth_elevation(d);
    const int64_t cell = grid.index(at.x, at.y);
    std::optional<Hit> best;
    if (cell < 0) return best;
    const Vec3 eye{0, mirrored ? -kEyeHeight : kEyeHeight, 0};
    const double level = std::hypot(d.x, d.z);
    for (uint32_t i = grid.begin[static_cast<size_t>(cell)];
         i < grid.begin[static_cast<size_t>(cell) + 1]; ++i) {
        const uint32_t id = grid.items[i];
        if (nearest_[id] > limit * level) break;
        const auto hit = hit_of(things_[id], eye, d, limit, false);
        if (hit && !(mirrored && hit->point.y < 0)) {
            best = hit;
            limit = hit->t;
        }
    }
    return best;
}

bool Model::in_shadow(Vec3 point, const Primitive* self) const {
    const int64_t cell = sunlit_.index(dot(point, sun_right_), dot(point, sun_up_));
    if (cell < 0) return false;
    const Vec3 sun = sun_direction();
    for (uint32_t i = sunlit_.begin[static_cast<size_t>(cell)];
         i < sunlit_.begin[static_cast<size_t>(cell) + 1]; ++i) {
        const Primitive& p = things_[sunlit_.items[i]];
        if (&p != self && hit_of(p, point, sun, kFar, true)) return true;
    }
    return false;
}

}  // namespace broadloom::test
