// Splines over a frame, and what they do to the geometry: positions, light, cone and cell maps.
#include "canvas/frame_fields.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

#include "canvas/cell_map.hpp"
#include "support/close_to.hpp"
#include "support/made_up_canvases.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::close_to;
using Catch::Matchers::WithinAbs;

namespace {

/// Direction of a pixel's centre, canvas coordinates, and 1 / its length.
Vec3 pixel_direction(const LatticeDirections& directions, int64_t x, int64_t y,
                     double& inverse_norm) {
    const auto row = directions.row_at(static_cast<double>(y) + 0.5);
    inverse_norm = row.inverse_norm;
    return LatticeDirections::combine(directions.column_at(static_cast<double>(x) + 0.5), row);
}

constexpr double kWidth = 900;
constexpr double kHeight = 600;

std::vector<float> same(const SplineGrid& grid, float value) {
    return std::vector<float>(grid.size(), value);
}

std::vector<float> random_coefficients(const SplineGrid& grid, double largest, Dice& dice) {
    std::vector<float> all(grid.size());
    for (float& c : all) c = static_cast<float>(dice.between(-largest, largest));
    return all;
}

std::shared_ptr<FrameFields> constant_fields(double dx, double dy, std::array<double, 3> gain) {
    auto fields = std::make_shared<FrameFields>();
    fields->shift_grid = {7, 5};
    fields->dx = same(fields->shift_grid, static_cast<float>(dx));
    fields->dy = same(fields->shift_grid, static_cast<float>(dy));
    fields->light_grid = {5, 4};
    for (size_t c = 0; c < 3; ++c) {
        fields->log_gain[c] = same(fields->light_grid, static_cast<float>(std::log(gain[c])));
    }
    return fields;
}

}  // namespace

TEST_CASE("weights of a spline are the cubic B-spline's and sum to one", "[fields][property]") {
    // M. Unser, "Splines: a perfect fit for signal and image processing", IEEE SPM 16(6), 1999,
    // eq. 8 (from memory): b(0) = 2/3, b(1/2) = 23/48, b(1) = 1/6, b(3/2) = 1/48.
    const SplineGrid grid{13, 9};
    const SplineBasis knot = spline_basis(grid, 3 * kWidth / 10, 0, kWidth, kHeight);
    REQUIRE(knot.column == 3);
    CHECK(knot.x[0] == close_to(1.0 / 6).margin(1e-15));
    CHECK(knot.x[1] == close_to(2.0 / 3).margin(1e-15));
    CHECK(knot.x[2] == close_to(1.0 / 6).margin(1e-15));
    CHECK_THAT(knot.x[3], WithinAbs(0, 1e-15));
    const SplineBasis middle = spline_basis(grid, 3.5 * kWidth / 10, 0, kWidth, kHeight);
    CHECK(middle.x[0] == close_to(1.0 / 48));
    CHECK(middle.x[1] == close_to(23.0 / 48));

    Dice dice(3);
    for (int i = 0; i < 2000; ++i) {
        const SplineBasis b = spline_basis(grid, dice.between(-50, kWidth + 50),
                                           dice.between(-50, kHeight + 50), kWidth, kHeight);
        REQUIRE(b.column >= 0);
        REQUIRE(b.column + 4 <= grid.columns);
        REQUIRE(b.row >= 0);
        REQUIRE(b.row + 4 <= grid.rows);
        double x = 0;
        double y = 0;
        for (size_t k = 0; k < 4; ++k) {
            REQUIRE(b.x[k] >= 0);
            REQUIRE(b.y[k] >= 0);
            x += b.x[k];
            y += b.y[k];
        }
        REQUIRE_THAT(x, WithinAbs(1, 1e-14));
        REQUIRE_THAT(y, WithinAbs(1, 1e-14));
    }
}

