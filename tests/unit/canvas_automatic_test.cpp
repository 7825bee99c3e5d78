#include <algorithm>
#include <catch2/catch.hpp>
#include <random>

#include "broadloom/canvas.hpp"
#include "broadloom/error.hpp"
#include "canvas/coverage.hpp"
#include "support/close_to.hpp"

using namespace broadloom;
using broadloom::testing::close_to;

namespace {

Camera pinhole(int64_t width, int64_t height, double focal_px) {
    Camera c;
    c.width = width;
    c.height = height;
    c.focal_px = focal_px;
    return c;
}

/// A scene of frames of one camera, nothing wanted of the canvas.
Scene scene_of(const Camera& camera, std::initializer_list<std::array<double, 3>> orientations,
               Surface surface = Surface::sphere) {
    Scene scene;
    scene.cameras["main"] = camera;
    scene.canvas.surface = surface;
    for (const auto& [yaw, pitch, roll] : orientations) {
        Frame frame;
        frame.camera = "main";
        frame.yaw_deg = yaw;
        frame.pitch_deg = pitch;
        frame.roll_deg = roll;
        scene.frames.push_back(frame);
    }
    return scene;
}

/// Angle from the axis to the outermost pixel centre.
double half_angle_deg(int64_t side, double focal_px) {
    return std::atan((static_cast<double>(side) / 2 - 0.5) / focal_px) * kDegPerRad;
}

/// How far, in canvas pixels, the points of every frame (inside and along its border) lie outside
/// the canvas, and how many pixels the canvas stands off from them at each edge.
struct Fit {
    double outside = 0;
    double left = 1e9, right = 1e9, top = 1e9, bottom = 1e9;
};

Fit fit(const Scene& scene, const Canvas& c, int steps = 600) {
    Fit f;
    for (const Frame& frame : scene.frames) {
        if (!frame.use) continue;
        const Lens lens(scene.cameras.at(frame.camera));
        const Rotation r =
            Rotation::from_yaw_pitch_roll_deg(*frame.yaw_deg, *frame.pitch_deg, frame.roll_deg);
        const auto w = static_cast<double>(lens.camera().width) - 1;
        const auto h = static_cast<double>(lens.camera().height) - 1;
        for (int i = 0; i <= steps; ++i) {
            for (int j = 0; j <= steps;
                 j += i % 40 == 0 || i == steps ? 1 : (j % 40 == 0 ? 40 : 1)) {
                const auto ab = lens.undistort({0.5 + w * i / steps, 0.5 + h * j / steps});
                if (!ab) continue;
                const auto p = c.position(r.to_world({ab->x, ab->y, 1}));
                if (!p) continue;
                const double x = std::min(p->x, 360 * c.pixels_per_degree);
                const double beyond_right = x - static_cast<double>(c.width);
                // Past the right edge is either right of it or left of the left edge.
                const double off_x =
                    std::max(0.0, std::min(beyond_right, 360 * c.pixels_per_degree - x));
                const double off_y = std::max({0.0, -p->y, p->y - static_cast<double>(c.height)});
                f.outside = std::max({f.outside, off_x, off_y});
                f.left = std::min(f.left, x);
                f.right = std::min(f.right, static_cast<double>(c.width) - x);
                f.top = std::min(f.top, p->y);
                f.bottom = std::min(f.bottom, static_cast<double>(c.height) - p->y);
            }
        }
    }
    return f;
}

bool mentions(const std::vector<std::string>& notes, const std::string& part) {
    return std::any_of(notes.begin(), notes.end(),
                       [&](const std::string& n) { return n.find(part) != std::string::npos; });
}

std::string refusal(const Scene& scene) {
    try {
        make_canvas(scene, 1);
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::input);
        return e.what();
    }
    FAIL("no error");
    return {};
}

}  // namespace

