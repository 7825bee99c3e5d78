/// Everything of the procedural world that is not a solid thing: sky, far ridges and the ground.
/// All rays start on the axis through the viewer, so the ground is a profile along the distance
/// `rho` from that axis for every azimuth. Linear light throughout.
#pragma once

#include "broadloom/rotation.hpp"

namespace broadloom::test {

Vec3 sunlight();
/// Light of the whole sky on a surface that faces up.
Vec3 skylight();
/// Colour of the air between here and far away.
Vec3 haze();

/// Sky with clouds, or only its gradient. `d` is a unit vector, y up.
Vec3 sky_colour(Vec3 d, bool clouds);
/// The same with the ridges of hills and mountains, and islands, before it.
Vec3 backdrop_colour(Vec3 d);

/// Distances of the near quay's edge and of the far quay's edge, metres, by azimuth in degrees.
double near_edge(double azimuth_deg);
double far_edge(double azimuth_deg);
/// How much land lies behind the water: 1 on the left, 0 at the open sea.
double land_share(double azimuth_deg);
/// Where the land ends behind, and how high the far quay stands.
double land_end(double azimuth_deg);
double quay_height(double azimuth_deg);
/// Height of the ground beyond the water.
double land_height(double azimuth_deg, double rho);

inline constexpr double kNearQuayHeight = 2.0, kFarQuayHeight = 2.2, kFarQuayWidth = 16;
inline constexpr double kLandEnd = 375;  ///< where the profile gives way to the ridges

enum class Ground { none, near_quay, water, quay_wall, far_quay, slope };
struct GroundHit {
    Ground kind = Ground::none;
    double rho = 0;
};
/// What a ray from height `eye` with this rise a metre meets first.
GroundHit ground_hit(double eye, double azimuth_deg, double rise);

/// Colour of a lit piece of ground other than water before light: albedo.
Vec3 ground_albedo(Ground kind, double azimuth_deg, double rho, double y);

}  // namespace broadloom::test
