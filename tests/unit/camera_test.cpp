#include "broadloom/camera.hpp"

#include <catch2/catch.hpp>
#include <limits>
#include <opencv2/calib3d.hpp>
#include <random>
#include <vector>

#include "support/close_to.hpp"

using namespace broadloom;
using broadloom::testing::close_to;

namespace {

Camera plain(int64_t width, int64_t height, double focal_px) {
    Camera c;
    c.width = width;
    c.height = height;
    c.focal_px = focal_px;
    return c;
}

/// d(r (1 + k1 r^2 + k2 r^4 + k3 r^6)) / dr.
double rise(const Camera& c, double r) {
    const double t = r * r;
    return 1 + 3 * c.radial[0] * t + 5 * c.radial[1] * t * t + 7 * c.radial[2] * t * t * t;
}

/// OpenCV's projectPoints for one direction, in our pixel convention (its centres are at whole
/// numbers, ours at halves).
Vec2 opencv_project(const Camera& c, Vec3 d) {
    const Vec2 centre = c.principal_point();
    const cv::Matx33d k(c.focal_px, 0, centre.x - 0.5, 0, c.focal_px, centre.y - 0.5, 0, 0, 1);
    const std::vector<double> lens{c.radial[0], c.radial[1], c.tangential[0], c.tangential[1],
                                   c.radial[2]};
    const std::vector<cv::Point3d> points{{d.x, d.y, d.z}};
    std::vector<cv::Point2d> out;
    cv::projectPoints(points, cv::Vec3d(0, 0, 0), cv::Vec3d(0, 0, 0), k, lens, out);
    return {out[0].x + 0.5, out[0].y + 0.5};
}

/// How often directions beyond the fold come out as seen, over a fan around the axis.
int seen_beyond_fold(const Lens& lens, bool with_view_test) {
    int seen = 0;
    const Camera& c = lens.camera();
    for (int i = 1; i <= 400; ++i) {
        const double r = lens.fold_radius() * (1 + 0.01 * i);
        for (int j = 0; j < 60; ++j) {
            const double turn = 2 * kPi * j / 60;
            const Vec3 d{r * std::cos(turn), r * std::sin(turn), 1};
            if (with_view_test) {
                seen += lens.in_view(d) ? 1 : 0;
            } else {
                const Vec2 p = lens.distort({d.x, d.y});
                seen += p.x >= 0.5 && p.x <= static_cast<double>(c.width) - 0.5 && p.y >= 0.5 &&
                                p.y <= static_cast<double>(c.height) - 0.5
                            ? 1
                            : 0;
            }
        }
    }
    return seen;
}

}  // namespace

TEST_CASE("field of view of the pinhole", "[camera]") {
    // FOV = 2 atan(d / 2f), 36 mm wide; computed table of the trade's standard focal lengths.
    const std::pair<double, double> table[] = {{14, 104.250033}, {24, 73.739795}, {28, 65.470453},
                                               {35, 54.432223},  {50, 39.597753}, {85, 23.913168},
                                               {135, 15.189287}, {200, 10.285529}};
    for (const auto& [mm, degrees] : table) {
        const Lens lens(plain(7200, 4800, mm * 200));  // 200 px to the millimetre
        const auto left = lens.undistort({0, 2400});
        const auto right = lens.undistort({7200, 2400});
        REQUIRE((left && right));
        const double fov = angle_between({left->x, left->y, 1}, {right->x, right->y, 1});
        CHECK(fov * kDegPerRad == close_to(degrees).margin(5.1e-7));  // 6 decimals are given
    }
    // 400 mm on 36x24: 5.153 x 3.437 degrees.
    const Lens lens(plain(7200, 4800, 80000));
    CHECK(2 * std::atan(-lens.undistort({0, 2400})->x) * kDegPerRad ==
          close_to(5.153).margin(5e-4));
    CHECK(2 * std::atan(-lens.undistort({3600, 0})->y) * kDegPerRad ==
          close_to(3.437).margin(5e-4));
}