TEST_CASE("a spline whose coefficients lie on a plane is that plane", "[fields][property]") {
    FrameFields fields;
    fields.shift_grid = {9, 6};
    const SplineGrid& g = fields.shift_grid;
    for (int j = 0; j < g.rows; ++j) {
        for (int i = 0; i < g.columns; ++i) {
            const double x = (i - 1) * kWidth / (g.columns - 3);
            const double y = (j - 1) * kHeight / (g.rows - 3);
            fields.dx.push_back(static_cast<float>(2 + x / 512 - y / 256));
            fields.dy.push_back(static_cast<float>(-1 - x / 1024 + y / 128));
        }
    }
    Dice dice(4);
    double wrong = 0;
    for (int i = 0; i < 1000; ++i) {
        const double x = dice.between(0, kWidth);
        const double y = dice.between(0, kHeight);
        const Vec2 at = fields.shift(x, y, kWidth, kHeight);
        // The coefficients are floats below 16: half a unit in the last place is 5e-7.
        REQUIRE_THAT(at.x, WithinAbs(2 + x / 512 - y / 256, 1e-6));
        REQUIRE_THAT(at.y, WithinAbs(-1 - x / 1024 + y / 128, 1e-6));
        const double off = 1.01 * x;  // the control: a position off by a hundredth
        wrong = std::max(wrong, std::abs(at.x - (2 + off / 512 - y / 256)));
    }
    CHECK(wrong > 1e-3);
    // Beyond the border, and where there is no number, the border's value.
    const Vec2 corner = fields.shift(kWidth, 0, kWidth, kHeight);
    const Vec2 beyond = fields.shift(kWidth + 300, -1e9, kWidth, kHeight);
    CHECK(beyond.x == corner.x);
    CHECK(beyond.y == corner.y);
    const double none = std::numeric_limits<double>::quiet_NaN();
    CHECK(fields.shift(none, 0, kWidth, kHeight).x == fields.shift(0, 0, kWidth, kHeight).x);
}

TEST_CASE("a spline never leaves its coefficients and bends without a jump", "[fields][property]") {
    Dice dice(5);
    FrameFields fields;
    fields.shift_grid = {8, 7};
    fields.dx = random_coefficients(fields.shift_grid, 4, dice);
    fields.dy = random_coefficients(fields.shift_grid, 3, dice);
    const double longest = fields.longest_shift();
    CHECK(longest <= 5);
    double seen = 0;
    for (int i = 0; i < 4000; ++i) {
        const Vec2 at = fields.shift(dice.between(-9, kWidth + 9), dice.between(-9, kHeight + 9),
                                     kWidth, kHeight);
        seen = std::max(seen, std::hypot(at.x, at.y));
        REQUIRE(std::hypot(at.x, at.y) <= longest + 1e-12);
    }
    CHECK(seen > 0.3 * longest);

    // Second differences on both sides of every inner knot agree to first order in the step.
    const double step = 0.5;
    const double span = kWidth / (fields.shift_grid.columns - 3);
    double largest = 0;
    for (int knot = 1; knot < fields.shift_grid.columns - 3; ++knot) {
        const auto second = [&](double x) {
            const auto f = [&](double at) { return fields.shift(at, 200, kWidth, kHeight).x; };
            return (f(x - step) - 2 * f(x) + f(x + step)) / (step * step);
        };
        const double before = second(knot * span - 2 * step);
        const double after = second(knot * span + 2 * step);
        largest = std::max(largest, std::abs(before));
        // The third derivative is at most 8 * 4 px / span^3, over 4 steps.
        CHECK_THAT(after - before, WithinAbs(0, 2 * 32 / (span * span * span) * 4 * step));
    }
    CHECK(largest > 1e-5);
}

