// Coordinates and coverage against the exact projection, and equal from any region.
#include "canvas/cell_map.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstring>

#include "support/made_up_canvases.hpp"
#include "support/same_coords.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// A frame on a canvas, by numbers.
struct Situation {
    std::string name;
    Canvas canvas;
    Camera camera;
    Frame frame;
    int orientation = 1;
};

/// A window of the canvas around the frame's centre that is cheap to test pixel by pixel.
Canvas window_around(const Camera& camera, Surface surface, double yaw, double pitch) {
    const double scale = camera.focal_px * kRadPerDeg;
    const double half_x =
        std::atan(static_cast<double>(camera.width) / 2 / camera.focal_px) * kDegPerRad;
    const double half_y =
        std::atan(static_cast<double>(camera.height) / 2 / camera.focal_px) * kDegPerRad;
    const double limit = surface == Surface::cylinder ? 80 : 90;
    const double top = std::min(limit, pitch + half_y + 2);
    const double bottom = std::max(-limit, pitch - half_y - 2);
    return canvas_between(surface, yaw - half_x - 3, yaw + half_x + 3, top, bottom, scale);
}

std::vector<Situation> situations() {
    std::vector<Situation> all;
    const auto add = [&](const std::string& name, const Canvas& canvas, const Camera& camera,
                         const Frame& frame, int orientation = 1) {
        all.push_back({name, canvas, camera, frame, orientation});
    };
    Camera far = made_up_camera(900, 600, 15200);
    add("long focus", window_around(far, Surface::sphere, 12, 5), far, aimed(12, 5, 1));
    Camera large = made_up_camera(5472, 3648, 7600);
    large.radial = {-0.05, 0.01, 0};
    for (const auto& [name, pitch] : {std::pair{"coarse canvas", 10.0}, {"coarse, high", 70.0}}) {
        Canvas coarse = window_around(large, Surface::sphere, 12, pitch);
        coarse.pixels_per_degree /= 8;
        coarse.width /= 8;
        coarse.height /= 8;
        add(name, coarse, large, aimed(12, pitch, 1));
    }
    Camera wide = made_up_camera(1000, 700, 565);
    add("short focus", window_around(wide, Surface::sphere, 0, 0), wide, aimed(0, 0, 3));
    for (const double k1 : {-0.3, 0.3}) {
        Camera bent = wide;
        bent.radial = {k1, 0, 0};
        add("short focus, k1 = " + std::to_string(k1), window_around(bent, Surface::sphere, 0, 20),
            bent, aimed(0, 20, -10));
        add("cylinder, k1 = " + std::to_string(k1), window_around(bent, Surface::cylinder, 5, 10),
            bent, aimed(5, 10, 4));
        Camera normal = made_up_camera(800, 600, 1500);
        normal.radial = {k1, 0.02, -0.01};
        normal.tangential = {0.002, -0.003};
        normal.principal_point_px = Vec2{391.5, 312.25};
        add("normal focus, k1 = " + std::to_string(k1),
            window_around(normal, Surface::sphere, -100, 40), normal, aimed(-100, 40, 15));
    }
    // The polynomial folds back within the frame: part of it shows nothing.
    Camera folding = made_up_camera(700, 500, 400);
    folding.radial = {-0.5, 0, 0};
    add("lens that folds back", window_around(folding, Surface::sphere, 0, 0), folding,
        aimed(0, 0, 0));
    const Canvas around = canvas_around(Surface::sphere, -180, 90, -90, 2048);
    Camera polar = made_up_camera(400, 300, 326);
    add("over the north pole", around, polar, aimed(40, 82, 25));
    add("over the south pole", around, polar, aimed(-100, -90, 0));
    add("across the edge", around, polar, aimed(178, 10, 5));
    add("the whole sphere's front", around, wide, aimed(0, 0, 0));
    const Canvas high = canvas_between(Surface::cylinder, -60, 60, 80, -80, 5);
    add("cylinder to 80 degrees", high, made_up_camera(400, 300, 286), aimed(10, 68, 0));
    Dice dice(7);
    for (int i = 0; i < 12; ++i) {
        Camera c =
            made_up_camera(dice.whole(200, 700), dice.whole(200, 700), dice.between(350, 4000));
        c.radial = {dice.between(-0.3, 0.3), dice.between(-0.05, 0.05), 0};
        c.tangential = {dice.between(-0.003, 0.003), dice.between(-0.003, 0.003)};
        const double yaw = dice.between(-180, 180);
        const double pitch = dice.between(-60, 60);
        const Surface surface = i % 3 == 0 ? Surface::cylinder : Surface::sphere;
        const int orientation = i % 4 == 3 ? static_cast<int>(dice.whole(2, 8)) : 1;
        add("random " + std::to_string(i), window_around(c, surface, yaw, pitch), c,
            aimed(yaw, pitch, dice.between(-180, 180)), orientation);
    }
    return all;
}

