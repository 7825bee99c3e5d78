#include "align/lens_derivatives.hpp"

#include <catch2/catch.hpp>

#include "scene/rotation_math.hpp"

using namespace broadloom;

namespace {

Camera camera_with(double k1, double k2, double k3, double p1, double p2) {
    Camera camera;
    camera.width = 1500;
    camera.height = 1000;
    camera.focal_px = 1000;
    camera.principal_point_px = Vec2{760, 490};
    camera.radial = {k1, k2, k3};
    camera.tangential = {p1, p2};
    return camera;
}

const std::vector<Camera> kCameras{
    camera_with(0, 0, 0, 0, 0), camera_with(-0.1, 0.01, 0.002, 0.001, -0.0005),
    camera_with(0.1, -0.02, 0, 0, 0), camera_with(-0.25, 0.05, 0, -0.002, 0.001)};

LensModel model_of(const Camera& camera) {
    return {lens_unknowns(camera).data(), camera.tangential};
}

}  // namespace

TEST_CASE("The solver's lens gives the numbers of Lens", "[solve][lens]") {
    for (const Camera& camera : kCameras) {
        const Lens lens(camera);
        const LensModel model = model_of(camera);
        double control = 0;
        for (double y = 0.5; y < 1000; y += 37) {
            for (double x = 0.5; x < 1500; x += 41) {
                const auto ab = lens.undistort({x, y});
                const auto mine = unproject_with_derivatives(model, {x, y});
                REQUIRE(ab.has_value());
                REQUIRE(mine.has_value());
                CHECK_THAT(mine->ab.x, Catch::WithinAbs(ab->x, 1e-11));
                CHECK_THAT(mine->ab.y, Catch::WithinAbs(ab->y, 1e-11));
                const auto there = lens.project({ab->x, ab->y, 1});
                const auto mine_there = project_with_derivatives(model, *ab);
                REQUIRE(there.has_value());
                REQUIRE(mine_there.has_value());
                CHECK_THAT(mine_there->pixel.x, Catch::WithinAbs(there->x, 1e-9));
                CHECK_THAT(mine_there->pixel.y, Catch::WithinAbs(there->y, 1e-9));
                LensUnknowns other = lens_unknowns(camera);
                other[1] += 1e-6;
                const auto off = project_with_derivatives({other.data(), camera.tangential}, *ab);
                control = std::max(control, std::abs(off->pixel.x - there->x));
            }
        }
        CHECK(control > 1e-6);  // a millionth of k1 shows
    }
}

TEST_CASE("OpenCV's projectPoints gives the same pixels", "[solve][lens]") {
    // OpenCV 4.6.0, fx = fy = 1000, centre (750, 500), k1 -0.1, k2 0.01, p1 0.001, p2 -0.0005,
    // k3 0.002; its pixel centres stand at whole numbers, ours half a pixel further.
    Camera camera = camera_with(-0.1, 0.01, 0.002, 0.001, -0.0005);
    camera.principal_point_px = Vec2{750.5, 500.5};
    const auto at = project_with_derivatives(model_of(camera), {0.3, 0.2});
    CHECK_THAT(at->pixel.x, Catch::WithinAbs(1046.117018 + 0.5, 1e-6));
    CHECK_THAT(at->pixel.y, Catch::WithinAbs(697.584679 + 0.5, 1e-6));
}

