#include "support/world_scenery.hpp"

#include "support/world_model.hpp"
#include "support/world_noise.hpp"

namespace broadloom::test {

namespace {

Vec3 gradient(Vec3 d) {
    const double h = std::max(0.0, d.y);
    const double t = std::pow(h, 0.55);
    const Vec3 low{0.60, 0.69, 0.76};
    const Vec3 high{0.105, 0.235, 0.50};
    Vec3 c = lerp(low, high, clamp01(t * 1.25));
    // Paler towards the sun's side.
    const double near_sun = clamp01(0.5 + 0.5 * dot(d, sun_direction()));
    c = c + (0.10 * near_sun * near_sun) * Vec3{1.0, 0.96, 0.88};
    return c;
}

struct Crown {
    double light;  // 0..1
    uint32_t seed;
    double inside;  // distance from the crown's middle, 0..1
};

/// Tree crowns seen from the side, the nearer (lower) before the farther; unit-sized cells.
Crown crown_at(double u, double v, int64_t seed) {
    const int64_t j0 = floor_of(v);
    for (int64_t j = j0 - 2; j <= j0 + 1; ++j) {
        const int64_t i0 = floor_of(u - 0.5 * static_cast<double>(j & 1));
        for (int64_t k = 0; k < 3; ++k) {
            const int64_t i = i0 + (k == 0 ? 0 : (k == 1 ? -1 : 1));
            const uint32_t h = hash_of(i, j, seed);
            const double cx = static_cast<double>(i) + 0.5 + 0.5 * static_cast<double>(j & 1) +
                              0.5 * (unit_of(h) - 0.5);
            const double cy = static_cast<double>(j) + 0.6 * unit_of(h * 3U);
            const double size = 0.65 + 0.35 * unit_of(h * 5U);
            const double x = (u - cx) / (0.72 * size);
            const double y = (v - cy) / (1.25 * size);
            const double r2 = x * x + y * y;
            if (r2 > 1) continue;
            const double z = std::sqrt(1 - r2);
            const double light = clamp01(0.50 - 0.42 * x + 0.42 * y + 0.12 * z);
            return {light, h, std::sqrt(r2)};
        }
    }
    return {0.15, hash_of(j0, 5, seed), 1};
}

Vec3 forest(double az, double el, int64_t seed) {
    const double u = az / 0.30;
    const double v = el / 0.17;
    const double wob = noise2(u * 3.1, v * 3.1, seed + 5);
    const Crown c = crown_at(u + 0.10 * wob, v + 0.16 * wob, seed);
    const double leaf = noise2(u * 9, v * 7, seed + 9) + 0.6 * noise2(u * 21, v * 17, seed + 10);
    const double light = clamp01(c.light + 0.22 * leaf);
    const double kind = unit_of(c.seed * 11U);
    Vec3 green = lerp({0.055, 0.10, 0.032}, {0.13, 0.155, 0.040}, kind);
    if (kind > 0.93) green = {0.19, 0.15, 0.045};
    if (kind < 0.22) green = {0.030, 0.066, 0.040};
    const double stand = noise2(az * 0.35, el * 0.9, seed + 20);
    return (0.22 + 1.35 * light) * lerp(green, {0.09, 0.12, 0.05}, clamp01(0.3 + 0.5 * stand));
}

/// Relief of rock or far hills lit from the left: compares the height at two places.
double relief(double x, double y, int octaves, int64_t seed) {
    const double here = ridged2(x, y, octaves, seed);
    const double left = ridged2(x - 0.045, y + 0.035, octaves, seed);
    return clamp01(0.5 + 3.2 * (here - left));
}

Vec3 through_air(Vec3 colour, double metres) {
    const double t = 1 - std::exp(-metres / 14000);
    return lerp(colour, haze(), t);
}

double rise_between(double from, double to, double x) { return smoothstep(from, to, x); }

}  // namespace

Vec3 sunlight() { return {1.62, 1.43, 1.14}; }
Vec3 skylight() { return {0.27, 0.34, 0.44}; }
Vec3 haze() { return {0.50, 0.60, 0.70}; }

Vec3 sky_colour(Vec3 d, bool clouds) {
    Vec3 c = gradient(d);
    if (!clouds || d.y < 0.004) return c;
    // Fair-weather clouds on a plane high above, thinned out towards the top of the picture.
    const double k = 1 / (d.y + 0.045);
    const double x = d.x * k;
    const double z = d.z * k;
    const double wx = fbm2(x * 0.9, z * 0.9, 3, 301);
    const double wz = fbm2(x * 0.9 + 7, z * 0.9, 3, 307);
    const double px = x * 0.85 + 0.55 * wx + 3.3;
    const double pz = z * 0.85 + 0.55 * wz;
    const double cover = 0.16 * noise2(x * 0.22, z * 0.22, 350);
    const double here = fbm2(px, pz, 8, 311) + cover;
    const double density = smoothstep(0.02, 0.34, here);
    if (density > 0) {
        // Thicker towards the sun means shaded here.
        const double sunward = fbm2(px - 0.10, pz - 0.06, 5, 311) + cover;
        const double shade = clamp01(0.62 + 1.7 * (here - sunward) - 0.75 * (here - 0.1));
        const Vec3 white = lerp({0.46, 0.51, 0.58}, {0.93, 0.90, 0.86}, shade);
        const double far = smoothstep(0.0, 0.12, d.y);
        c = lerp(c, lerp(haze(), white, 0.35 + 0.65 * far), density * (0.45 + 0.5 * far));
    }
    const double veil = smoothstep(0.05, 0.55, fbm2(x * 0.35 + 0.8 * wz, z * 1.3, 6, 333));
    return lerp(c, {0.80, 0.83, 0.86}, 0.30 * veil);
}

Vec3 backdrop_colour(Vec3 d) {
    const double az = std::atan2(d.x, d.z) * kDegPerRad;
    const double el = std::asin(d.y) * kDegPerRad;
    if (el > 19) return sky_colour(d, true);
    const double sea = rise_between(16, 44, az);  // 0: mountains, 1: open sea with islands
    // Wooded hills above the town.
    {
        const double low =
            6.9 + 2.2 * fbm2(az * 0.055, 1.5, 4, 41) + 1.0 * std::sin(az * 0.075 + 0.4);
        const double tuft =
            0.10 * std::abs(noise2(az * 3.3, 0.2, 43)) + 0.05 * noise2(az * 11, 3, 44);
        const double top =
            (low + tuft) * (1 - rise_between(19, 36, az)) - 0.9 * rise_between(24, 37, az);
        if (el < top) {
            // Crowns shrink with the distance up the hill.
            return through_air(forest(az, el * (1 + 0.05 * el), 51), 1300);
        }
    }
    {
        const double low = 8.6 + 2.6 * fbm2(az * 0.045 + 9, 4.5, 6, 61);
        const double top = low * (1 - 0.93 * sea) - 0.25 * rise_between(46, 60, az);
        if (el < top) {
            const double down = top - el;
            const double light = relief(az * 0.20 + 3, el * 0.16 + 0.03 * az, 8, 63);
            const double woods = smoothstep(-0.03, 0.03, fbm2(az * 0.45, down * 1.1, 7, 66) + 0.06);
            const double grain = noise2(az * 19, el * 24, 67);
            Vec3 c = lerp({0.150, 0.150, 0.062}, 0.85 * forest(az * 3.1, el * 3.4, 68), woods);
            c = (0.35 + 1.15 * light + 0.12 * grain) * c;
            return through_air(c, 4200);
        }
    }
    {
        const double crest = ridged2(az * 0.050 + 2.2, 0.7, 7, 71);
        const double top = (7.4 + 8.2 * crest) * (1 - 0.97 * sea) - 0.2 * rise_between(50, 66, az);
        if (el < top) {
            // Gullies run down from the crest, so the relief is drawn out downwards.
            const double bent = az + 0.8 * fbm2(az * 0.25, el * 0.25, 3, 72);
            const double light = relief(bent * 0.24, el * 0.085, 8, 73);
            const double snow = smoothstep(
                -0.15, 0.25,
                (el - 10.6) * 0.30 + 1.3 * fbm2(az * 0.8, el * 0.6, 6, 75) + 1.1 * (light - 0.5));
            const double grain = fbm2(az * 6, el * 9, 4, 76);
            Vec3 rock = lerp({0.125, 0.115, 0.105}, {0.075, 0.095, 0.050},
                             smoothstep(11.5, 8, el + 2 * grain));
            rock = (0.45 + 1.2 * light + 0.3 * grain) * rock;
            const Vec3 white =
                lerp({0.27, 0.35, 0.50}, {0.95, 0.92, 0.87}, smoothstep(0.25, 0.8, light));
            return through_air(lerp(rock, white, clamp01(snow)), 5600);
        }
    }
    {
        const double top = (5.5 + 7 * ridged2(az * 0.04 + 5, 3.3, 6, 81)) * (1 - 0.90 * sea) - 0.35;
        if (el < top) {
            const double light = relief(az * 0.22 + 1, el * 0.3, 6, 83);
            return through_air((0.5 + light) * Vec3{0.17, 0.18, 0.19}, 22000);
        }
    }
    return sky_colour(d, true);
}

double near_edge(double az) { return 43.5 + 1.2 * std::sin(az * 0.06) + 0.00035 * az * az; }

double far_edge(double az) {
    return 132 + 7 * std::sin(az * 0.07 + 1) + 30 * rise_between(10, 30, az) -
           45 * rise_between(-36, -62, az);
}

double land_share(double az) { return 1 - rise_between(17, 31, az); }

double quay_height(double az) { return kFarQuayHeight * rise_between(31, 29, az); }

double land_end(double az) {
    return lerp(far_edge(az) + kFarQuayWidth, kLandEnd, std::sqrt(land_share(az)));
}

double land_height(double az, double rho) {
    const double start = far_edge(az) + kFarQuayWidth;
    return quay_height(az) + 0.215 * land_share(az) * std::max(0.0, rho - start);
}

GroundHit ground_hit(double eye, double az, double rise) {
    const double edge = near_edge(az);
    if (eye > 0 && rise < 0) {
        const double rho = (kNearQuayHeight - eye) / rise;
        if (rho < edge) return {Ground::near_quay, rho};
    }
    const double share = land_share(az);
    if (az < 31) {
        const double quay = quay_height(az);
        const double far = far_edge(az);
        const double y = eye + rise * far;
        if (y >= quay) {
            if (rise < 0) {
                const double rho = (quay - eye) / rise;
                if (rho < far + kFarQuayWidth) return {Ground::far_quay, rho};
            }
            const double s = 0.215 * share;
            const double start = far + kFarQuayWidth;
            if (rise < s) {
                const double rho = (eye - quay + s * start) / (s - rise);
                if (rho >= start && rho < land_end(az)) return {Ground::slope, rho};
            }
        } else if (y > 0)
            return {Ground::quay_wall, far};
    }
    if (eye > 0 && rise < 0) return {Ground::water, -eye / rise};
    return {};
}

Vec3 ground_albedo(Ground kind, double az, double rho, double y) {
    const double across = az * kRadPerDeg;  // times rho: metres
    if (kind == Ground::quay_wall) {
        const double u = across * rho;
        const int64_t course = floor_of(y / 0.42);
        const double shift = 0.5 * static_cast<double>(course & 1);
        const double uu = u / 0.95 + shift;
        const double joint = std::min(fract(uu), 1 - fract(uu)) * 0.95;
        const double bed = std::min(fract(y / 0.42), 1 - fract(y / 0.42)) * 0.42;
        const double tone =
            0.16 + 0.09 * random_unit(floor_of(uu), course, 7) + 0.05 * fbm2(u * 3, y * 5, 4, 91);
        Vec3 c = tone * Vec3{1.0, 0.95, 0.86};
        if (joint < 0.03 || bed < 0.03) c = 0.45 * c;
        const double wet = 1 - smoothstep(0.35, 0.75, y + 0.15 * noise2(u * 0.8, 2, 92));
        return lerp(c, {0.045, 0.055, 0.028}, 0.85 * wet);
    }
    if (kind == Ground::slope) {
        const double x = rho * std::sin(across);
        const double z = rho * std::cos(across);
        const double rough =
            fbm2(x * 0.05, z * 0.05, 7, 101) + 0.5 * fbm2(x * 0.4, z * 0.4, 5, 105);
        Vec3 c = lerp({0.070, 0.098, 0.030}, {0.205, 0.180, 0.080}, clamp01(0.42 + 1.5 * rough));
        const double blade = noise2(x * 4.1, z * 1.7, 103) + 0.7 * noise2(x * 9.3, z * 4, 104);
        c = (1 + 0.22 * blade) * c;
        return c;
    }
    if (kind == Ground::far_quay) {
        const double u = across * rho;
        const double row = rho / 0.8;
        const double slab = u / 1.2 + 0.5 * static_cast<double>(floor_of(row) & 1);
        const double tone = 0.36 + 0.07 * random_unit(floor_of(slab), floor_of(row), 111) +
                            0.08 * fbm2(u * 0.4, rho * 0.4, 5, 112);
        return tone * Vec3{1.0, 0.96, 0.88};
    }
    // Near quay: a granite kerb, a strip of slabs, then setts in fans of rows.
    const double edge = near_edge(az);
    const double u = across * rho;
    const double in = edge - rho;
    const double dirt = fbm2(u * 0.35, rho * 0.35, 5, 121);
    if (in < 0.55) {
        const double block = u / 1.6;
        const double joint = std::min(fract(block), 1 - fract(block)) * 1.6;
        const double speck = noise2(u * 55, rho * 55, 122);
        const double tone =
            0.33 + 0.05 * random_unit(floor_of(block), 3, 123) + 0.05 * speck + 0.05 * dirt;
        return (joint < 0.012 || in > 0.535 ? 0.4 : 1.0) * tone * Vec3{1.0, 0.97, 0.92};
    }
    if (in < 3.4) {
        const double row = (in - 0.55) / 0.57;
        const double slab = u / 0.9 + 0.37 * static_cast<double>(floor_of(row) % 3);
        const double ju = std::min(fract(slab), 1 - fract(slab)) * 0.9;
        const double jr = std::min(fract(row), 1 - fract(row)) * 0.57;
        const double tone = 0.34 + 0.08 * (random_unit(floor_of(slab), floor_of(row), 131) - 0.5) +
                            0.06 * dirt + 0.03 * noise2(u * 38, rho * 38, 132);
        return (std::min(ju, jr) < 0.010 ? 0.45 : 1.0) * tone * Vec3{1.0, 0.95, 0.86};
    }
    const double row = in / 0.125;
    const int64_t r = floor_of(row);
    const double sett = u / 0.17 + random_unit(r, 5, 141);
    const int64_t s = floor_of(sett);
    // Rounded stones: a super-ellipse in each cell, lit from the left and from above.
    const double sx = 2 * fract(sett) - 1 + 0.12 * (random_unit(s, r, 142) - 0.5);
    const double sy = 2 * fract(row) - 1 + 0.12 * (random_unit(s, r, 143) - 0.5);
    const double body = sx * sx * sx * sx + sy * sy * sy * sy;
    const double hue = random_unit(s, r, 144);
    Vec3 stone = lerp({0.235, 0.225, 0.215}, {0.33, 0.285, 0.235}, hue);
    if (hue > 0.9) stone = {0.20, 0.205, 0.225};
    stone = (0.80 + 0.35 * random_unit(s, r, 145) + 0.30 * dirt +
             0.12 * noise2(u * 42, rho * 42, 146)) *
            stone;
    const double lit = 1 - 0.22 * sx * std::abs(sx) + 0.10 * sy;
    const double joint = smoothstep(0.55, 0.95, body);
    const Vec3 gap = dirt > 0.12 ? Vec3{0.085, 0.10, 0.045} : Vec3{0.10, 0.092, 0.08};
    return lerp(lit * stone, gap, joint);
}

}  // namespace broadloom::test
