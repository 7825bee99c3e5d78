#include "support/world_surfaces.hpp"

#include "support/world_letters.hpp"
#include "support/world_noise.hpp"

namespace broadloom::test {

namespace {

/// Coordinates on the face that was hit: u to the right as seen from outside, v up, metres.
struct FacePoint {
    double u, v, width, height;
};

FacePoint on_face(const Hit& h) {
    const Primitive& p = *h.what;
    const Vec3 d = h.point - p.place.origin;
    const double x = dot(d, p.place.u);
    const double z = dot(d, p.place.w);
    switch (h.face) {
        case 1:
            return {p.width / 2 - x, d.y, p.width, p.height};
        case 2:
            return {p.depth / 2 - z, d.y, p.depth, p.height};
        case 3:
            return {z + p.depth / 2, d.y, p.depth, p.height};
        case 4:
        case 5:
            return {x + p.width / 2, z + p.depth / 2, p.width, p.depth};
        default:
            return {x + p.width / 2, d.y, p.width, p.height};
    }
}

Vec3 brick_wall(double u, double v, Vec3 colour, int64_t seed) {
    const double course_height = 0.085;
    const double row = v / course_height;
    const int64_t r = floor_of(row);
    const double col = u / 0.26 + 0.5 * static_cast<double>(r & 1);
    const int64_t c = floor_of(col);
    const double h = random_unit(c, r, seed);
    Vec3 b = (0.72 + 0.50 * h + 0.18 * fbm2(u * 0.7, v * 0.7, 4, seed)) * colour;
    if (h > 0.93) b = lerp(b, {0.12, 0.09, 0.09}, 0.6);
    const bool mortar = fract(row) < 0.15 || fract(col) < 0.055;
    return mortar ? Vec3{0.27, 0.245, 0.21} : b;
}

Vec3 boards(double u, double v, Vec3 colour, int64_t seed) {
    const double row = v / 0.17;
    const double f = fract(row);
    const double tone = 0.88 + 0.16 * random_unit(floor_of(row), floor_of(u / 3.1), seed) +
                        0.10 * fbm2(u * 0.8, v * 9, 3, seed);
    return (f < 0.13 ? 0.55 : 1.0) * tone * colour;
}

Vec3 rendered(double u, double v, Vec3 colour, int64_t seed) {
    const double stain = fbm2(u * 0.55, v * 0.4, 5, seed);
    const double streak = noise2(u * 2.2, v * 0.22, seed + 3);
    const double grain = noise2(u * 13, v * 13, seed + 4);
    const double foot = 1 - 0.22 * smoothstep(1.1, 0.0, v + 0.3 * stain);
    return ((1 + 0.20 * stain + 0.06 * streak + 0.03 * grain) * foot) * colour;
}

/// A window in its own unit square (0..1, y up) of w x h metres; crossbars and panes.
Finish window(double x, double y, double w, double h, uint32_t seed, Vec3 frame) {
    const double mx = x * w;
    const double my = y * h;
    const double edge = std::min(std::min(mx, w - mx), std::min(my, h - my));
    const bool bar = edge < 0.075 || std::abs(x - 0.5) * w < 0.035 ||
                     std::abs(y - 0.62) * h < 0.035 ||
                     (seed % 3 == 0 && std::abs(y - 0.3) * h < 0.022);
    Finish f;
    // The sun comes from the upper left, so the recess shades its upper left.
    const bool shaded = mx < 0.10 || my > h - 0.16;
    if (bar) {
        f.albedo = frame;
        f.sun = shaded ? 0.15 : 1;
        return f;
    }
    const int pane = (x > 0.5 ? 1 : 0) + (y > 0.62 ? 2 : 0);
    const uint32_t ph = seed * 31U + static_cast<uint32_t>(pane) * 977U;
    f.albedo = {0.018, 0.020, 0.022};
    if (seed % 5 < 3) {  // curtains at the sides
        const double reach = 0.10 + 0.22 * unit_of(hash_of(seed, 3));
        if (x < reach || x > 1 - reach) {
            const double fold = 0.5 + 0.5 * std::sin(mx * 55);
            f.albedo = (0.16 + 0.14 * fold) * Vec3{0.95, 0.90, 0.82};
        }
    } else if (seed % 5 == 3 && y > 0.55) {
        f.albedo = {0.34, 0.31, 0.25};  // a blind
    }
    f.sun = shaded ? 0.1 : 0.6;
    f.mirror = 0.34;
    f.tilt_x = 0.10 * (unit_of(hash_of(ph, 1)) - 0.5);
    f.tilt_y = 0.16 * (unit_of(hash_of(ph, 2)) - 0.5);
    return f;
}

Finish facade(const Hit& hit, const FacePoint& at) {
    const Primitive& p = *hit.what;
    const int64_t seed = p.seed + static_cast<uint32_t>(hit.face);
    Finish f;
    if (p.surface == Surface3::brick) {
        f.albedo = brick_wall(at.u, at.v, p.colour, seed);
    } else if (p.surface == Surface3::timber) {
        f.albedo = boards(at.u, at.v, p.colour, seed);
    } else {
        f.albedo = rendered(at.u, at.v, p.colour, seed);
    }
    const Vec3 trim = p.surface == Surface3::plaster ? lerp(p.colour, {0.75, 0.73, 0.68}, 0.75)
                                                     : Vec3{0.70, 0.68, 0.62};
    if (at.v > at.height - 0.35) {  // cornice, and its shadow
        f.albedo = trim;
        return f;
    }
    if (at.v > at.height - 0.62) f.sun = 0.12;
    if (at.u < 0.28 || at.u > at.width - 0.28) {
        if (p.surface != Surface3::plaster) f.albedo = lerp(f.albedo, trim, 0.8);
    }
    const bool shop = !p.text.empty() && hit.face == 0;
    const double floor_height = 2.95;
    const int64_t storeys = std::max<int64_t>(1, floor_of((at.height - 0.4) / floor_height));
    const double storey_height = (at.height - 0.5) / static_cast<double>(storeys);
    const int64_t storey = floor_of(at.v / storey_height);
    if (storey >= storeys) return f;
    const int64_t columns =
        std::max<int64_t>(1, floor_of(at.width / (1.95 + 0.5 * unit_of(p.seed * 7U))));
    const double bay = at.width / static_cast<double>(columns);
    const int64_t column = floor_of(at.u / bay);
    const double x = at.u - (static_cast<double>(column) + 0.5) * bay;
    const double y = at.v - static_cast<double>(storey) * storey_height;
    const uint32_t h = hash_of(column, storey, p.seed + static_cast<uint32_t>(hit.face) * 131U);
    const Vec3 paint = p.accent;
    if (storey == 0 && shop) {
        // Shop front: sill, panes, and the fascia with its lettering.
        const double fascia = storey_height - 0.95;
        if (y > fascia && y < storey_height - 0.18) {
            f.albedo = paint;
            f.sun = 1;
            const double size = std::min(0.46, (at.width - 0.8) / text_width(p.text));
            const double tx = (at.u - at.width / 2) / size + text_width(p.text) / 2;
            const double ty = (y - fascia - 0.385 + size / 2) / size;
            if (text_covers(p.text, tx, ty, 0.16)) f.albedo = {0.82, 0.75, 0.52};
            if (y < fascia + 0.05 || y > storey_height - 0.23) f.albedo = 1.6 * paint;
            return f;
        }
        if (y < 0.5) {
            f.albedo = 0.8 * paint;
            return f;
        }
        if (y < fascia) {
            const bool door = column == columns / 2;
            Finish g = window(clamp01((x + bay / 2) / bay),
                              clamp01((y - (door ? 0.1 : 0.5)) / (fascia - 0.5)), bay, fascia - 0.5,
                              h, paint);
            if (g.mirror > 0) {
                const double ware = noise2(at.u * 5, y * 6, p.seed);
                g.albedo = (0.05 + 0.16 * clamp01(ware)) * Vec3{1.0, 0.8, 0.55};
                g.mirror = 0.22;
            }
            return g;
        }
        return f;
    }
    if (storey == 0 && column == static_cast<int64_t>(p.seed % static_cast<uint32_t>(columns)) &&
        hit.face == 0) {
        if (std::abs(x) < 0.52 && y < 2.15) {  // door with two panels
            const double px = std::abs(std::abs(x) - 0.25);
            const double py = std::abs(std::abs(y - 1.05) - 0.5);
            f.albedo = (px < 0.17 && py < 0.36 ? 0.72 : 1.0) * paint;
            if (y > 1.75 && std::abs(x) < 0.42) {
                f.albedo = {0.03, 0.03, 0.03};
                f.mirror = 0.25;
            }
            if (x < -0.44 || y > 2.05) f.sun = 0.1;
            return f;
        }
        if (std::abs(x) < 0.66 && y < 2.32) {
            f.albedo = trim;
            return f;
        }
        if (y < 2.4) return f;
    }
    const double ww = 0.98;
    const double wh = std::min(1.5, storey_height - 1.25);
    const double sill = 0.85;
    if (bay < 1.5 || h % 17 == 0) return f;
    if (std::abs(x) < ww / 2 && y > sill && y < sill + wh) {
        return window((x + ww / 2) / ww, (y - sill) / wh, ww, wh, h, {0.72, 0.71, 0.68});
    }
    const bool shutters = p.seed % 3 == 1 && p.surface != Surface3::brick;
    if (shutters && std::abs(x) < ww / 2 + 0.46 && y > sill - 0.02 && y < sill + wh + 0.02) {
        const double slat = fract((y - sill) / 0.085);
        f.albedo = (slat < 0.35 ? 0.6 : 1.05) * paint;
        return f;
    }
    if (std::abs(x) < ww / 2 + 0.11 && y > sill - 0.12 && y < sill + wh + 0.13) {
        f.albedo = trim;
        return f;
    }
    if (std::abs(x) < ww / 2 + 0.11 && y > sill - 0.26 && y <= sill - 0.12) f.sun = 0.3;
    if (p.seed % 4 == 2 && storey > 0 && std::abs(x) < 0.6 && y > sill - 0.38 && y < sill + 0.12) {
        // A flower box hides the sill.
        const double petal = noise2(at.u * 17, at.v * 17, p.seed);
        f.albedo = petal > 0.15 ? (h % 2 == 0 ? Vec3{0.55, 0.06, 0.08} : Vec3{0.60, 0.28, 0.40})
                                : Vec3{0.07, 0.13, 0.03};
        if (y < sill - 0.2) f.albedo = {0.20, 0.10, 0.05};
    }
    return f;
}

Vec3 roof_covering(const Hit& hit) {
    const Primitive& p = *hit.what;
    const Vec3 d = hit.point - p.place.origin;
    const double u = (hit.face == 2 || hit.face == 3) && p.surface != Surface3::slate
                         ? dot(d, p.place.w)
                         : dot(d, p.place.u);
    const double v = d.y / std::max(0.25, std::sqrt(1 - hit.normal.y * hit.normal.y));
    const bool slate = p.surface == Surface3::slate;
    const double rowh = slate ? 0.24 : 0.33;
    const double colw = slate ? 0.30 : 0.24;
    const double row = v / rowh;
    const int64_t r = floor_of(row);
    const double col = u / colw + 0.5 * static_cast<double>(slate ? r & 1 : 0);
    const int64_t c = floor_of(col);
    const double fx = fract(col);
    const double fy = fract(row);
    const double each = random_unit(c, r, p.seed);
    const double age = fbm2(u * 0.45, v * 0.45, 5, p.seed);
    double tone = 0.80 + 0.38 * each + 0.30 * age;
    if (slate) {
        tone *= fy < 0.12 ? 0.60 : (fx < 0.06 ? 0.7 : 1.0);
    } else {
        // A pantile rolls from left to right and laps over the course below.
        tone *= (0.80 + 0.34 * std::sin(2 * kPi * (fx + 0.12))) * (fy < 0.16 ? 0.62 : 1.0);
    }
    Vec3 colour = tone * p.colour;
    const double moss = smoothstep(0.12, 0.34, age + 0.25 * noise2(u * 4, v * 4, p.seed + 2));
    colour = lerp(colour, {0.10, 0.11, 0.045}, 0.5 * moss);
    return p.height - d.y < 0.16 ? 0.85 * p.colour : colour;  // ridge tiles
}

Finish ship_side(const Hit& hit, const FacePoint& at) {
    const Primitive& p = *hit.what;
    Finish f;
    const bool big = p.surface == Surface3::ship_hull;
    const double v = at.v;
    const double top = p.height;
    const double plank = fract(v / (big ? 0.24 : 0.16));
    const double tone =
        (plank < 0.10 ? 0.72 : 1.0) * (0.92 + 0.16 * fbm2(at.u * 0.6, v * 5, 4, p.seed));
    f.albedo = tone * p.colour;
    f.mirror = 0.05;
    if (hit.face == 4) {
        const double seam = fract(dot(hit.point - p.place.origin, p.place.w) / 0.14);
        f.albedo = (seam < 0.12 ? 0.5 : 0.9 + 0.2 * noise2(at.u * 1.3, seam, p.seed)) *
                   Vec3{0.36, 0.27, 0.17};
        return f;
    }
    if (v > top - (big ? 0.22 : 0.12)) {
        f.albedo = big ? Vec3{0.34, 0.22, 0.11} : Vec3{0.40, 0.26, 0.13};
        return f;
    }
    if (big && v > top - 1.55 && v < top - 0.75) {  // painted band with ports
        f.albedo = tone * Vec3{0.74, 0.71, 0.62};
        const double port = fract(at.u / 2.3);
        if (std::abs(port - 0.5) < 0.13 && std::abs(v - top + 1.15) < 0.24)
            f.albedo = {0.03, 0.03, 0.032};
    } else if (!big && v > top - 0.30 && v < top - 0.20) {
        f.albedo = p.accent;
    }
    if (v < (big ? 0.55 : 0.22)) {
        f.albedo = (0.7 + 0.5 * fbm2(at.u * 1.5, v * 4, 4, 5)) *
                   (big ? Vec3{0.27, 0.075, 0.05} : Vec3{0.08, 0.10, 0.12});
    }
    if (!p.text.empty() && (hit.face == 0 || hit.face == 1)) {
        const double size = big ? 0.46 : 0.30;
        const double x0 = big ? p.width * 0.83 - text_width(p.text) * size : p.width * 0.30;
        const double y0 = big ? top - 0.66 : top - 0.72;
        if (text_covers(p.text, (at.u - x0) / size, (v - y0) / size, 0.17)) {
            f.albedo = big ? Vec3{0.78, 0.62, 0.22} : p.accent;
        }
    }
    return f;
}

}  // namespace

Finish finish_of(const Hit& hit) {
    const Primitive& p = *hit.what;
    Finish f;
    f.albedo = p.colour;
    switch (p.surface) {
        case Surface3::plaster:
        case Surface3::brick:
        case Surface3::timber: {
            const FacePoint at = on_face(hit);
            if (hit.face < 4 && p.width > 0) return facade(hit, at);
            // Chimneys and huts: the material without windows.
            const Vec3 d = hit.point - p.place.origin;
            const double u = dot(d, p.place.u) + dot(d, p.place.w);
            if (p.surface == Surface3::brick) f.albedo = brick_wall(u, d.y, p.colour, p.seed);
            if (p.surface == Surface3::timber) f.albedo = boards(u, d.y, p.colour, p.seed);
            return f;
        }
        case Surface3::tiles:
        case Surface3::slate:
            if (p.planes.size() == 5 && p.corners.size() == 6 && (hit.face == 2 || hit.face == 3)) {
                // The gable under the roof: rendered like the wall below it.
                const Vec3 d = hit.point - p.place.origin;
                const double z = std::abs(dot(d, p.place.w));
                const double edge = p.height * (1 - 2 * z / p.depth) - d.y;
                const double across = dot(d, p.place.w);
                f.albedo =
                    p.backing == Surface3::brick
                        ? brick_wall(across, d.y, p.accent, p.seed)
                        : (p.backing == Surface3::timber ? boards(across, d.y, p.accent, p.seed)
                                                         : rendered(across, d.y, p.accent, p.seed));
                if (edge < 0.28) f.albedo = {0.62, 0.60, 0.55};
                if (p.depth > 5 && z < 0.36 && d.y > 0.5 && d.y < 1.5) {
                    f.albedo = {0.025, 0.027, 0.03};
                    f.mirror = z < 0.04 || z > 0.3 ? 0 : 0.3;
                    if (f.mirror == 0) f.albedo = {0.7, 0.69, 0.65};
                }
                return f;
            }
            f.albedo = roof_covering(hit);
            return f;
        case Surface3::stone: {
            const FacePoint at = on_face(hit);
            const double row = at.v / 0.45;
            const double col = at.u / 0.85 + 0.5 * static_cast<double>(floor_of(row) & 1);
            const double jr = std::min(fract(row), 1 - fract(row)) * 0.45;
            const double jc = std::min(fract(col), 1 - fract(col)) * 0.85;
            const double tone = 0.80 + 0.35 * random_unit(floor_of(col), floor_of(row), p.seed) +
                                0.3 * fbm2(at.u * 2, at.v * 2, 5, p.seed);
            f.albedo = (hit.face != 4 && std::min(jr, jc) < 0.018 ? 0.5 : 1.0) * tone * p.colour;
            const double wet = 1 - smoothstep(0.3, 0.8, hit.point.y + 0.2 * noise2(at.u, 1, 4));
            f.albedo = lerp(f.albedo, {0.04, 0.05, 0.028}, 0.8 * wet);
            return f;
        }
        case Surface3::planks: {
            const FacePoint at = on_face(hit);
            const double row = (hit.face == 4 ? at.u : at.v) / 0.19;
            const double grain =
                fbm2(at.u * 1.5 + 31 * random_unit(floor_of(row), 1), at.v * 6, 4, p.seed);
            f.albedo = (fract(row) < 0.09
                            ? 0.4
                            : 0.85 + 0.3 * random_unit(floor_of(row), 2, p.seed) + 0.3 * grain) *
                       p.colour;
            return f;
        }
        case Surface3::crate: {
            const FacePoint at = on_face(hit);
            const double row = at.v / (p.height / 4);
            const double rim =
                std::min(std::min(at.u, at.width - at.u), std::min(at.v, at.height - at.v));
            f.albedo = (fract(row) < 0.14 && rim > 0.07
                            ? 0.25
                            : 0.9 + 0.3 * random_unit(floor_of(row), 2, p.seed)) *
                       p.colour;
            return f;
        }
        case Surface3::hull:
        case Surface3::ship_hull:
            return ship_side(hit, on_face(hit));
        case Surface3::lighthouse: {
            const double v = hit.point.y - p.a.y;
            const bool band = fract(v / 11.0 + 0.1) < 0.5;
            const double stain = fbm2(std::atan2(hit.normal.x, hit.normal.z) * 4, v * 0.5, 5, 5);
            f.albedo =
                (1 + 0.22 * stain) * (band ? Vec3{0.46, 0.055, 0.045} : Vec3{0.74, 0.72, 0.68});
            const double a = std::atan2(hit.normal.x, -hit.normal.z);
            if (std::abs(a + 0.25) < 0.16 && fract(v / 6.0) > 0.62 && fract(v / 6.0) < 0.86)
                f.albedo = {0.03, 0.03, 0.03};
            return f;
        }
        case Surface3::sign: {
            const FacePoint at = on_face(hit);
            if (hit.face > 1) return f;
            const double rim =
                std::min(std::min(at.u, at.width - at.u), std::min(at.v, at.height - at.v));
            const double thick = 0.06 * at.height;
            if (rim > 0.5 * thick && rim < 1.5 * thick) {
                f.albedo = p.accent;
                return f;
            }
            const double size =
                std::min(0.52 * at.height, (at.width - 0.34 * at.height) / text_width(p.text));
            const double x = (at.u - at.width / 2) / size + text_width(p.text) / 2;
            const double y = (at.v - at.height / 2) / size + 0.5;
            if (text_covers(p.text, x, y, 0.16)) f.albedo = p.accent;
            f.albedo = (1 + 0.10 * fbm2(at.u * 2, at.v * 2, 4, p.seed)) * f.albedo;
            return f;
        }
        case Surface3::awning: {
            const Vec3 d = hit.point - p.place.origin;
            f.albedo = fract(dot(d, p.place.u) / 0.5) < 0.5 ? p.colour : Vec3{0.76, 0.74, 0.68};
            return f;
        }
        case Surface3::glass:
            f.mirror = 0.45;
            return f;
        case Surface3::leaves: {
            const double v = hit.face / 255.0;
            const Vec3 d = (1 / p.ra) * (hit.point - p.a);
            const double deep = clamp01(norm(d));
            f.albedo = ((0.42 + 0.80 * deep * deep) * (0.60 + 0.8 * v)) *
                       lerp(p.colour, {0.20, 0.19, 0.05}, 0.25 * v);
            f.sun = clamp01(0.18 + 1.15 * (deep - 0.42) + 0.50 * dot(d, sun_direction()));
            return f;
        }
        case Surface3::bark: {
            const double a = std::atan2(hit.normal.x, hit.normal.z) * 3;
            f.albedo = (1 + 0.7 * fbm2(a * 3, hit.point.y * 2.2, 5, p.seed)) * p.colour;
            return f;
        }
        case Surface3::canvas:
            f.albedo = (1 + 0.25 * fbm2(hit.point.x * 2.6, hit.point.y * 5, 4, p.seed)) * p.colour;
            return f;
        case Surface3::clock: {
            const FacePoint at = on_face(hit);
            if (hit.face > 3) return f;
            const double x = at.u - at.width / 2;
            const double y = at.v - at.height * 0.5;
            const double r = std::hypot(x, y);
            f.albedo = rendered(at.u, at.v, p.colour, p.seed);
            if (r < 1.35) {
                f.albedo = {0.75, 0.73, 0.66};
                const double turn = std::atan2(x, y) / (2 * kPi) * 12;
                const bool mark = r > 1.0 && r < 1.22 && std::abs(turn - std::round(turn)) < 0.10;
                const bool hands = (std::abs(x) < 0.06 && y > 0 && y < 1.0) ||
                                   (std::abs(y + 0.25 * x) < 0.08 && x < 0 && x > -0.7);
                if (mark || hands || r > 1.27) f.albedo = {0.03, 0.03, 0.03};
            }
            return f;
        }
        default:
            return f;
    }
}

}  // namespace broadloom::test
