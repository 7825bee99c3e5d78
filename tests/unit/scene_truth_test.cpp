// The measure of a solved scene against the exact one: known changes give known errors.
#include "support/scene_truth.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <stdexcept>

#include "broadloom/camera.hpp"
#include "support/close_to.hpp"

namespace broadloom::test {
namespace {

using broadloom::testing::close_to;
using Catch::Matchers::WithinAbs;

/// 3 x 4 frames with lens, vignetting and gains, and one take left out.
Scene true_scene() {
    Scene scene;
    Camera camera;
    camera.width = 600;
    camera.height = 400;
    camera.focal_px = 1500;
    camera.principal_point_px = Vec2{303, 198.5};
    camera.radial = {-0.08, 0.02, 0};
    camera.vignetting = {-0.3, -0.05, 0};
    scene.cameras["main"] = camera;
    for (int c = 0; c < 4; ++c) {
        for (int r = 0; r < 3; ++r) {
            const int n = c * 3 + r;
            Frame f;
            f.file = "card/" + std::to_string(n) + ".jpg";
            f.camera = "main";
            f.yaw_deg = 14.0 * c + 0.2 * std::sin(n);
            f.pitch_deg = 10 - 10.0 * r + 0.2 * std::cos(3 * n);
            f.roll_deg = 0.3 * std::sin(5 * n);
            f.gain = {1 + 0.01 * n, 1.1 - 0.01 * n, 1.05};
            f.placed_by = "matches";
            scene.frames.push_back(f);
        }
    }
    scene.frames[4].use = false;
    scene.frames[4].reason = "taken again";
    return scene;
}

/// Every frame turned by the same rotation of the world. Rotations compose to one with these
/// angles: yaw and pitch from where the axis points, roll from where the camera's x axis lies.
void turn_all(Scene& scene, const Rotation& world) {
    for (Frame& f : scene.frames) {
        const Rotation r = Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg);
        const Vec3 axis = world.to_world(r.axis());
        const Vec3 x = world.to_world(r.to_world({1, 0, 0}));
        const Vec3 y = world.to_world(r.to_world({0, 1, 0}));
        f.yaw_deg = std::atan2(axis.x, axis.z) * kDegPerRad;
        f.pitch_deg = std::asin(-axis.y) * kDegPerRad;
        f.roll_deg = std::atan2(x.y, y.y) * kDegPerRad;
    }
}

}  // namespace

TEST_CASE("a scene has no error against itself, nor when the world is turned or lit otherwise",
          "[scene_truth]") {
    const Scene truth = true_scene();
    Scene solved = truth;
    for (Frame& f : solved.frames) f.file = "/elsewhere/" + f.file;
    turn_all(solved, Rotation::from_yaw_pitch_roll_deg(31, -12, 4));
    for (Frame& f : solved.frames) {
        f.gain[0] *= 1.7;
        f.gain[2] *= 0.6;
    }
    const SceneTruth t = compare_with_truth(truth, solved);
    CHECK(t.frames.size() == 11);
    CHECK_THAT(t.rms_px, WithinAbs(0, 1e-7));
    CHECK_THAT(t.max_px, WithinAbs(0, 1e-7));
    CHECK_THAT(t.gain_max_share, WithinAbs(0, 1e-12));
    CHECK(t.focal_share == 0);
    CHECK(t.corner_vignetting_share == 0);
    CHECK(t.missing.empty());
    CHECK(t.extra.empty());

    // A frame turned alone is not a turn of the world.
    solved.frames[7].yaw_deg = *solved.frames[7].yaw_deg + 0.1;
    CHECK(compare_with_truth(truth, solved).rms_px > 0.1);
}

TEST_CASE("one frame aimed wrong shows as so many pixels, in that frame", "[scene_truth]") {
    Scene truth = true_scene();
    // All above each other, so that every frame sees a turn about the world's X axis alike.
    for (size_t i = 0; i < truth.frames.size(); ++i) {
        truth.frames[i].yaw_deg = 0;
        truth.frames[i].pitch_deg = 0.1 * static_cast<double>(i);
        truth.frames[i].roll_deg = 0;
    }
    truth.cameras["main"].radial = {0, 0, 0};
    Scene solved = truth;
    // 0.001 rad is 1.5 px at the principal point, up to 2.5 % more away from it. Of 11 frames the
    // common turn gives in to the one by 1/11 of it, which then appears in all others.
    solved.frames[6].pitch_deg = *solved.frames[6].pitch_deg + 0.001 * kDegPerRad;
    const SceneTruth t = compare_with_truth(truth, solved);
    for (const FrameTruth& each : t.frames) {
        const double expected = each.file == solved.frames[6].file ? 1.5 * 10 / 11 : 1.5 / 11;
        CHECK(each.rms_px == close_to(expected).epsilon(0.025));
    }
    CHECK(t.max_px == close_to(1.5 * 10 / 11).epsilon(0.04));
}

TEST_CASE("a scaled focal length in a single frame shows as its share and as its stretch",
          "[scene_truth]") {
    Scene truth = true_scene();
    truth.cameras["main"].radial = {0, 0, 0};
    truth.cameras["main"].principal_point_px.reset();
    truth.frames.resize(1);
    Scene solved = truth;
    solved.cameras["main"].focal_px *= 1.001;
    const SceneTruth t = compare_with_truth(truth, solved, 21);
    CHECK(t.focal_share == close_to(0.001).margin(1e-12));
    // Points move out by a thousandth of their distance from the middle. On the lattice of 21 x 21
    // the mean square of the distance is (600^2 + 400^2) / 12 * (1 - 1 / 21^2).
    const double rms = 0.001 * std::sqrt((360000.0 + 160000.0) / 12 * (1 - 1 / 441.0));
    CHECK(t.rms_px == close_to(rms).epsilon(1e-3));
    const double corner = 0.001 * std::hypot(300 * 20.0 / 21, 200 * 20.0 / 21);
    CHECK(t.max_px == close_to(corner).epsilon(1e-3));
    solved.cameras["main"].focal_px = 0.98 * truth.cameras["main"].focal_px;
    CHECK(compare_with_truth(truth, solved).focal_share == close_to(-0.02).margin(1e-12));
}

