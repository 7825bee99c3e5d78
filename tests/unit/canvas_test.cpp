#include "broadloom/canvas.hpp"

#include <catch2/catch.hpp>
#include <random>

#include "broadloom/error.hpp"
#include "support/close_to.hpp"
#include "support/proj_sphere.hpp"

using namespace broadloom;
using broadloom::testing::close_to;
using broadloom::testing::direction_of;
using broadloom::testing::ProjSphere;

namespace {

Scene scene_with(Surface surface, double left, double right, double top, double bottom, double s) {
    Scene scene;
    scene.canvas = {surface, left, right, top, bottom, s};
    return scene;
}

/// The message of the Error that make_canvas throws; fails when it throws none.
std::string refusal(const Scene& scene, double scale = 1, ErrorCode code = ErrorCode::input) {
    try {
        make_canvas(scene, scale);
    } catch (const Error& e) {
        CHECK(e.code() == code);
        CHECK(std::string(e.what()).find('\n') == std::string::npos);
        return e.what();
    }
    FAIL("no error");
    return {};
}

bool contains(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("a given canvas has rounded sizes", "[canvas]") {
    const Canvas c = make_canvas(scene_with(Surface::sphere, -60, 60, 20, -25, 265.3), 1);
    CHECK(c.width == 31836);
    CHECK(c.height == 11939);  // 45 * 265.3 = 11938.5
    CHECK(c.pixels_per_degree == 265.3);
    CHECK_FALSE(c.wraps);
    CHECK(c.left_deg == -60);
    CHECK(make_canvas(scene_with(Surface::sphere, 0, 10, 5, 0, 10.04), 1).width == 100);
    CHECK(make_canvas(scene_with(Surface::sphere, 0, 10, 5, 0, 10.06), 1).width == 101);
    // Cylinder: (tan 45 - tan -45) s 180/pi = 2 * 100 * 57.29578 = 11459.16.
    const Canvas d = make_canvas(scene_with(Surface::cylinder, -10, 10, 45, -45, 100), 1);
    CHECK(d.width == 2000);
    CHECK(d.height == 11459);
}

TEST_CASE("a canvas of 360 degrees is a multiple of 512 wide", "[canvas]") {
    const Canvas c = make_canvas(scene_with(Surface::sphere, -180, 180, 90, -90, 10), 1);
    CHECK(c.width == 3584);  // 3600 / 512 = 7.03
    CHECK(c.pixels_per_degree == 3584 / 360.0);
    CHECK(c.height == 1792);
    CHECK(c.wraps);
    const Canvas tiny = make_canvas(scene_with(Surface::sphere, 100, 460, 90, -90, 0.1), 1);
    CHECK(tiny.width == 512);
    CHECK(tiny.height == 256);
    const Canvas up = make_canvas(scene_with(Surface::cylinder, -180, 180, 45, -45, 10.7), 1);
    CHECK(up.width == 4096);   // 3852 / 512 = 7.52
    CHECK(up.height == 1304);  // 4096 / pi = 1303.8
    CHECK_FALSE(make_canvas(scene_with(Surface::sphere, -180, 179.9, 90, -90, 10), 1).wraps);
}

TEST_CASE("--scale rounds each side up", "[canvas]") {
    const Scene scene = scene_with(Surface::sphere, 0, 101, 33, 0, 1);
    const Canvas half = make_canvas(scene, 0.5);
    CHECK(half.width == 51);
    CHECK(half.height == 17);
    CHECK(half.pixels_per_degree == 0.5);
    CHECK(make_canvas(scene, 2).width == 202);
    // 0.07 * 100 is 7.000000000000001 in binary, and 7 for whoever typed it.
    CHECK(make_canvas(scene_with(Surface::sphere, 0, 100, 33, 0, 1), 0.07).width == 7);
    CHECK(make_canvas(scene, 1e-6).width == 1);

    const Scene round = scene_with(Surface::sphere, -180, 180, 45, -45, 20);  // 7168 wide
    CHECK(make_canvas(round, 1).width == 7168);
    const Canvas c = make_canvas(round, 0.5);
    CHECK(c.width == 3584);
    CHECK(c.height == 896);
    CHECK(c.pixels_per_degree == 3584 / 360.0);
    const Canvas third = make_canvas(round, 0.3);  // 2150.4 -> 2048
    CHECK(third.width == 2048);
    CHECK(third.height == 512);
    CHECK(third.pixels_per_degree == 2048 / 360.0);
    CHECK(make_canvas(round, 0.001).width == 512);
    for (const double bad : {0.0, -1.0, std::nan(""), HUGE_VAL}) {
        CHECK(contains(refusal(scene, bad, ErrorCode::usage), "--scale"));
    }
}

TEST_CASE("sides go up to 2^31 - 1 pixels and not beyond", "[canvas]") {
    const double largest = 2147483647;
    const Canvas c = make_canvas(scene_with(Surface::sphere, 0, 1, 1e-6, 0, largest), 1);
    CHECK(c.width == 2147483647);
    CHECK(c.height == 2147);
    const auto p = c.position(c.direction(largest - 0.5, 1000.5));
    REQUIRE(p);
    CHECK(p->x == close_to(largest - 0.5).margin(1e-4));
    CHECK(p->y == close_to(1000.5).margin(1e-4));

    const std::string message = refusal(scene_with(Surface::sphere, 0, 1, 1e-6, 0, largest + 1));
    CHECK(contains(message, "2147483648 x 2147"));
    CHECK(contains(message, "canvas.pixels_per_degree"));
    CHECK(contains(refusal(scene_with(Surface::sphere, 0, 1e-6, 1, 0, largest + 1)), "2147483648"));
    CHECK_NOTHROW(make_canvas(scene_with(Surface::sphere, 0, 1, 1e-6, 0, largest + 1), 0.5));
    CHECK(contains(refusal(scene_with(Surface::sphere, 0, 1, 1, 0, 1e300)), "at most"));
    CHECK(contains(refusal(scene_with(Surface::sphere, 0, 1, 1, 0, 1e308), 1e10), "at most"));

    // The largest width that wraps is 2^31 - 512.
    const Canvas w =
        make_canvas(scene_with(Surface::sphere, -180, 180, 1, 0, 2147483136 / 360.0), 1);
    CHECK(w.width == 2147483136);
    refusal(scene_with(Surface::sphere, -180, 180, 1, 0, 2147483647 / 360.0));
}

TEST_CASE("bad canvases are refused by the name of the key", "[canvas]") {
    const auto sphere = [](double l, double r, double t, double b, double s) {
        return scene_with(Surface::sphere, l, r, t, b, s);
    };
    CHECK_NOTHROW(make_canvas(sphere(-10, 10, 5, -5, 10), 1));
    const double nan = std::nan("");
    CHECK(contains(refusal(sphere(nan, 10, 5, -5, 10)), "canvas.left_deg"));
    CHECK(contains(refusal(sphere(-10, HUGE_VAL, 5, -5, 10)), "canvas.right_deg"));
    CHECK(contains(refusal(sphere(-10, 10, nan, -5, 10)), "canvas.top_deg"));
    CHECK(contains(refusal(sphere(-10, 10, 5, nan, 10)), "canvas.bottom_deg"));
    CHECK(contains(refusal(sphere(-10, 10, 5, -5, 0)), "canvas.pixels_per_degree"));
    CHECK(contains(refusal(sphere(-10, 10, 5, -5, nan)), "canvas.pixels_per_degree"));
    CHECK(contains(refusal(sphere(10, -10, 5, -5, 10)), "canvas.right_deg"));
    CHECK(contains(refusal(sphere(10, 10, 5, -5, 10)), "canvas.right_deg"));
    CHECK(contains(refusal(sphere(-10, 351, 5, -5, 10)), "at most 360"));
    CHECK(contains(refusal(sphere(-10, 10, -5, 5, 10)), "canvas.top_deg"));
    CHECK(contains(refusal(sphere(-10, 10, 91, 5, 10)), "canvas.top_deg"));
    CHECK(contains(refusal(sphere(-10, 10, 5, -90.5, 10)), "canvas.bottom_deg"));
    CHECK(contains(refusal(sphere(0, 0.001, 5, -5, 10)), "nothing to render"));
    CHECK(contains(refusal(scene_with(Surface::cylinder, -10, 10, 80.1, 0, 10)), "canvas.top_deg"));
    CHECK_NOTHROW(make_canvas(scene_with(Surface::cylinder, -10, 10, 80, -80, 10), 1));
    CHECK_NOTHROW(make_canvas(sphere(-10, 350, 90, -90, 10), 1));
}

TEST_CASE("position undoes direction on both surfaces", "[canvas][property]") {
    std::mt19937 random(41);
    std::uniform_real_distribution<double> unit(0, 1);
    for (const Surface surface : {Surface::sphere, Surface::cylinder}) {
        for (const auto& [left, right] :
             {std::pair{-60.0, 60.0}, std::pair{-180.0, 180.0}, std::pair{150.0, 215.0},
              std::pair{100.0, 460.0}, std::pair{-185.0, -175.0}}) {
            const Canvas c = make_canvas(scene_with(surface, left, right, 70, -75, 137.25), 1);
            double worst = 0;
            for (int i = 0; i < 4000; ++i) {
                const double x = unit(random) * static_cast<double>(c.width - 1) + 0.5;
                const double y = unit(random) * static_cast<double>(c.height - 1) + 0.5;
                const auto p = c.position(c.direction(x, y));
                REQUIRE(p);
                worst = std::max({worst, std::abs(p->x - x), std::abs(p->y - y)});
            }
            // Angles of 1e-16 relative on 50,000 pixels.
            CHECK(worst < 1e-7);
            // Negative control: moved by a thousandth of a pixel it is not the same.
            CHECK(std::abs(c.position(c.direction(10.501, 10.5))->x - 10.5) > 1e-4);
        }
    }
}

TEST_CASE("the edge at 180 degrees belongs to both sides of a canvas that wraps", "[canvas]") {
    for (const Surface surface : {Surface::sphere, Surface::cylinder}) {
        const Canvas c = make_canvas(scene_with(surface, -180, 180, 40, -40, 100), 1);
        const auto width = static_cast<double>(c.width);
        CHECK(c.position({-1e-9, 0, -1})->x == close_to(0).margin(1e-4));
        CHECK(c.position({1e-9, 0, -1})->x == close_to(width).margin(1e-4));
        CHECK(c.position({0, 0, -1})->x < width);
        CHECK(c.position({-0.0, 0, -1})->x < width);
        // A canvas from 0: the tiniest step to the left of its edge stays below the width.
        const Canvas z = make_canvas(scene_with(surface, 0, 360, 40, -40, 100), 1);
        CHECK(z.position({-1e-300, 0, 1})->x < width);
        CHECK(z.position({-1e-18, 0, 1})->x < width);
        CHECK(z.position({0, 0, 1})->x == 0);
        CHECK(norm(c.direction(0, 100) - c.direction(width, 100)) < 1e-13);
    }
    // right_deg above 180: longitude -170 lies 40 degrees into a canvas from 150.
    const Canvas over = make_canvas(scene_with(Surface::sphere, 150, 210, 40, -40, 100), 1);
    CHECK(over.position(direction_of(-170, 0))->x == close_to(4000));
    CHECK(over.position(direction_of(190, 0))->x == close_to(4000));
    CHECK(over.position(direction_of(149, 0))->x == close_to(35900));  // outside, yet in [0, 360 s)
}

TEST_CASE("the middle of the picture looks where its angles say", "[canvas]") {
    const Canvas c = make_canvas(scene_with(Surface::sphere, -60, 60, 20, -25, 100), 1);
    CHECK(norm(c.direction(6000, 2000) - Vec3{0, 0, 1}) < 1e-14);
    CHECK(c.direction(7000, 2000).x > 0);  // to the right
    CHECK(c.direction(6000, 1000).y < 0);  // up
    CHECK(norm(c.direction(9000, 1500)) == close_to(1).margin(1e-15));
    const Canvas d = make_canvas(scene_with(Surface::cylinder, -60, 60, 45, -45, 100), 1);
    const Vec3 v = d.direction(9000, 0);
    CHECK(std::hypot(v.x, v.z) == close_to(1).margin(1e-15));
    CHECK(v.y == close_to(-1).margin(1e-15));
}

TEST_CASE("the poles and the axis", "[canvas]") {
    const Canvas sphere = make_canvas(scene_with(Surface::sphere, -180, 180, 90, -90, 10), 1);
    REQUIRE(sphere.position({0, -1, 0}));
    CHECK(sphere.position({0, -1, 0})->y == close_to(0).margin(1e-12));
    CHECK(sphere.position({0, 1, 0})->y == close_to(static_cast<double>(sphere.height)));
    CHECK_FALSE(sphere.position({0, 0, 0}));
    // A microradian from the pole keeps its digits.
    CHECK(sphere.position({0, -1, 1e-6})->y ==
          close_to(1e-6 * kDegPerRad * sphere.pixels_per_degree).epsilon(1e-9));
    const Canvas cylinder = make_canvas(scene_with(Surface::cylinder, -180, 180, 80, -80, 10), 1);
    CHECK_FALSE(cylinder.position({0, -1, 0}));
    CHECK_FALSE(cylinder.position({0, 1, 0}));
    REQUIRE(cylinder.position({0, -1, 0.001}));  // above the canvas, but somewhere
    CHECK(cylinder.position({0, -1, 0.001})->y < 0);
}

TEST_CASE("equirectangular value of Snyder and PROJ", "[canvas][snyder]") {
    // PROJ eqc, R = 6400000 (re-run with 9.1.1): (2, 1) -> 223402.144255274, 111701.072127637.
    const double s = 6400000 * kRadPerDeg;  // pixels of one metre
    const Canvas c = make_canvas(scene_with(Surface::sphere, 0, 10, 10, 0, s), 1);
    const auto p = c.position(direction_of(2, 1));
    REQUIRE(p);
    CHECK(p->x == close_to(223402.144255274).margin(1e-7));
    CHECK(10 * s - p->y == close_to(111701.072127637).margin(1e-7));
}

TEST_CASE("both surfaces agree with PROJ at random points", "[canvas][proj]") {
    const ProjSphere eqc("+proj=eqc +R=1 +lon_0=15");
    const ProjSphere cc("+proj=cc +R=1 +lon_0=15");
    const double s = 50;
    const double radius = s * kDegPerRad;  // pixels to PROJ's unit
    const auto canvas = [&](Surface surface) {
        Canvas c;
        c.surface = surface;
        c.left_deg = 15 - 180;
        c.top_deg = 60;
        c.pixels_per_degree = s;
        return c;
    };
    const Canvas sphere = canvas(Surface::sphere);
    const Canvas cylinder = canvas(Surface::cylinder);
    std::mt19937 random(42);
    std::uniform_real_distribution<double> lon(-164.9, 194.9);
    std::uniform_real_distribution<double> lat(-79, 79);
    double apart = 0;
    for (int i = 0; i < 3000; ++i) {
        const double l = lon(random);
        const double f = lat(random);
        const Vec3 d = 3.7 * direction_of(l, f);
        const Vec2 a = *sphere.position(d);
        const Vec2 b = *cylinder.position(d);
        const Vec2 pa = *eqc.forward(l, f);
        const Vec2 pb = *cc.forward(l, f);
        REQUIRE((a.x - 180 * s) / radius == close_to(pa.x).margin(1e-12));
        REQUIRE((60 * s - a.y) / radius == close_to(pa.y).margin(1e-12));
        REQUIRE((b.x - 180 * s) / radius == close_to(pb.x).margin(1e-12));
        // tan 79 is 5: one more digit goes.
        REQUIRE(std::tan(60 * kRadPerDeg) - b.y / radius == close_to(pb.y).margin(2e-12));
        apart = std::max(apart, std::abs(pa.y - pb.y));
    }
    CHECK(apart > 0.5);  // the two surfaces do differ
}