TEST_CASE("projection agrees with OpenCV's published results", "[camera][opencv]") {
    // OpenCV 4.6.0 projectPoints; fx = fy = 1000, cx = 750, cy = 500; 0.5 added for our convention.
    Camera c = plain(1500, 1000, 1000);
    c.principal_point_px = Vec2{750.5, 500.5};
    c.radial = {-0.1, 0.01, 0.002};
    c.tangential = {0.001, -0.0005};
    const Lens lens(c);
    const std::pair<Vec3, Vec2> table[] = {{{0.3, 0.2, 1}, {1046.117018, 697.584679}},
                                           {{-0.5, 0.3, 1}, {265.662696, 790.840382}},
                                           {{0.7, -0.45, 1}, {1403.880574, 80.118113}},
                                           {{0, 0.4, 1}, {749.92, 894.185677}}};
    for (const auto& [d, pixel] : table) {
        const auto p = lens.project(d);
        REQUIRE(p);
        CHECK(p->x == close_to(pixel.x + 0.5).margin(5.1e-7));
        CHECK(p->y == close_to(pixel.y + 0.5).margin(5.1e-7));
    }
    // Negative control: with p1 and p2 exchanged the third value is off by more than 0.1 px.
    std::swap(c.tangential[0], c.tangential[1]);
    CHECK(std::abs(Lens(c).project({0.7, -0.45, 1})->x - 1404.380574) > 0.1);
}

TEST_CASE("projection agrees with OpenCV for random lenses", "[camera][opencv]") {
    std::mt19937 random(31);
    std::uniform_real_distribution<double> unit(-1, 1);
    for (int i = 0; i < 300; ++i) {
        Camera c = plain(5472, 3648, 4000 + 2000 * unit(random));
        c.principal_point_px = Vec2{2736 + 40 * unit(random), 1824 + 40 * unit(random)};
        c.radial = {0.3 * unit(random), 0.1 * unit(random), 0.03 * unit(random)};
        c.tangential = {0.003 * unit(random), 0.003 * unit(random)};
        const Lens lens(c);
        for (int j = 0; j < 30; ++j) {
            const Vec3 d{0.6 * unit(random), 0.6 * unit(random), 1};
            const double z = 2 + unit(random);  // the length of the direction does not matter
            const Vec2 expected = opencv_project(c, d);
            const Vec2 distorted = lens.distort({d.x, d.y});
            CHECK(distorted.x == close_to(expected.x).margin(1e-9));
            CHECK(distorted.y == close_to(expected.y).margin(1e-9));
            const auto projected = lens.project(z * d);
            REQUIRE(projected.has_value() == (std::hypot(d.x, d.y) < lens.fold_radius()));
            if (projected) CHECK(projected->x == close_to(expected.x).margin(1e-9));
        }
    }
}

TEST_CASE("undistort finds back every direction inside the fold", "[camera][property]") {
    std::mt19937 random(32);
    std::uniform_real_distribution<double> unit(-1, 1);
    int tried = 0;
    for (int i = 0; i < 600; ++i) {
        Camera c = plain(6000, 4000, 5000);
        c.radial[0] = i % 3 == 0 ? 0.3 : (i % 3 == 1 ? -0.3 : 0.5 * unit(random));
        if (i % 2 == 0) {
            c.radial[1] = 0.2 * unit(random);
            c.radial[2] = 0.1 * unit(random);
            c.tangential = {0.002 * unit(random), 0.002 * unit(random)};
        }
        const Lens lens(c);
        const double limit = std::min(lens.fold_radius(), 2.0);
        for (int j = 0; j < 50; ++j) {
            const double r = 0.97 * limit * std::abs(unit(random));
            const double turn = kPi * unit(random);
            const Vec2 ab{r * std::cos(turn), r * std::sin(turn)};
            const auto back = lens.undistort(lens.distort(ab));
            REQUIRE(back);
            // The lens rises by `rise` there: a residual of 1e-12 is magnified by its inverse.
            const double slack = 4e-12 / std::min(1.0, rise(c, r));
            REQUIRE(std::hypot(back->x - ab.x, back->y - ab.y) < slack);
            const Vec2 again = lens.distort(*back);
            const Vec2 pixel = lens.distort(ab);
            REQUIRE(std::hypot(again.x - pixel.x, again.y - pixel.y) < 5000 * 2e-12 * (1 + r));
            ++tried;
        }
    }
    CHECK(tried == 30000);
}