/// Upright to stored pixels, from the meaning of EXIF 2.3, tag 274: which side of the upright
/// picture the stored picture's row 0 and column 0 are.
Vec2 stored(Vec2 p, const Camera& c, int orientation) {
    const auto w = static_cast<double>(c.width);
    const auto h = static_cast<double>(c.height);
    const double from_left = p.x;
    const double from_right = w - p.x;
    const double from_top = p.y;
    const double from_bottom = h - p.y;
    switch (orientation) {
        case 1:
            return {from_left, from_top};  // row 0 top, column 0 left
        case 2:
            return {from_right, from_top};  // top, right
        case 3:
            return {from_right, from_bottom};  // bottom, right
        case 4:
            return {from_left, from_bottom};  // bottom, left
        case 5:
            return {from_top, from_left};  // left, top
        case 6:
            return {from_top, from_right};  // right, top
        case 7:
            return {from_bottom, from_right};  // right, bottom
        default:
            return {from_bottom, from_left};  // left, bottom
    }
}

}  // namespace

TEST_CASE("interpolated coordinates stay within a fiftieth of a pixel of the exact projection",
          "[cell_map][accuracy]") {
    double worst_of_all = 0;
    for (const Situation& s : situations()) {
        const FrameGeometry geometry(s.camera, s.frame, s.orientation);
        const Lens lens(s.camera);
        const Rotation rotation = Rotation::from_yaw_pitch_roll_deg(
            *s.frame.yaw_deg, *s.frame.pitch_deg, s.frame.roll_deg);
        const CellRegion region = cells_of({0, 0, s.canvas.width, s.canvas.height});
        const LatticeDirections directions(s.canvas, region);
        const CellMap map(directions, geometry);
        // Errors count in pixels of the canvas where those are larger.
        const double unit =
            std::max(1.0, s.camera.focal_px * kRadPerDeg / s.canvas.pixels_per_degree);
        double worst = 0;
        int64_t shown = 0;
        int64_t missed = 0;
        int64_t invented = 0;
        for (int64_t cy = 0; cy < region.height(); ++cy) {
            for (int64_t cx = 0; cx < region.width(); ++cx) {
                const Coverage coverage = map.coverage(cx, cy);
                CellCoords coords;
                int64_t origin_x = 0;
                int64_t origin_y = 0;
                bool inside[kCellArea] = {};
                if (coverage != Coverage::none) {
                    map.coordinates(cx, cy, plain_kernels(), coords, origin_x, origin_y);
                    map.covered(coords, origin_x, origin_y, inside);
                }
                for (int i = 0; i < kCellArea; ++i) {
                    const auto x = static_cast<double>(cx * kCell + i % kCell) + 0.5;
                    const auto y = static_cast<double>(cy * kCell + i / kCell) + 0.5;
                    if (x > static_cast<double>(s.canvas.width) ||
                        y > static_cast<double>(s.canvas.height)) {
                        continue;
                    }
                    const auto p = lens.project(rotation.to_camera(s.canvas.direction(x, y)));
                    // How far inside the frame; negative outside.
                    const double depth =
                        p ? std::min({p->x - 0.5, static_cast<double>(s.camera.width) - 0.5 - p->x,
                                      p->y - 0.5,
                                      static_cast<double>(s.camera.height) - 0.5 - p->y})
                          : -1;
                    if (depth > 0.02 * unit && !inside[i]) ++missed;
                    if (depth < -0.02 * unit && inside[i]) ++invented;
                    if (coverage == Coverage::full && !inside[i]) ++invented;
                    if (depth < 0 || !inside[i]) continue;
                    ++shown;
                    const Vec2 q = stored(*p, s.camera, s.orientation);
                    worst = std::max(worst,
                                     std::hypot(coords.u[i] + static_cast<double>(origin_x) - q.x,
                                                coords.v[i] + static_cast<double>(origin_y) - q.y));
                }
            }
        }
        worst /= unit;
        INFO(s.name << ": " << shown << " pixels, worst " << worst << " px");
        CHECK(shown > 10000);
        CHECK(missed == 0);
        CHECK(invented == 0);
        CHECK(worst < 1.0 / 50);
        worst_of_all = std::max(worst_of_all, worst);
    }
    INFO("worst of all: " << worst_of_all << " px");
    CHECK(worst_of_all > 1e-4);  // something was interpolated
}

