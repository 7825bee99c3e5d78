// Crops in degrees and pixels: the same pixels as the whole canvas, and messages that name the
// side.
#include "canvas/crop.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "broadloom/error.hpp"
#include "support/made_up_canvases.hpp"

using namespace broadloom;
using namespace broadloom::test;
using Catch::Matchers::Contains;
using Catch::Matchers::WithinAbs;

namespace {

template <typename F>
std::string refusal(const F& f) {
    try {
        f();
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::usage);
        return e.what();
    }
    return "accepted";
}

/// The largest distance between directions of a part's pixels and those of the whole's, in pixels.
double worst_direction(const Canvas& whole, const Rect& part, int64_t off = 0) {
    const Canvas c = cropped(whole, part);
    double worst = 0;
    for (double y = 0.5; y < static_cast<double>(c.height); y += 13.25) {
        for (double x = 0.5; x < static_cast<double>(c.width); x += 17.5) {
            const Vec3 a = c.direction(x, y);
            const Vec3 b = whole.direction(x + static_cast<double>(part.x0 + off),
                                           y + static_cast<double>(part.y0));
            worst = std::max(worst, angle_between(a, b) * kDegPerRad * whole.pixels_per_degree);
        }
    }
    return worst;
}

}  // namespace

TEST_CASE("a part in pixels is that rectangle of the whole canvas", "[crop]") {
    for (const Canvas& whole : {flat_sphere().canvas, flat_cylinder().canvas}) {
        const Rect part = crop_by_pixels(whole, {17, 33, 401, 200});
        CHECK(part == Rect{17, 33, 401, 200});
        const Canvas c = cropped(whole, part);
        CHECK(c.width == 384);
        CHECK(c.height == 167);
        CHECK_FALSE(c.wraps);
        CHECK(c.pixels_per_degree == whole.pixels_per_degree);
        CHECK_THAT((c.right_deg - c.left_deg) * c.pixels_per_degree, WithinAbs(384, 1e-6));
        CHECK(worst_direction(whole, part) < 1e-6);
        CHECK(worst_direction(whole, part, 1) > 0.5);  // negative control
        // The bottom edge, by the direction just there.
        const Vec3 d = c.direction(5, static_cast<double>(c.height));
        CHECK_THAT(std::atan2(-d.y, std::hypot(d.x, d.z)) * kDegPerRad,
                   WithinAbs(c.bottom_deg, 1e-9));
        // Sides between pixels go to the nearest edge; the whole is a part, digits and all.
        CHECK(crop_by_pixels(whole, {16.6, 33.4, 401.2, 199.7}) == part);
        const auto w = static_cast<double>(whole.width);
        const auto h = static_cast<double>(whole.height);
        const Rect all = crop_by_pixels(whole, {0, 0, w, h});
        CHECK(all == Rect{0, 0, whole.width, whole.height});
        const Canvas again = cropped(whole, all);
        CHECK(again.left_deg == whole.left_deg);
        CHECK(again.right_deg == whole.right_deg);
        CHECK(again.top_deg == whole.top_deg);
        CHECK(again.bottom_deg == whole.bottom_deg);
    }
}

TEST_CASE("a part in degrees has its sides at the nearest pixel edges", "[crop]") {
    for (const Canvas& whole : {flat_sphere().canvas, flat_cylinder().canvas}) {
        const Rect part = crop_by_degrees(whole, {-12.3, 8.7, 15.1, -5.2});
        const Canvas c = cropped(whole, part);
        const double pixel = 1 / whole.pixels_per_degree;
        CHECK_THAT(c.left_deg, WithinAbs(-12.3, 0.5001 * pixel));
        CHECK_THAT(c.right_deg, WithinAbs(15.1, 0.5001 * pixel));
        CHECK_THAT(c.top_deg, WithinAbs(8.7, 0.5001 * pixel));
        CHECK_THAT(c.bottom_deg, WithinAbs(-5.2, 0.5001 * pixel));
        // Whole turns more or less mean the same.
        CHECK(crop_by_degrees(whole, {-12.3 + 360, 8.7, 15.1 + 360, -5.2}) == part);
        CHECK(crop_by_degrees(whole, {-12.3 - 720, 8.7, 15.1 - 720, -5.2}) == part);
        CHECK_FALSE(crop_by_degrees(whole, {-12.3, 8.7, 15.4, -5.2}) == part);
    }
}