TEST_CASE("undistort is exact where five fixed-point iterations are not", "[camera]") {
    // OpenCV 4.6.0's undistort with 5 iterations is off by 1.6e-6 at the corner of this lens.
    Camera c = plain(1500, 1000, 1000);
    c.radial = {-0.1, 0.01, 0.002};
    c.tangential = {0.001, -0.0005};
    const Lens lens(c);
    const auto corner = lens.undistort({1500, 1000});
    REQUIRE(corner);
    const Vec2 again = lens.distort(*corner);
    CHECK(std::hypot(again.x - 1500, again.y - 1000) < 1e-9);
    // Negative control: a miss of 1.6e-6 would show.
    const Vec2 missed = lens.distort({corner->x + 1.6e-6, corner->y});
    CHECK(std::hypot(missed.x - 1500, missed.y - 1000) > 1e-3);
}

TEST_CASE("undistort knows what the lens cannot show", "[camera]") {
    Camera c = plain(4000, 3000, 1000);
    c.radial = {-0.3, 0, 0};
    const Lens lens(c);
    // r (1 - 0.3 r^2) has its largest value 2/3 r_fold = 0.7027 at the fold.
    const double r = std::sqrt(1 / 0.9);
    CHECK(lens.fold_radius() == close_to(r).epsilon(1e-14));
    const double reach = 1000 * r * 2 / 3;
    const auto inside = lens.undistort({2000 + reach * (1 - 1e-6), 1500});
    REQUIRE(inside);
    CHECK(inside->x < lens.fold_radius());
    CHECK(inside->x > 0.99 * lens.fold_radius());
    CHECK_FALSE(lens.undistort({2000 + reach * (1 + 1e-6), 1500}));
    CHECK_FALSE(lens.undistort({2000, 1500 - reach * 1.2}));
    CHECK_FALSE(lens.undistort({std::numeric_limits<double>::quiet_NaN(), 0}));
    REQUIRE(lens.undistort({2000, 1500}));
    CHECK(lens.undistort({2000, 1500})->x == 0);
}

TEST_CASE("the fold radius is the first zero of the radial derivative", "[camera]") {
    Camera c = plain(1000, 1000, 1000);
    CHECK(std::isinf(Lens(c).fold_radius()));
    c.radial = {0.3, 0.1, 0};
    CHECK(std::isinf(Lens(c).fold_radius()));
    // Factors (1 - t)(1 - t/4)(1 - t/9): zeros of the derivative at r = 1, 2, 3.
    c.radial = {-(1 + 1 / 4.0 + 1 / 9.0) / 3, (1 / 4.0 + 1 / 9.0 + 1 / 36.0) / 5, -(1 / 36.0) / 7};
    CHECK(Lens(c).fold_radius() == close_to(1).epsilon(1e-12));
    // (1 + t)(1 - t/4)(1 - t/4.0001): nearly a double zero at r = 2, no other.
    const double u = -1 / 4.0;
    const double v = -1 / 4.0001;
    c.radial = {(1 + u + v) / 3, (u + v + u * v) / 5, u * v / 7};
    CHECK(Lens(c).fold_radius() == close_to(2).epsilon(1e-6));
    // (1 + t/100)((t - 4)^2 + 0.001) / 16.001: comes near zero and never reaches it.
    const double q = 16.001;
    c.radial = {(-8 / q + 1 / 100.0) / 3, (1 / q - 8 / (100 * q)) / 5, 1 / (100 * q) / 7};
    CHECK(std::isinf(Lens(c).fold_radius()));
    // A k3 of noise beside a real k1 does not hide the fold.
    c.radial = {-0.1, 0, 1e-300};
    CHECK(Lens(c).fold_radius() == close_to(std::sqrt(1 / 0.3)).epsilon(1e-12));
    // Only far away: t = (1 / (7e-9))^(1/3).
    c.radial = {0, 0, -1e-9};
    CHECK(Lens(c).fold_radius() == close_to(std::pow(1 / 7e-9, 1 / 6.0)).epsilon(1e-12));
}

TEST_CASE("the derivative is positive below the fold for random lenses", "[camera][property]") {
    std::mt19937 random(33);
    std::uniform_real_distribution<double> unit(-1, 1);
    int folding = 0;
    for (int i = 0; i < 3000; ++i) {
        Camera c = plain(1000, 1000, 1000);
        c.radial = {unit(random), unit(random), unit(random)};
        const double fold = Lens(c).fold_radius();
        const double limit = std::isinf(fold) ? 20.0 : fold;
        for (int j = 0; j < 500; ++j) {
            REQUIRE(rise(c, limit * j / 500) > 0);
        }
        if (std::isfinite(fold)) {
            ++folding;
            REQUIRE(std::abs(rise(c, fold)) < 1e-9 * (1 + std::pow(fold, 6)));
            REQUIRE(rise(c, fold * (1 + 1e-5)) < 1e-4 * (1 + std::pow(fold, 6)));
        }
    }
    CHECK(folding > 500);
    CHECK(folding < 3000);
}

