#include "broadloom/rotation.hpp"

#include <catch2/catch.hpp>
#include <cstdio>
#include <random>

#include "support/close_to.hpp"
#include "support/proj_sphere.hpp"

using namespace broadloom;
using broadloom::testing::close_to;
using broadloom::testing::direction_of;
using broadloom::testing::ProjSphere;

namespace {

Rotation turned(double yaw, double pitch, double roll) {
    return Rotation::from_yaw_pitch_roll_deg(yaw, pitch, roll);
}

/// The largest deviation of R R^T from the identity.
double orthonormality_error(const Rotation& r) {
    double worst = 0;
    for (size_t i = 0; i < 3; ++i) {
        for (size_t j = 0; j < 3; ++j) {
            double sum = 0;
            for (size_t k = 0; k < 3; ++k) sum += r.m[i][k] * r.m[j][k];
            worst = std::max(worst, std::abs(sum - (i == j ? 1.0 : 0.0)));
        }
    }
    return worst;
}

double determinant(const Rotation& r) {
    return dot({r.m[0][0], r.m[0][1], r.m[0][2]},
               cross({r.m[1][0], r.m[1][1], r.m[1][2]}, {r.m[2][0], r.m[2][1], r.m[2][2]}));
}

void check_same(Vec3 a, Vec3 b, double tolerance) {
    CHECK(a.x == close_to(b.x).margin(tolerance));
    CHECK(a.y == close_to(b.y).margin(tolerance));
    CHECK(a.z == close_to(b.z).margin(tolerance));
}

}  // namespace

TEST_CASE("without angles the camera looks along Z and nothing turns", "[rotation]") {
    check_same(turned(0, 0, 0).to_world({0.2, -0.3, 1}), {0.2, -0.3, 1}, 0);
}

TEST_CASE("yaw turns right, pitch up, roll lowers the right edge", "[rotation]") {
    CHECK(turned(30, 0, 0).axis().x > 0.49);  // right
    CHECK(turned(-30, 0, 0).axis().x < -0.49);
    CHECK(turned(0, 30, 0).axis().y < -0.49);  // up: Y points down
    CHECK(turned(0, -30, 0).axis().y > 0.49);
    // The camera's own right edge points downwards in the world when it rolls clockwise.
    CHECK(turned(0, 0, 30).to_world({1, 0, 0}).y > 0.49);
    CHECK(turned(0, 0, -30).to_world({1, 0, 0}).y < -0.49);
    check_same(turned(90, 0, 0).axis(), {1, 0, 0}, 1e-15);
    check_same(turned(0, 90, 0).axis(), {0, -1, 0}, 1e-15);
}

TEST_CASE("roll is applied first, then pitch, then yaw", "[rotation]") {
    const Vec3 d{0.3, -0.2, 1};
    const Rotation all = turned(40, 25, -15);
    const Vec3 step_by_step =
        turned(40, 0, 0).to_world(turned(0, 25, 0).to_world(turned(0, 0, -15).to_world(d)));
    check_same(all.to_world(d), step_by_step, 1e-15);
    // Negative control: in another order the result is elsewhere.
    const Vec3 other =
        turned(0, 25, 0).to_world(turned(40, 0, 0).to_world(turned(0, 0, -15).to_world(d)));
    CHECK(norm(other - step_by_step) > 0.05);
}

TEST_CASE("the matrix is the product of the three elementary turns, written out", "[rotation]") {
    // yaw 90: Z -> X; pitch 90 before it: Z -> -Y; roll 90 before both: X -> Y.
    const Rotation r = turned(90, 90, 90);
    check_same(r.to_world({0, 0, 1}), {0, -1, 0}, 1e-15);
    check_same(r.to_world({1, 0, 0}), {1, 0, 0}, 1e-15);  // X -roll-> Y -pitch-> Z -yaw-> X
    check_same(r.to_world({0, 1, 0}), {0, 0, 1}, 1e-15);  // Y -> -X -> -X -> Z
}