TEST_CASE("any two regions give a cell the same coordinates, bit for bit", "[cell_map][exact]") {
    for (const MadeUpCanvas& m : made_up_canvases()) {
        const Canvas& canvas = m.canvas;
        const CellRegion whole = cells_of({0, 0, canvas.width, canvas.height});
        const LatticeDirections whole_directions(canvas, whole);
        Dice dice(99);
        int64_t compared = 0;
        int64_t exact_bits = 0;
        int64_t beyond_edge = 0;
        for (int trial = 0; trial < 40; ++trial) {
            const size_t f =
                static_cast<size_t>(dice.whole(0, static_cast<int64_t>(m.geometry.size()) - 1));
            const CellMap big(whole_directions, m.geometry[f]);
            const CellRegion part = cells_of(random_rect(canvas, dice));
            const LatticeDirections part_directions(canvas, part);
            const CellMap small(part_directions, m.geometry[f]);
            for (int64_t cy = 0; cy < part.height(); ++cy) {
                for (int64_t cx = 0; cx < part.width(); ++cx) {
                    int64_t x = part.x0 + cx;
                    if (canvas.wraps) x -= floor_div(x, whole.width()) * whole.width();
                    const int64_t y = part.y0 + cy;
                    if (x != part.x0 + cx) ++beyond_edge;
                    REQUIRE(big.coverage(x, y) == small.coverage(cx, cy));
                    double a_score[4];
                    double b_score[4];
                    big.corner_scores(x, y, a_score);
                    small.corner_scores(cx, cy, b_score);
                    REQUIRE(std::memcmp(a_score, b_score, sizeof a_score) == 0);
                    if (small.coverage(cx, cy) == Coverage::none) continue;
                    CellCoords a;
                    CellCoords b;
                    int64_t ax = 0;
                    int64_t ay = 0;
                    int64_t bx = 0;
                    int64_t by = 0;
                    big.coordinates(x, y, plain_kernels(), a, ax, ay);
                    small.coordinates(cx, cy, plain_kernels(), b, bx, by);
                    ++compared;
                    if (ax == bx && ay == by && same_coords(a, b)) ++exact_bits;
                }
            }
        }
        INFO(m.name);
        CHECK(compared > 100);
        CHECK(exact_bits == compared);
        CHECK((beyond_edge > 0) == canvas.wraps);
    }
    // Negative control: a cell's neighbour is something else.
    const MadeUpCanvas m = flat_sphere();
    const LatticeDirections directions(m.canvas, cells_of({0, 0, m.canvas.width, m.canvas.height}));
    const CellMap map(directions, m.geometry[0]);
    CellCoords a;
    CellCoords b;
    int64_t ox = 0;
    int64_t oy = 0;
    map.coordinates(8, 5, plain_kernels(), a, ox, oy);
    map.coordinates(9, 5, plain_kernels(), b, ox, oy);
    CHECK_FALSE(same_coords(a, b));
}
