/// The solid things of the procedural world and the rays through them. Coordinates in metres, x
/// right, y up, z forward; the water is y = 0 and the viewer stands on the axis x = z = 0. Only
/// rays from the viewer, from its mirror image below the water and towards the sun are needed, so
/// three grids of directions find the few things that each can meet.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/rotation.hpp"

namespace broadloom::test {

inline constexpr double kEyeHeight = 20;  ///< of the viewer above the water

/// Unit vector towards the sun: behind the viewer, on the left.
Vec3 sun_direction();

enum class Surface3 : uint8_t {
    plain,
    plaster,
    brick,
    timber,
    stone,
    tiles,
    slate,
    metal,
    canvas,
    planks,
    hull,
    ship_hull,
    lighthouse,
    sign,
    awning,
    glass,
    leaves,
    bark,
    rope,
    crate,
    clock
};

enum class Shape : uint8_t { convex, cone, ball, leaves };

/// A horizontal frame of axes: u to the right as seen from the viewer, w away from it.
struct Place {
    Vec3 origin;  ///< middle of the foot
    Vec3 u, w;

    [[nodiscard]] Vec3 at(double x, double y, double z) const {
        return {origin.x + x * u.x + z * w.x, origin.y + y, origin.z + x * u.z + z * w.z};
    }
    [[nodiscard]] Place moved(double x, double y, double z) const { return {at(x, y, z), u, w}; }
    [[nodiscard]] Place turned(double deg) const;
};

/// `azimuth_deg` to the right, `rho` metres from the viewer's axis; faces the viewer.
Place place_at(double azimuth_deg, double rho, double y);

struct Plane {
    Vec3 normal;  ///< outwards
    double offset = 0;
    int8_t face = 0;
};

struct Primitive {
    Shape shape = Shape::convex;
    Surface3 surface = Surface3::plain;
    Surface3 backing = Surface3::plaster;  ///< of the gable under a roof
    uint32_t seed = 0;
    Vec3 colour{0.5, 0.5, 0.5}, accent{0.8, 0.8, 0.8};
    Place place;  ///< surfaces are drawn in its coordinates
    double width = 0, height = 0, depth = 0;
    std::vector<Plane> planes;  ///< convex
    std::vector<Vec3> corners;  ///< convex: its hull
    Vec3 a, b;                  ///< cone: ends; ball, leaves: a is the centre
    double ra = 0, rb = 0;      ///< radii
    double leaf = 0.3;          ///< leaves: size of one, metres
    std::string text;           ///< lettering
    bool casts = true;          ///< throws a shadow
};

struct Hit {
    double t = 0;
    Vec3 point, normal;
    const Primitive* what = nullptr;
    int face = 0;  ///< box: 0 front 1 back 2 left 3 right 4 top 5 bottom
};

class Model {
  public:
    /// A box, its foot's middle at the place.
    Primitive& box(const Place& place, double width, double height, double depth, Surface3 surface,
                   Vec3 colour);
    /// A gable roof over a rectangle; the ridge runs along u, or along w.
    Primitive& roof(const Place& place, double width, double rise, double depth, bool ridge_along_w,
                    Surface3 surface, Vec3 colour);
    Primitive& pyramid(const Place& place, double width, double rise, double depth,
                       Surface3 surface, Vec3 colour);
    /// A boat's hull along u, bow to the right (or left), keel below the water.
    Primitive& hull(const Place& place, double length, double freeboard, double beam, bool bow_left,
                    Surface3 surface, Vec3 colour);
    Primitive& cone(Vec3 a, double ra, Vec3 b, double rb, Surface3 surface, Vec3 colour);
    Primitive& ball(Vec3 centre, double radius, Surface3 surface, Vec3 colour);
    Primitive& leaves(Vec3 centre, double radius, double leaf, Vec3 colour);

    /// To be called once, when everything is there.
    void finish();

    /// The first thing on a ray from (0, +-kEyeHeight, 0), nearer than `limit`. Directions are
    /// unit.
    [[nodiscard]] std::optional<Hit> first_hit(bool mirrored, Vec3 direction, double limit) const;
    [[nodiscard]] bool in_shadow(Vec3 point, const Primitive* self) const;

    [[nodiscard]] size_t size() const { return things_.size(); }

  private:
    struct Grid {
        double left = 0, bottom = 0, cell = 1;
        int64_t columns = 0, rows = 0;
        std::vector<uint32_t> begin, items;
        [[nodiscard]] int64_t index(double x, double y) const;
    };
    Primitive& add(Shape shape, Surface3 surface, Vec3 colour);
    void add_plane(Primitive& p, Vec3 normal, Vec3 through, int face);
    template <typename Project>
    void fill(Grid& grid, const Project& project, bool by_distance, bool casters_only);

    std::vector<Primitive> things_;
    std::vector<double> nearest_;  // distance from the axis at least
    Grid seen_, mirrored_, sunlit_;
    Vec3 sun_right_, sun_up_;
};

}  // namespace broadloom::test