TEST_CASE("rotations are orthonormal, right-handed, and undone by to_camera",
          "[rotation][property]") {
    std::mt19937 random(11);
    std::uniform_real_distribution<double> angle(-720, 720);
    std::uniform_real_distribution<double> coordinate(-1, 1);
    for (int i = 0; i < 2000; ++i) {
        const Rotation r = turned(angle(random), angle(random), angle(random));
        REQUIRE(orthonormality_error(r) < 1e-15);  // a few roundings of 1.1e-16
        REQUIRE(determinant(r) == close_to(1).margin(1e-15));
        const Vec3 d{coordinate(random), coordinate(random), coordinate(random)};
        REQUIRE(norm(r.to_camera(r.to_world(d)) - d) < 2e-15);
    }
    Rotation broken = turned(10, 20, 30);
    broken.m[1][2] += 1e-9;
    CHECK(orthonormality_error(broken) > 1e-10);  // negative control
}

TEST_CASE("whole turns of yaw give the same bits", "[rotation]") {
    CHECK(turned(720.25, 3, 0).m == turned(0.25, 3, 0).m);
    CHECK(turned(720.25, 3, 0).m != turned(0.250001, 3, 0).m);
}

TEST_CASE("a turned pinhole camera is Snyder's gnomonic projection", "[rotation][snyder]") {
    // Snyder, Map Projections: A Working Manual, USGS PP 1395, Appendix A, gnomonic, R = 1,
    // centre (-100, 40): (-110, 30) -> -0.1542826, -0.1694739; 7 digits are printed.
    const Vec3 d = turned(-100, 40, 0).to_camera(direction_of(-110, 30));
    CHECK(d.x / d.z == close_to(-0.1542826).margin(6e-8));
    CHECK(-d.y / d.z == close_to(-0.1694739).margin(6e-8));
    // Negative control: with the signs of pan and tilt turned round it is not.
    const Vec3 wrong = turned(100, -40, 0).to_camera(direction_of(-110, 30));
    CHECK(std::abs(wrong.x / wrong.z + 0.1542826) > 0.01);
}

TEST_CASE("pan and tilt agree with PROJ's gnomonic projection at random points",
          "[rotation][proj]") {
    std::mt19937 random(12);
    std::uniform_real_distribution<double> lon(-180, 180);
    std::uniform_real_distribution<double> lat(-85, 85);
    std::uniform_real_distribution<double> off(-0.9, 0.9);
    int compared = 0;
    for (int i = 0; i < 400; ++i) {
        const double yaw = lon(random);
        const double pitch = lat(random);
        // Our own digits: to_string's six would move the centre by 2e-8 radians.
        char definition[160];
        std::snprintf(definition, sizeof definition, "+proj=gnom +R=1 +lon_0=%.17g +lat_0=%.17g",
                      yaw, pitch);
        const ProjSphere gnomonic(definition);
        const double roll = lon(random);
        const Rotation r = turned(yaw, pitch, roll);
        const Vec3 d = r.to_world({off(random), off(random), 1});
        const double point_lon = std::atan2(d.x, d.z) * kDegPerRad;
        const double point_lat = std::atan2(-d.y, std::hypot(d.x, d.z)) * kDegPerRad;
        const auto expected = gnomonic.forward(point_lon, point_lat);
        REQUIRE(expected);
        const Vec3 level = turned(yaw, pitch, 0).to_camera(d);
        CHECK(level.x / level.z == close_to(expected->x).margin(1e-12));
        CHECK(-level.y / level.z == close_to(expected->y).margin(1e-12));
        ++compared;
    }
    CHECK(compared == 400);
}

TEST_CASE("the angle between directions keeps its digits when small", "[rotation]") {
    CHECK(angle_between({0, 0, 3}, {0, 2, 0}) == close_to(kPi / 2));
    CHECK(angle_between({0, 0, 1}, {1e-9, 0, 1}) == close_to(1e-9).epsilon(1e-12));
}