TEST_CASE("The lens's derivatives are those of differences", "[solve][lens]") {
    constexpr double kStep = 1e-6;
    for (const Camera& camera : kCameras) {
        const LensUnknowns unknowns = lens_unknowns(camera);
        for (const Vec2 pixel : {Vec2{100.5, 80.5}, Vec2{1200, 700}, Vec2{740, 510}}) {
            const auto there = unproject_with_derivatives(model_of(camera), pixel);
            REQUIRE(there.has_value());
            const auto back = project_with_derivatives(model_of(camera), there->ab);
            for (size_t i = 0; i < kLensUnknowns; ++i) {
                LensUnknowns more = unknowns;
                LensUnknowns less = unknowns;
                const double step = i < 4 ? kStep : 1e-3;
                more[i] += step;
                less[i] -= step;
                const LensModel lens_more(more.data(), camera.tangential);
                const LensModel lens_less(less.data(), camera.tangential);
                const auto up = project_with_derivatives(lens_more, there->ab);
                const auto down = project_with_derivatives(lens_less, there->ab);
                CHECK_THAT(back->x_by[i],
                           Catch::WithinAbs((up->pixel.x - down->pixel.x) / (2 * step), 1e-4));
                CHECK_THAT(back->y_by[i],
                           Catch::WithinAbs((up->pixel.y - down->pixel.y) / (2 * step), 1e-4));
                const auto from_up = unproject_with_derivatives(lens_more, pixel);
                const auto from_down = unproject_with_derivatives(lens_less, pixel);
                CHECK_THAT(there->a_by[i],
                           Catch::WithinAbs((from_up->ab.x - from_down->ab.x) / (2 * step), 1e-7));
                CHECK_THAT(there->b_by[i],
                           Catch::WithinAbs((from_up->ab.y - from_down->ab.y) / (2 * step), 1e-7));
            }
            const auto right =
                project_with_derivatives(model_of(camera), {there->ab.x + kStep, there->ab.y});
            const auto left =
                project_with_derivatives(model_of(camera), {there->ab.x - kStep, there->ab.y});
            CHECK_THAT(back->xa,
                       Catch::WithinAbs((right->pixel.x - left->pixel.x) / (2 * kStep), 1e-4));
            CHECK_THAT(back->ya,
                       Catch::WithinAbs((right->pixel.y - left->pixel.y) / (2 * kStep), 1e-4));
            // The two ways are inverse to each other.
            CHECK_THAT(there->ax * back->xa + there->ay * back->ya, Catch::WithinAbs(1, 1e-9));
            CHECK_THAT(there->ax * back->xb + there->ay * back->yb, Catch::WithinAbs(0, 1e-9));
        }
    }
}

TEST_CASE("Nothing is seen beyond the lens's fold", "[solve][lens]") {
    const Camera camera = camera_with(-0.25, 0, 0, 0, 0);
    const double fold = Lens(camera).fold_radius();
    CHECK(project_with_derivatives(model_of(camera), {fold * 0.999, 0}).has_value());
    CHECK_FALSE(project_with_derivatives(model_of(camera), {fold * 1.001, 0}).has_value());
}

TEST_CASE("Rotation vectors go there and back, and their derivatives hold", "[solve][rotation]") {
    for (const Vec3 v : {Vec3{0, 0, 0}, Vec3{1e-6, -2e-6, 1e-7}, Vec3{0.3, -0.2, 0.9},
                         Vec3{2, 1, -1}, Vec3{3.1, 0.2, 0.1}, Vec3{0, kPi, 0}}) {
        const Rotation r = rotation_exp(v);
        const Vec3 back = rotation_log(r);
        CHECK_THAT(back.x, Catch::WithinAbs(v.x, 1e-9));
        CHECK_THAT(back.y, Catch::WithinAbs(v.y, 1e-9));
        CHECK_THAT(back.z, Catch::WithinAbs(v.z, 1e-9));
        const Matrix3 j = left_jacobian(v);
        const Vec3 d{1e-6, -2e-6, 1.5e-6};
        const Vec3 jd{dot({j[0][0], j[0][1], j[0][2]}, d), dot({j[1][0], j[1][1], j[1][2]}, d),
                      dot({j[2][0], j[2][1], j[2][2]}, d)};
        CHECK(rotation_angle((rotation_exp(jd) * r).inverse() * rotation_exp(v + d)) < 1e-11);
        if (norm(v) > 0.1) {  // control: d itself would not do
            CHECK(rotation_angle((rotation_exp(d) * r).inverse() * rotation_exp(v + d)) > 1e-8);
        }
        const Matrix3 inverse = inverse_left_jacobian(v);
        for (size_t i = 0; i < 3; ++i) {
            for (size_t k = 0; k < 3; ++k) {
                const double product =
                    j[i][0] * inverse[0][k] + j[i][1] * inverse[1][k] + j[i][2] * inverse[2][k];
                CHECK_THAT(product, Catch::WithinAbs(i == k ? 1 : 0, 1e-9));
            }
        }
    }
}

TEST_CASE("The middle of rotations is not drawn away by a wrong one", "[solve][rotation]") {
    std::vector<Rotation> many;
    for (int i = -3; i <= 3; ++i) {
        many.push_back(Rotation::from_yaw_pitch_roll_deg(20 + 0.1 * i, 5, 0.1 * (i % 2)));
    }
    many.push_back(Rotation::from_yaw_pitch_roll_deg(160, -40, 70));
    const Rotation expected = Rotation::from_yaw_pitch_roll_deg(20, 5, 0);
    CHECK(rotation_angle(expected.inverse() * median_rotation(many)) * kDegPerRad < 0.1);
}
