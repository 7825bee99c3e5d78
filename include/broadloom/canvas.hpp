/// The canvas: a rectangle of longitude x latitude (sphere, equirectangular projection) or
/// longitude x height (cylinder, central cylindrical projection), and its pixels.
/// With s = pixels per degree: x = (longitude - left) s; sphere: y = (top - latitude) s; cylinder:
/// y = (tan top - tan latitude) s 180/pi. Longitude = atan2(X, Z) modulo 360 into [left, left+360),
/// latitude = -asin(Y/|d|).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/scene.hpp"

namespace broadloom {

/// Largest canvas side, pixels.
inline constexpr int64_t kMaxCanvasSide = 2147483647;
/// A canvas of 360 degrees has a width that is a multiple of this, so that blending pyramids of up
/// to 9 reductions wrap exactly.
inline constexpr int64_t kWrapMultiple = 512;
/// Cylinders end at this latitude, degrees.
inline constexpr double kMaxCylinderLatitude = 80.0;

struct Canvas {
    Surface surface = Surface::sphere;
    double left_deg = 0, right_deg = 0, top_deg = 0, bottom_deg = 0;
    double pixels_per_degree = 0;  ///< of the pixels below (the scale applied)
    int64_t width = 0, height = 0;
    bool wraps = false;  ///< 360 degrees wide: the left and right edges are neighbours

    /// The direction (unit length on the sphere, unit distance from the axis on the cylinder) seen
    /// at continuous canvas coordinates.
    [[nodiscard]] Vec3 direction(double x, double y) const;

    /// Canvas coordinates of a direction; x in [0, 360 s). nullopt where the surface has none (the
    /// cylinder's axis).
    [[nodiscard]] std::optional<Vec2> position(Vec3 direction) const;
};

/// The canvas of a scene at `scale` (1 = the scene's pixels per degree). Absent keys are derived
/// singly from the used frames: pixels per degree of the sharpest camera, the smallest rectangle
/// that holds every frame rounded outwards to whole pixels; on a cylinder cut at +-80 degrees, on a
/// sphere 360 degrees wide when a pole is in view. Each such decision adds a line to `notes`.
/// Throws Error{input} for an empty, inverted or too large canvas, Error{usage} for a bad scale.
Canvas make_canvas(const Scene& scene, double scale, std::vector<std::string>* notes = nullptr);

}  // namespace broadloom