TEST_CASE("the common rotation is the best one in pixels", "[scene_truth]") {
    const Scene truth = true_scene();
    Scene solved = truth;
    for (size_t i = 0; i < solved.frames.size(); ++i) {
        Frame& f = solved.frames[i];
        f.yaw_deg = *f.yaw_deg + 0.05 * std::sin(2.0 * static_cast<double>(i));
        f.roll_deg += 0.1 * std::cos(4.0 * static_cast<double>(i));
    }
    solved.cameras["main"].radial[0] += 0.03;
    const double best = compare_with_truth(truth, solved).rms_px;
    CHECK(best > 0.1);
    // Turning the solved world beforehand changes nothing but the rotation found.
    for (const auto& [yaw, pitch, roll] :
         {std::array<double, 3>{0.01, 0, 0}, {0, 0.01, 0}, {0, 0, 0.01}, {170, 3, -20}}) {
        Scene other = solved;
        turn_all(other, Rotation::from_yaw_pitch_roll_deg(yaw, pitch, roll));
        CHECK_THAT(compare_with_truth(truth, other).rms_px, WithinAbs(best, 1e-7));
    }
}

TEST_CASE("directions turned by a known rotation give it back", "[scene_truth]") {
    const std::vector<Vec3> from{{1, 0, 0}, {0, 1, 0}, {0.6, 0, 0.8}, {-0.6, 0.64, 0.48}};
    for (const auto& [yaw, pitch, roll] :
         {std::array<double, 3>{0, 0, 0}, {180, 0, 0}, {-77, 60, 120}, {1e-4, 0, 0}}) {
        const Rotation turn = Rotation::from_yaw_pitch_roll_deg(yaw, pitch, roll);
        std::vector<Vec3> to;
        for (const Vec3 d : from) to.push_back(turn.to_world(d));
        const Rotation found = best_rotation(from, to);
        for (size_t i = 0; i < 3; ++i) {
            for (size_t j = 0; j < 3; ++j)
                CHECK_THAT(found.m[i][j], WithinAbs(turn.m[i][j], 1e-12));
        }
    }
}

TEST_CASE("gains and vignetting that are off show as their shares", "[scene_truth]") {
    const Scene truth = true_scene();
    Scene solved = truth;
    solved.frames[2].gain[1] *= 1.05;
    const SceneTruth t = compare_with_truth(truth, solved);
    // The common factor of green is 1.05^(1/11).
    const double common = std::pow(1.05, 1 / 11.0);
    CHECK(t.gain_max_share == close_to(1.05 / common - 1).margin(1e-12));
    const double rest = 1 - 1 / common;
    CHECK(t.gain_rms_share ==
          close_to(std::sqrt((std::pow(1.05 / common - 1, 2) + 10 * rest * rest) / 33))
              .margin(1e-12));
    // The left-out take's gain is nobody's business.
    Scene unused = truth;
    unused.frames[4].gain = {9, 9, 9};
    CHECK(compare_with_truth(truth, unused).gain_max_share == 0);

    solved = truth;
    solved.cameras["main"].vignetting = {-0.3, -0.05, -0.013};  // 0.65 becomes 0.637
    CHECK(compare_with_truth(truth, solved).corner_vignetting_share ==
          close_to(-0.02).margin(1e-12));
}

TEST_CASE("frames used on one side alone are told, and unknown ones refused", "[scene_truth]") {
    const Scene truth = true_scene();
    Scene solved = truth;
    solved.frames[4].use = true;
    solved.frames[8].use = false;
    solved.frames.pop_back();
    solved.frames[0].placed_by = "head";
    solved.frames[0].yaw_deg = *solved.frames[0].yaw_deg + 0.2;
    const SceneTruth t = compare_with_truth(truth, solved);
    CHECK(t.missing == std::vector<std::string>{"card/8.jpg", "card/11.jpg"});
    CHECK(t.extra == std::vector<std::string>{"card/4.jpg"});
    CHECK(t.frames.size() == 10);
    CHECK(t.rms_px_of("head") > 4 * t.rms_px_of("matches"));
    CHECK(t.rms_px_of("hand") == 0);
    CHECK(truth_text(t).find("worst: card/0.jpg (head)") != std::string::npos);

    solved.frames[3].file = "other.jpg";
    CHECK_THROWS_AS(compare_with_truth(truth, solved), std::runtime_error);
    solved = truth;
    solved.frames[3].file = solved.frames[5].file;
    CHECK_THROWS_AS(compare_with_truth(truth, solved), std::runtime_error);
    solved = truth;
    solved.cameras["main"].width = 601;
    CHECK_THROWS_AS(compare_with_truth(truth, solved), std::runtime_error);
    for (Frame& f : solved.frames) f.use = false;
    CHECK_THROWS_AS(compare_with_truth(truth, solved), std::runtime_error);
}

TEST_CASE("a direction that the solved camera cannot show counts as an infinite error",
          "[scene_truth]") {
    const Scene truth = true_scene();
    Scene solved = truth;
    solved.frames[9].yaw_deg = *solved.frames[9].yaw_deg + 180;
    const SceneTruth t = compare_with_truth(truth, solved);
    CHECK(std::isinf(t.rms_px));
    CHECK(std::isinf(t.frames[8].max_px));  // the left-out take is not among them
}

}  // namespace broadloom::test