TEST_CASE("a single level frame gives its own angles, rounded outwards", "[canvas][automatic]") {
    const Scene scene = scene_of(pinhole(1500, 1000, 1000), {{0, 0, 0}});
    std::vector<std::string> notes;
    const Canvas c = make_canvas(scene, 1, &notes);
    const double s = 1000 * kRadPerDeg;  // f pi/180
    CHECK(c.pixels_per_degree == close_to(s).epsilon(1e-15));
    // Widest along the middle row, highest along the middle column.
    const double half_width = half_angle_deg(1500, 1000) * s;
    const double half_height = half_angle_deg(1000, 1000) * s;
    CHECK(c.width == 2 * std::ceil(half_width));
    CHECK(c.height == 2 * std::ceil(half_height));
    CHECK(c.left_deg == close_to(-std::ceil(half_width) / s).epsilon(1e-12));
    CHECK(c.top_deg == close_to(std::ceil(half_height) / s).epsilon(1e-12));
    CHECK_FALSE(c.wraps);
    CHECK(notes.size() == 5);
    for (const char* key :
         {"left_deg", "right_deg", "top_deg", "bottom_deg", "pixels_per_degree"}) {
        CHECK(mentions(notes, std::string("canvas.") + key));
    }
}

TEST_CASE("turned frames with a lens lie in the canvas and touch it", "[canvas][automatic]") {
    std::mt19937 random(51);
    std::uniform_real_distribution<double> unit(-1, 1);
    for (const Surface surface : {Surface::sphere, Surface::cylinder}) {
        for (int i = 0; i < 12; ++i) {
            Camera camera = pinhole(1500, 1000, 2600);
            camera.radial = {0.3 * unit(random), 0.1 * unit(random), 0};
            camera.tangential = {0.003 * unit(random), 0.003 * unit(random)};
            const double yaw = 180 * unit(random);
            const double pitch = 50 * unit(random);
            const Scene scene = scene_of(camera,
                                         {{yaw, pitch, 180 * unit(random)},
                                          {yaw + 11, pitch + 4 * unit(random), 10 * unit(random)}},
                                         surface);
            const Canvas c = make_canvas(scene, 1);
            const Fit f = fit(scene, c);
            CHECK(f.outside < 0.01);
            // Within a pixel, and the coarser sampling of the check.
            for (const double gap : {f.left, f.right, f.top, f.bottom}) CHECK(gap < 1.02);
            CHECK(c.right_deg - c.left_deg < 70);

            Canvas smaller = c;  // negative control: a canvas of three pixels less is too small
            smaller.width -= 3;
            CHECK(fit(scene, smaller).outside > 1);
        }
    }
}

TEST_CASE("frames across 180 degrees give one canvas, not the whole circle",
          "[canvas][automatic]") {
    const Scene scene =
        scene_of(pinhole(1500, 1000, 2000), {{170, 0, 0}, {-172, 3, 0}, {-160, 0, 0}});
    const Canvas c = make_canvas(scene, 1);
    CHECK(c.left_deg > 140);
    CHECK(c.left_deg < 160);
    CHECK(c.right_deg > 215);
    CHECK(c.right_deg < 225);
    CHECK_FALSE(c.wraps);
    CHECK(fit(scene, c).outside < 0.01);
    // The same set seen from the front gives the same size.
    const Scene front = scene_of(pinhole(1500, 1000, 2000), {{-10, 0, 0}, {8, 3, 0}, {20, 0, 0}});
    CHECK(std::abs(make_canvas(front, 1).width - c.width) <= 1);
}

TEST_CASE("the widest gap is left out", "[canvas][automatic]") {
    // Frames 20 degrees wide at 0, 100 and 190: gaps of 80, 70 and 150 degrees.
    const double f = 750 / std::tan(10 * kRadPerDeg);
    const Scene scene = scene_of(pinhole(1500, 1000, f), {{100, 0, 0}, {190, 0, 0}, {0, 0, 0}});
    const Canvas c = make_canvas(scene, 1);
    CHECK(c.left_deg == close_to(-10).margin(0.02));
    CHECK(c.right_deg == close_to(200).margin(0.02));
}

TEST_CASE("a pole in view makes a sphere 360 degrees wide", "[canvas][automatic]") {
    for (const double sign : {1.0, -1.0}) {
        const Scene scene = scene_of(pinhole(1500, 1000, 1000), {{30, sign * 75, 12}});
        std::vector<std::string> notes;
        const Canvas c = make_canvas(scene, 1, &notes);
        CHECK(c.wraps);
        CHECK(c.left_deg == -180);
        CHECK(c.right_deg == 180);
        CHECK(c.width % 512 == 0);
        CHECK((sign > 0 ? c.top_deg : c.bottom_deg) == sign * 90);
        CHECK(mentions(notes, "pole"));
        CHECK(c.pixels_per_degree == static_cast<double>(c.width) / 360);
        const Fit f = fit(scene, c);
        CHECK(f.outside < 0.01);
        CHECK((sign > 0 ? f.bottom : f.top) < 1.02);
    }
    // Just past the pole on the other side: the pole out of view, the canvas narrow.
    const double half = half_angle_deg(1000, 1000);
    const Scene below = scene_of(pinhole(1500, 1000, 1000), {{30, 90 - half - 0.01, 0}});
    const Canvas c = make_canvas(below, 1);
    CHECK_FALSE(c.wraps);
    CHECK(c.right_deg - c.left_deg > 178);  // nearly a half circle at the edge beside the pole
    CHECK(c.right_deg - c.left_deg < 181);
    CHECK(fit(below, c).outside < 0.01);
    const Scene over = scene_of(pinhole(1500, 1000, 1000), {{30, 90 - half + 0.01, 0}});
    CHECK(make_canvas(over, 1).wraps);
}