TEST_CASE("a shift moves upright pixels whatever the file's orientation", "[fields]") {
    Camera camera = made_up_camera(900, 600, 1500);
    camera.radial = {-0.1, 0.02, 0};
    const Vec3 d = normalized({0.1, -0.05, 1});
    for (int orientation = 1; orientation <= 8; ++orientation) {
        FrameGeometry plain(camera, aimed(0, 0, 0), orientation);
        FrameGeometry moved = plain;
        moved.set_fields(constant_fields(3, 2, {1, 1, 1}));
        const FramePoint a = plain.at(d, 1);
        const FramePoint b = moved.at(d, 1);
        REQUIRE(a.valid);
        REQUIRE(b.valid);
        CHECK(b.score == a.score);
        // EXIF 2.3, tag 274: the sides that the stored first row and column are.
        const std::array<std::array<double, 2>, 8> expected{
            {{3, 2}, {-3, 2}, {-3, -2}, {3, -2}, {2, 3}, {2, -3}, {-2, -3}, {-2, 3}}};
        const auto& e = expected[static_cast<size_t>(orientation - 1)];
        CHECK_THAT(b.x - a.x, WithinAbs(e[0], 1e-9));
        CHECK_THAT(b.y - a.y, WithinAbs(e[1], 1e-9));
        const auto upright = moved.upright(d);
        REQUIRE(upright.has_value());
        CHECK(upright->x == Lens(camera).project(d)->x);
        moved.set_fields(nullptr);
        CHECK(moved.at(d, 1).x == a.x);
        CHECK(moved.cone_rad() == plain.cone_rad());
    }
    FrameGeometry behind(camera, aimed(0, 0, 0), 1);
    CHECK_FALSE(behind.upright({0, 0, -1}).has_value());
}

TEST_CASE("light of the fields multiplies the vignetting correction by channel", "[fields]") {
    Camera camera = made_up_camera(900, 600, 1500);
    camera.vignetting = {-0.3, 0, 0};
    FrameGeometry plain(camera, aimed(0, 0, 0), 1);
    FrameGeometry lit = plain;
    lit.set_fields(constant_fields(0, 0, {1.1, 1.0, 0.8}));
    CHECK_FALSE(plain.per_channel());
    CHECK(lit.per_channel());
    const Vec3 d = normalized({0.2, 0.1, 1});
    const FramePoint a = plain.at(d, 1);
    const FramePoint b = lit.at(d, 1);
    CHECK(a.g[0] > 1.05F);
    CHECK(a.g[0] == a.g[2]);
    const std::array<double, 3> gain{1.1, 1.0, 0.8};
    for (size_t c = 0; c < 3; ++c) {
        CHECK(b.g[c] == close_to(a.g[c] * gain[c]).epsilon(1e-6));
        CHECK(b.h[c] == close_to(std::pow(static_cast<double>(b.g[c]), 1 / 2.4)).epsilon(1e-6));
    }

    // Nothing but the fields: they alone make the frame one to be corrected.
    camera.vignetting = {0, 0, 0};
    FrameGeometry bare(camera, aimed(0, 0, 0), 1);
    CHECK_FALSE(bare.photometric());
    bare.set_fields(constant_fields(0, 0, {1.1, 1, 1}));
    CHECK(bare.photometric());
    auto shifts = constant_fields(1, 1, {1, 1, 1});
    for (auto& channel : shifts->log_gain) channel.clear();
    bare.set_fields(shifts);
    CHECK_FALSE(bare.photometric());
}

TEST_CASE("the cone holds what a shift brings into view", "[fields]") {
    Camera camera = made_up_camera(900, 600, 1500);
    camera.radial = {-0.15, 0, 0};
    FrameGeometry moved(camera, aimed(0, 0, 0), 1);
    const double before = moved.cone_rad();
    moved.set_fields(constant_fields(6, 6, {1, 1, 1}));
    // The pixel 5.9 px up and left of the corner comes in.
    const auto ab = Lens(camera).undistort({-5.4, -5.4});
    REQUIRE(ab.has_value());
    const Vec3 d = normalized({ab->x, ab->y, 1});
    const FramePoint p = moved.at(d, 1);
    REQUIRE(moved.covers(p.x, p.y));
    CHECK(p.score >= moved.cone_cos());
    CHECK(p.score < std::cos(before));  // the control: the frame's own cone leaves it out
}

