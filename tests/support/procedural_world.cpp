#include "support/procedural_world.hpp"

#include <limits>
#include <utility>

#include "support/world_noise.hpp"
#include "support/world_places.hpp"
#include "support/world_scenery.hpp"
#include "support/world_surfaces.hpp"

namespace broadloom::test {

namespace {

constexpr double kFar = std::numeric_limits<double>::infinity();
/// Angle of a pixel of the sample camera: ripples smaller than it are left out.
constexpr double kPixelRad = 1.0 / 2800;

Vec3 hazy(Vec3 colour, double metres) { return lerp(colour, haze(), 1 - std::exp(-metres / 7000)); }

/// A soft shoulder, so that nothing clips.
double exposed(double x) {
    constexpr double kKnee = 0.45;
    constexpr double kTop = 0.86;
    x = std::max(0.0, 1.22 * x);
    if (x < kKnee) return x;
    const double room = kTop - kKnee;
    return kKnee + room * (1 - std::exp(-(x - kKnee) / room));
}

}  // namespace

Model town_model() {
    Model m;
    add_town(m);
    add_tall_ship(m);
    add_boats(m);
    add_ropeworks(m);
    add_lighthouse(m);
    add_promenade(m);
    return m;
}

ProceduralWorld::ProceduralWorld() : ProceduralWorld(town_model()) {}

ProceduralWorld::ProceduralWorld(Model model) : model_(std::move(model)) { model_.finish(); }

Vec3 ProceduralWorld::lit(Vec3 albedo, Vec3 point, Vec3 normal, double sun,
                          const Primitive* self) const {
    double facing = std::max(0.0, dot(normal, sun_direction())) * sun;
    if (facing > 0 && model_.in_shadow(point + 0.02 * normal, self)) facing = 0;
    const double up = 0.5 + 0.5 * normal.y;
    const Vec3 bounce = (0.16 * (1 - up)) * Vec3{1.0, 0.90, 0.75};
    const double open = 0.55 + 0.45 * sun;
    return times(albedo, facing * sunlight() + open * (0.35 + 0.75 * up) * skylight() + bounce);
}

Vec3 ProceduralWorld::water(Vec3 d, double az, double rho) const {
    const double x = rho * std::sin(az * kRadPerDeg);
    const double z = rho * std::cos(az * kRadPerDeg);
    // Length of a pixel on the water along the view and across it.
    const double along = kPixelRad * (rho * rho + kEyeHeight * kEyeHeight) / kEyeHeight;
    const double across = kPixelRad * rho;
    const double calm = 0.55 + 0.45 * smoothstep(-0.25, 0.3, fbm2(x * 0.012 + 4, z * 0.02, 4, 501));
    double sx = 0;
    double sz = 0;
    double lost = 0;
    double wave = 6.5;
    double slope = 0.0135;
    for (int i = 0; i < 7; ++i) {
        const double kept = clamp01(wave / (2.2 * std::max(0.35 * along, across)) - 0.6);
        if (kept > 0) {
            const double c = std::cos(0.5 + 0.83 * i);
            const double s = std::sin(0.5 + 0.83 * i);
            const double u = (c * x - s * z) / wave;
            const double v = (s * x + c * z) / (wave * 1.7);
            sx += slope * kept * noise2(u, v, 510 + i);
            sz += slope * kept * noise2(u, v, 530 + i);
        }
        lost += slope * (1 - kept);
        wave *= 0.52;
        slope *= 1.03;
    }
    sx *= calm;
    sz *= calm;
    const Vec3 n = normalized({-sx, 1, -sz});
    const double facing = std::max(0.02, -dot(d, n));
    const double fresnel =
        0.02 + 0.98 * std::pow(1 - facing, 5.0) * (1 - 0.8 * clamp01(6 * lost * calm));
    Vec3 r = d + (2 * facing) * n;
    // What is too fine to draw lifts the mirror image and spreads it.
    r.y = std::max(r.y, 0.002) + 2.2 * lost * calm;
    const Vec3 mirror = light(true, normalized(r));
    const Vec3 deep{0.016, 0.046, 0.052};
    const double shoal = smoothstep(62, 44, rho);
    const Vec3 body = lerp(deep, {0.030, 0.066, 0.058}, shoal);
    return hazy(lerp(body, mirror, fresnel), rho);
}

Vec3 ProceduralWorld::light(bool mirrored, Vec3 d) const {
    const double level = std::hypot(d.x, d.z);
    const double az = std::atan2(d.x, d.z) * kDegPerRad;
    const double eye = mirrored ? -kEyeHeight : kEyeHeight;
    const GroundHit ground = ground_hit(eye, az, d.y / level);
    const double limit = ground.kind == Ground::none ? kFar : ground.rho / level;
    if (const auto hit = model_.first_hit(mirrored, d, limit)) {
        const Finish f = finish_of(*hit);
        // Leaves hide each other by their own rule; looking at shadows of each would be noise.
        const Primitive* self = hit->what;
        Vec3 c = lit(f.albedo, hit->point, hit->normal, f.sun, self);
        if (f.mirror > 0) {
            const Vec3 n = normalized(hit->normal + Vec3{f.tilt_x, f.tilt_y, 0});
            Vec3 r = d - 2 * dot(d, n) * n;
            const Vec3 surroundings =
                r.y > 0.02 ? sky_colour(normalized(r), false) : Vec3{0.07, 0.085, 0.08};
            c = lerp(c, surroundings, f.mirror);
        }
        return hazy(c, hit->t);
    }
    switch (ground.kind) {
        case Ground::none:
            return backdrop_colour(d);
        case Ground::water:
            return water(d, az, ground.rho);
        default:
            break;
    }
    const double s = std::sin(az * kRadPerDeg);
    const double c = std::cos(az * kRadPerDeg);
    const double y = eye + ground.rho * d.y / level;
    const Vec3 point{ground.rho * s, y, ground.rho * c};
    Vec3 normal{0, 1, 0};
    if (ground.kind == Ground::quay_wall) normal = {-s, 0, -c};
    if (ground.kind == Ground::slope) normal = normalized({-0.2 * s, 1, -0.2 * c});
    return hazy(lit(ground_albedo(ground.kind, az, ground.rho, y), point, normal, 1, nullptr),
                ground.rho);
}

Vec3 ProceduralWorld::colour(Vec3 direction) const {
    const Vec3 c = light(false, normalized({direction.x, -direction.y, direction.z}));
    return {exposed(c.x), exposed(c.y), exposed(c.z)};
}

}  // namespace broadloom::test