TEST_CASE("a ring of frames closes; a ring with a hole does not", "[canvas][automatic]") {
    Scene ring = scene_of(pinhole(1500, 1000, 1500), {});
    for (int i = 0; i < 9; ++i) {
        Frame frame;
        frame.camera = "main";
        frame.yaw_deg = 40.0 * i;
        frame.pitch_deg = 0;
        ring.frames.push_back(frame);
    }
    const Canvas closed = make_canvas(ring, 1);
    CHECK(closed.wraps);
    CHECK(closed.left_deg == -180);
    CHECK(closed.width == 9216);  // 2 pi 1500 = 9424.8 = 18.4 * 512
    ring.frames[4].use = false;   // 160 degrees
    const Canvas open = make_canvas(ring, 1);
    CHECK_FALSE(open.wraps);
    CHECK(open.left_deg > 170);
    // Eight frames from 200 to 480 degrees, and half a frame on either side.
    CHECK(open.right_deg - open.left_deg ==
          close_to(280 + 2 * half_angle_deg(1500, 1500)).margin(2.01 / open.pixels_per_degree));
}

TEST_CASE("a cylinder is cut at 80 degrees", "[canvas][automatic]") {
    std::vector<std::string> notes;
    const Scene scene = scene_of(pinhole(1500, 1000, 1000), {{0, 60, 0}}, Surface::cylinder);
    const Canvas c = make_canvas(scene, 1, &notes);
    CHECK(c.top_deg == 80);
    CHECK(c.bottom_deg < 35);
    CHECK(mentions(notes, "80 degrees"));
    CHECK_FALSE(c.wraps);
    // A frame within the limit is not cut and has no such note.
    notes.clear();
    const Canvas low = make_canvas(
        scene_of(pinhole(1500, 1000, 1000), {{0, 10, 0}}, Surface::cylinder), 1, &notes);
    CHECK(low.top_deg < 40);
    CHECK_FALSE(mentions(notes, "80 degrees"));
    // Straight up: the frame meets 80 degrees all the way round.
    const Canvas up =
        make_canvas(scene_of(pinhole(1500, 1000, 1000), {{0, 90, 0}}, Surface::cylinder), 1);
    CHECK(up.wraps);
    CHECK(up.top_deg == 80);
    // A long lens at the zenith sees nothing of the cylinder and says so.
    const Scene zenith = scene_of(pinhole(1500, 1000, 9000), {{0, 90, 0}}, Surface::cylinder);
    CHECK(refusal(zenith).find("cylinder") != std::string::npos);
    // Beside another frame it adds nothing.
    const Camera tele = pinhole(1500, 1000, 9000);
    const Canvas one = make_canvas(scene_of(tele, {{0, 10, 0}}, Surface::cylinder), 1);
    const Canvas two = make_canvas(scene_of(tele, {{0, 10, 0}, {0, 90, 0}}, Surface::cylinder), 1);
    CHECK(two.width == one.width);
    CHECK(two.height == one.height);
}