TEST_CASE("interpolated cells follow the fields as exactly as the lens", "[fields][property]") {
    const Camera camera = made_up_camera(1800, 1200, 6000);
    auto fields = std::make_shared<FrameFields>();
    Dice dice(11);
    fields->shift_grid = {15, 11};
    fields->dx = random_coefficients(fields->shift_grid, 4, dice);
    fields->dy = random_coefficients(fields->shift_grid, 4, dice);
    FrameGeometry plain(camera, aimed(3, 2, 1), 1);
    FrameGeometry moved = plain;
    moved.set_fields(fields);
    const Canvas canvas =
        canvas_between(Surface::sphere, -7, 13, 10, -6, camera.focal_px * kRadPerDeg);
    const CellRegion region = cells_of({0, 0, canvas.width, canvas.height});
    const LatticeDirections directions(canvas, region);
    const CellMap map(directions, moved);
    CellCoords coords;
    double worst = 0;
    double without = 0;
    int64_t tried = 0;
    for (int i = 0; i < 600; ++i) {
        const int64_t cx = dice.whole(0, region.width() - 1);
        const int64_t cy = dice.whole(0, region.height() - 1);
        if (map.coverage(cx, cy) != Coverage::full) continue;
        int64_t origin_x = 0;
        int64_t origin_y = 0;
        map.coordinates(cx, cy, plain_kernels(), coords, origin_x, origin_y);
        for (const int64_t k : {0, 15, 120, 240, 255}) {
            double inverse_norm = 1;
            const Vec3 d = pixel_direction(directions, (region.x0 + cx) * kCell + k % kCell,
                                           (region.y0 + cy) * kCell + k / kCell, inverse_norm);
            const FramePoint p = moved.at(d, inverse_norm);
            const FramePoint q = plain.at(d, inverse_norm);
            const double x = static_cast<double>(coords.u[k]) + static_cast<double>(origin_x);
            const double y = static_cast<double>(coords.v[k]) + static_cast<double>(origin_y);
            worst = std::max(worst, std::hypot(x - p.x, y - p.y));
            without = std::max(without, std::hypot(x - q.x, y - q.y));
            ++tried;
        }
    }
    CHECK(tried > 500);
    CHECK(worst < 0.02);  // cell_map.cpp's bound
    CHECK(without > 1);
}

TEST_CASE("cells carry the light of the fields by channel", "[fields]") {
    // A long lens is interpolated from the cells' corners, a short one pixel by pixel.
    for (const double focal : {6000.0, 500.0}) {
        Camera camera = made_up_camera(900, 600, focal);
        camera.vignetting = {-0.2, 0, 0};
        FrameGeometry lit(camera, aimed(0, 0, 0), 1);
        auto fields = std::make_shared<FrameFields>();
        Dice dice(6);
        fields->light_grid = {8, 6};
        for (auto& channel : fields->log_gain) {
            channel = random_coefficients(fields->light_grid, 0.05, dice);
        }
        lit.set_fields(fields);
        const double half = 20 / focal * kDegPerRad * 16;
        const Canvas canvas =
            canvas_between(Surface::sphere, -half, half, half, -half, camera.focal_px * kRadPerDeg);
        const CellRegion region = cells_of({0, 0, canvas.width, canvas.height});
        const LatticeDirections directions(canvas, region);
        const CellMap map(directions, lit);
        double worst = 0;
        double apart = 0;
        for (int i = 0; i < 40; ++i) {
            const int64_t cx = dice.whole(0, region.width() - 1);
            const int64_t cy = dice.whole(0, region.height() - 1);
            CellCoords coords;
            int64_t origin_x = 0;
            int64_t origin_y = 0;
            map.coordinates(cx, cy, plain_kernels(), coords, origin_x, origin_y);
            REQUIRE(coords.by_channel);
            for (const int64_t k : {0, 100, 255}) {
                double inverse_norm = 1;
                const Vec3 d = pixel_direction(directions, (region.x0 + cx) * kCell + k % kCell,
                                               (region.y0 + cy) * kCell + k / kCell, inverse_norm);
                const FramePoint p = lit.at(d, inverse_norm);
                for (size_t c = 0; c < 3; ++c) {
                    worst = std::max(
                        worst,
                        std::abs(static_cast<double>(
                            coords.g_at(static_cast<int>(c), static_cast<int>(k)) - p.g[c])));
                    worst = std::max(worst, std::abs(static_cast<double>(coords.h[c][k] - p.h[c])));
                }
                apart = std::max(apart, std::abs(static_cast<double>(p.g[0] - p.g[2])));
            }
        }
        CHECK(worst < 1e-3);  // a quarter of a level is 1e-3 of white
        CHECK(apart > 0.02);  // the control: channels taken for each other
    }
}