TEST_CASE("nothing beyond the fold is in view", "[camera][property]") {
    Camera c = plain(1600, 1200, 1000);
    c.radial = {-0.3, 0, 0};
    c.tangential = {0.001, -0.001};
    const Lens lens(c);
    CHECK(seen_beyond_fold(lens, true) == 0);
    // Negative control: the polynomial alone would show the frame a second time, mirrored.
    CHECK(seen_beyond_fold(lens, false) > 500);
    // r = 1.8257 maps to 0 again: dead centre of the ghost.
    CHECK_FALSE(lens.in_view({std::sqrt(1 / 0.3), 0, 1}));
    CHECK(lens.in_view({0, 0, 1}));
}

TEST_CASE("the tangential part shows no ghost far off the axis", "[camera]") {
    Camera c = plain(1600, 1200, 1000);
    c.tangential = {0, -0.0005};
    const Lens lens(c);
    // a' = a (1 + 3 p2 a) is 0 again at a = 1 / 0.0015.
    const Vec3 ghost{1 / 0.0015, 0, 1};
    CHECK(std::abs(lens.distort({ghost.x, 0}).x - 800) < 1e-6);
    CHECK_FALSE(lens.in_view(ghost));
    CHECK(lens.in_view({0.5, 0.2, 1}));
}

TEST_CASE("what lies behind or beside the camera is not in view", "[camera]") {
    const Lens lens(plain(1600, 1200, 1000));
    CHECK(lens.in_view({0, 0, 1}));
    CHECK_FALSE(lens.in_view({0, 0, -1}));
    CHECK_FALSE(lens.in_view({0, 0, 0}));
    CHECK_FALSE(lens.in_view({1, 0, 0}));
    CHECK_FALSE(lens.project({0.1, 0, -1}));
    CHECK(lens.project({3, 0, 1}));  // off the frame, yet projected
    CHECK_FALSE(lens.in_view({3, 0, 1}));
}

TEST_CASE("the view ends at the outermost pixel centres", "[camera]") {
    const Lens lens(plain(1600, 1200, 1000));
    const auto at = [](double x, double y) { return Vec3{(x - 800) / 1000, (y - 600) / 1000, 1}; };
    CHECK(lens.in_view(at(0.5 + 1e-9, 600)));
    CHECK_FALSE(lens.in_view(at(0.5 - 1e-9, 600)));
    CHECK(lens.in_view(at(1599.5 - 1e-9, 600)));
    CHECK_FALSE(lens.in_view(at(1599.5 + 1e-9, 600)));
    CHECK(lens.in_view(at(800, 0.5 + 1e-9)));
    CHECK_FALSE(lens.in_view(at(800, 0.5 - 1e-9)));
    CHECK(lens.in_view(at(800, 1199.5 - 1e-9)));
    CHECK_FALSE(lens.in_view(at(800, 1199.5 + 1e-9)));
}

TEST_CASE("vignetting counts recorded pixels in half diagonals", "[camera]") {
    Camera c = plain(800, 600, 1000);
    c.vignetting = {-0.3, 0.1, -0.05};
    c.radial = {-0.2, 0, 0};  // plays no part: r is measured in recorded pixels
    const Lens lens(c);
    CHECK(lens.vignetting({400, 300}) == 1);
    CHECK(lens.vignetting({0, 0}) == close_to(0.75));  // r = 1 at the corner: 1 - 0.3 + 0.1 - 0.05
    CHECK(lens.vignetting({400, 550}) ==
          close_to(1 - 0.3 * 0.25 + 0.1 / 16 - 0.05 / 64));  // r = 1/2
    c.principal_point_px = Vec2{300, 300};
    CHECK(Lens(c).vignetting({300, 300}) == 1);
    CHECK(Lens(c).vignetting({300, 50}) == close_to(1 - 0.3 * 0.25 + 0.1 / 16 - 0.05 / 64));
}