TEST_CASE("each absent key is derived singly", "[canvas][automatic]") {
    Scene scene = scene_of(pinhole(1500, 1000, 2000), {{-20, 0, 0}, {0, 5, 0}, {20, 0, 0}});
    const Canvas all = make_canvas(scene, 1);
    std::vector<std::string> notes;

    Scene left = scene;
    left.canvas.left_deg = -7.3;
    const Canvas a = make_canvas(left, 1, &notes);
    CHECK(a.left_deg == -7.3);
    CHECK(a.right_deg >= all.right_deg - 1.001 / a.pixels_per_degree);
    CHECK(a.right_deg <= all.right_deg + 1.001 / a.pixels_per_degree);
    CHECK(a.top_deg == all.top_deg);
    CHECK_FALSE(mentions(notes, "canvas.left_deg"));
    CHECK(mentions(notes, "canvas.right_deg"));
    const double pixels = (a.right_deg - a.left_deg) * a.pixels_per_degree;
    CHECK(pixels == close_to(std::round(pixels)).margin(1e-6));  // whole pixels from the given edge

    Scene right = scene;
    right.canvas.right_deg = 380;  // one turn on
    const Canvas b = make_canvas(right, 1);
    CHECK(b.right_deg == 380);
    CHECK(b.left_deg == close_to(all.left_deg + 360).margin(1.001 / b.pixels_per_degree));

    Scene top = scene;
    top.canvas.top_deg = 3.21;
    CHECK(make_canvas(top, 1).top_deg == 3.21);
    CHECK(make_canvas(top, 1).bottom_deg ==
          close_to(all.bottom_deg).margin(1.001 / all.pixels_per_degree));
    top.canvas.top_deg = -60;
    CHECK(refusal(top).find("canvas.top_deg") != std::string::npos);

    Scene coarse = scene;
    coarse.canvas.pixels_per_degree = 10;
    // From -20 to 20 degrees and 20.536 on either side: -405.4 to 405.4 px, outwards to 406.
    CHECK(make_canvas(coarse, 1).width == 812);

    scene.cameras["sharp"] = pinhole(1500, 1000, 3000);
    CHECK(make_canvas(scene, 1).pixels_per_degree ==
          all.pixels_per_degree);  // no used frame has it
    scene.frames[1].camera = "sharp";
    CHECK(make_canvas(scene, 1).pixels_per_degree == close_to(3000 * kRadPerDeg));
}

TEST_CASE("a lens that folds back inside the frame is bounded by its circle",
          "[canvas][automatic]") {
    Camera c = pinhole(4000, 4000, 1000);
    c.radial = {-0.3, 0, 0};  // shows r up to 1.0541, 46.51 degrees, in 703 px around the centre
    const Scene scene = scene_of(c, {{0, 0, 0}});
    const Canvas canvas = make_canvas(scene, 1);
    const double half = std::atan(std::sqrt(1 / 0.9)) * kDegPerRad;
    CHECK(canvas.right_deg == close_to(half).margin(1.01 / canvas.pixels_per_degree));
    CHECK(canvas.top_deg == close_to(half).margin(1.01 / canvas.pixels_per_degree));
    // Frame edges and circle together: the sides at 500 px cut the circle of 703 px.
    c.width = c.height = 1001;
    const Canvas both = make_canvas(scene_of(c, {{0, 0, 0}}), 1);
    const double edge = std::atan(Lens(c).undistort({1000.5, 500.5})->x) * kDegPerRad;
    CHECK(both.right_deg >= edge);
    CHECK(both.right_deg < half);
    CHECK(fit(scene_of(c, {{0, 0, 0}}), both).outside < 0.01);
}

TEST_CASE("turning points between the samples of an outline are found", "[canvas][coverage]") {
    // The principal point puts the extrema at odd places of the sides; a pitched top edge is
    // highest where a = 0, at pitch + atan b.
    Camera c = pinhole(1500, 1000, 1000);
    c.principal_point_px = Vec2{753.37, 500};
    const FrameCoverage high = frame_coverage(scene_of(c, {{25, 20, 0}}), 80);
    CHECK(high.top_deg == close_to(20 + half_angle_deg(1000, 1000)).margin(1e-9));
    // A lens with k1 > 0 shows most to the right where b = 0.
    c.principal_point_px = Vec2{750, 503.37};
    c.radial = {0.2, 0, 0};
    const FrameCoverage wide = frame_coverage(scene_of(c, {{0, 0, 0}}), 80);
    const double right = std::atan(Lens(c).undistort({1499.5, 503.37})->x) * kDegPerRad;
    CHECK(wide.right_deg == close_to(right).margin(1e-9));
    CHECK(wide.left_deg == close_to(-right).margin(1e-9));
}