TEST_CASE("a part of a canvas that wraps may cross its edge and does not wrap", "[crop]") {
    for (const Canvas& whole : {whole_sphere().canvas, whole_cylinder().canvas}) {
        const double left = whole.left_deg;
        // 30 degrees on either side of the edge.
        const Rect part = crop_by_degrees(whole, {left + 330, 20, left + 390, -20});
        CHECK(part.x0 > whole.width * 9 / 10);
        CHECK(part.x1 > whole.width);
        CHECK_THAT(static_cast<double>(part.width()), WithinAbs(whole.width / 6.0, 1));
        CHECK(worst_direction(whole, part) < 1e-6);
        CHECK_FALSE(cropped(whole, part).wraps);
        CHECK(crop_by_degrees(whole, {left - 30, 20, left + 30, -20}) == part);
        CHECK(crop_by_degrees(whole, {left + 330 + 720, 20, left + 390 + 720, -20}) == part);
        CHECK(crop_by_pixels(
                  whole, {static_cast<double>(part.x0 - whole.width), static_cast<double>(part.y0),
                          static_cast<double>(part.x1 - whole.width),
                          static_cast<double>(part.y1)}) == part);
        // All the way round, from anywhere: it wraps still.
        const Rect turned = crop_by_degrees(whole, {left + 90, 20, left + 450, -20});
        CHECK(turned.width() == whole.width);
        CHECK(turned.x0 == whole.width / 4);
        const Canvas c = cropped(whole, turned);
        CHECK(c.wraps);
        CHECK_THAT(c.right_deg - c.left_deg, WithinAbs(360, 1e-12));
        CHECK(worst_direction(whole, turned) < 1e-6);
        CHECK_FALSE(cropped(whole, {1, 0, whole.width, 50}).wraps);
    }
}

TEST_CASE("sides that cannot be are refused by name", "[crop]") {
    const Canvas sphere = flat_sphere().canvas;      // -20 to 19.85, 11 to -9.15; 797 x 403
    const Canvas round = whole_sphere().canvas;      // 1024 px, 90 to -90
    const Canvas cylinder = flat_cylinder().canvas;  // 35 to -20
    const auto degrees = [](const Canvas& c, double l, double t, double r, double b) {
        return refusal([&] { crop_by_degrees(c, {l, t, r, b}); });
    };
    const auto pixels = [](const Canvas& c, double l, double t, double r, double b) {
        return refusal([&] { crop_by_pixels(c, {l, t, r, b}); });
    };
    CHECK_THAT(degrees(sphere, 5, 3, 4, -3),
               Contains("--crop: right (4 degrees) is not greater than left (5 degrees); add 360"));
    CHECK_THAT(degrees(sphere, 5, -3, 9, 3), Contains("top (-3 degrees) is not above bottom (3"));
    CHECK_THAT(degrees(sphere, -30, 3, 9, -3),
               Contains("left (-30 degrees) lies outside the canvas, which reaches from -20 to "
                        "19.85 degrees"));
    CHECK_THAT(degrees(sphere, 5, 3, 21, -3), Contains("right (21 degrees) lies outside"));
    CHECK_THAT(
        degrees(sphere, 5, 12, 9, -3),
        Contains("top (12 degrees) lies outside the canvas, which reaches from 11 to -9.15"));
    CHECK_THAT(degrees(sphere, 5, 3, 9, -11), Contains("bottom (-11 degrees) lies outside"));
    CHECK_THAT(degrees(cylinder, 5, 89.99, 9, -3), Contains("top (89.99 degrees) lies outside"));
    CHECK_THAT(degrees(cylinder, 5, 3, 9, -90), Contains("bottom (-90 degrees) lies outside"));
    CHECK_THAT(degrees(sphere, 5, 3, 5.001, -3), Contains("left to right (5 to 5.001 degrees) is "
                                                          "less than a pixel"));
    CHECK_THAT(degrees(sphere, 5, 3.001, 9, 3), Contains("top to bottom (3.001 to 3 degrees)"));
    CHECK_THAT(degrees(round, 0, 3, 361, -3), Contains("more than the whole way round"));
    CHECK_THAT(degrees(sphere, std::nan(""), 3, 9, -3), Contains("not a finite number"));
    CHECK_THAT(degrees(sphere, 1, 3, INFINITY, -3), Contains("not a finite number"));
    CHECK_THAT(pixels(sphere, 0, 0, 900, 50),
               Contains("right (900 px) lies outside the canvas, which reaches from 0 to 797 px"));
    CHECK_THAT(pixels(sphere, -5, 0, 90, 50), Contains("left (-5 px) lies outside"));
    CHECK_THAT(pixels(sphere, 0, -5, 90, 50), Contains("top (-5 px) lies outside"));
    CHECK_THAT(pixels(sphere, 0, 0, 90, 405), Contains("bottom (405 px) lies outside"));
    CHECK_THAT(pixels(sphere, 50, 0, 50, 50), Contains("right (50 px) is not greater than left"));
    CHECK_THAT(pixels(round, 1000, 0, 50, 50), Contains("add the canvas's width of 1024"));
    CHECK_THAT(pixels(sphere, 0, 50, 90, 50), Contains("bottom (50 px) is not greater than top"));
    CHECK_THAT(pixels(round, 0, 0, 1026, 50), Contains("more than the whole way round"));
    // Negative controls: just inside is accepted, and a little rounding is forgiven.
    CHECK(degrees(sphere, -20, 11, 19.85, -9.15) == "accepted");
    CHECK(degrees(sphere, -20.01, 11.01, 19.86, -9.16) == "accepted");
    CHECK(degrees(cylinder, 5, 34.9, 9, -3) == "accepted");
    CHECK(pixels(round, 1000, 0, 1074, 50) == "accepted");
}