TEST_CASE("a cylinder's longitudes end where the outline crosses its limit", "[canvas][coverage]") {
    const double sin_p = std::sin(60 * kRadPerDeg);
    const double cos_p = std::cos(60 * kRadPerDeg);
    const Scene narrow = scene_of(pinhole(200, 1000, 1000), {{0, 60, 0}}, Surface::cylinder);
    const double edge = 0.0995;
    double below = 0.4995;  // the right side passes 80 degrees somewhere between these b
    double above = -0.4995;
    for (int i = 0; i < 100; ++i) {
        const double b = (below + above) / 2;
        const double rise = sin_p - cos_p * b;
        const bool beyond = rise / std::hypot(edge, sin_p * b + cos_p) > std::tan(80 * kRadPerDeg);
        (beyond ? above : below) = b;
    }
    REQUIRE(above > -0.499);
    const double lon = std::atan2(edge, sin_p * above + cos_p) * kDegPerRad;
    const FrameCoverage seen = frame_coverage(narrow, 80);
    CHECK(seen.cut);
    CHECK(seen.top_deg == 80);
    CHECK(seen.right_deg == close_to(lon).margin(1e-9));
    CHECK(seen.left_deg == close_to(-lon).margin(1e-9));
}

TEST_CASE("a frame taller than the cylinder covers what lies between its sides",
          "[canvas][coverage]") {
    Scene scene =
        scene_of(pinhole(1001, 8001, 500), {{0, 0, 0}}, Surface::cylinder);  // +-45 degrees
    scene.cameras["wide"] = pinhole(3001, 1001, 1500 / std::tan(75 * kRadPerDeg));
    Frame behind = scene.frames[0];
    behind.camera = "wide";
    behind.yaw_deg = 180;
    scene.frames.push_back(behind);
    // Gaps from 45 to 105 degrees on either side; the 90 degrees between the sides are none.
    const FrameCoverage seen = frame_coverage(scene, 80);
    CHECK(seen.right_deg - seen.left_deg == close_to(300).margin(1e-6));
}

TEST_CASE("scenes that give no canvas are refused by name", "[canvas][automatic]") {
    Scene none = scene_of(pinhole(1500, 1000, 2000), {});
    CHECK(refusal(none).find("frames") != std::string::npos);
    Scene unaligned = scene_of(pinhole(1500, 1000, 2000), {{0, 0, 0}, {1, 0, 0}});
    unaligned.frames[1].pitch_deg.reset();
    CHECK(refusal(unaligned).find("frames[1]") != std::string::npos);
    unaligned.frames[1].use = false;
    CHECK_NOTHROW(make_canvas(unaligned, 1));
    Scene stray = scene_of(pinhole(1500, 1000, 2000), {{0, 0, 0}});
    stray.frames[0].camera = "other";
    CHECK(refusal(stray).find("frames[0].camera") != std::string::npos);
    Scene flat = scene_of(pinhole(1500, 1000, 0), {{0, 0, 0}});
    CHECK(refusal(flat).find("focal length") != std::string::npos);
}

TEST_CASE("arcs of longitude merge round the circle", "[canvas][coverage]") {
    CHECK(merged({}).empty());
    const auto one = merged({{10, 20}, {25, 10}, {350, 20}});
    REQUIRE(one.size() == 1);
    CHECK(one[0].start_deg == 350);
    CHECK(one[0].length_deg == close_to(45));
    const auto two = merged({{200, 10}, {10, 20}, {5, 2}});
    REQUIRE(two.size() == 3);
    const auto full = merged({{0, 120}, {120, 120}, {240, 120}});
    REQUIRE(full.size() == 1);
    CHECK(full[0].length_deg == 360);
    CHECK(merged({{0, 120}, {120, 120}, {240, 119.9}})[0].length_deg < 360);
    CHECK(merged({{100, 360}})[0].length_deg == 360);
    CHECK(merged({{300, 200}, {130, 40}})[0].length_deg == close_to(230));
}

TEST_CASE("arcs agree with a painted circle", "[canvas][coverage][property]") {
    std::mt19937 random(52);
    for (int i = 0; i < 500; ++i) {
        std::vector<LongitudeArc> arcs;
        std::array<bool, 360> painted{};
        const auto n = random() % 8 + 1;
        for (size_t k = 0; k < n; ++k) {
            const auto start = random() % 360;
            const auto length = random() % 90 + 1;
            arcs.push_back({static_cast<double>(start), static_cast<double>(length)});
            for (size_t d = 0; d < length; ++d) painted[(start + d) % 360] = true;
        }
        double total = 0;
        for (const LongitudeArc& arc : merged(arcs)) total += arc.length_deg;
        REQUIRE(total ==
                close_to(static_cast<double>(std::count(painted.begin(), painted.end(), true))));
    }
}
