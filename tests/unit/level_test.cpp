#include "align/level.hpp"

#include <catch2/catch.hpp>
#include <random>

#include "scene/rotation_math.hpp"

using namespace broadloom;

namespace {

Rotation turned(double yaw, double pitch, double roll) {
    return Rotation::from_yaw_pitch_roll_deg(yaw, pitch, roll);
}

struct Set {
    int64_t rows = 4, columns = 8;
    double yaw_step = 18, pitch_step = 12, middle_pitch = 0, roll = 0, noise = 0.3;
    bool cells = true;
    Rotation tilt = turned(25, 6, -9);  ///< what has to be taken out again
};

std::vector<LevelFrame> make_set(const Set& set) {
    std::mt19937 random(11);
    std::normal_distribution<double> normal;
    std::vector<LevelFrame> out;
    for (int64_t row = 0; row < set.rows; ++row) {
        for (int64_t column = 0; column < set.columns; ++column) {
            LevelFrame frame;
            const double across =
                static_cast<double>(column) - static_cast<double>(set.columns - 1) / 2;
            const double up = static_cast<double>(set.rows - 1) / 2 - static_cast<double>(row);
            frame.rotation =
                set.tilt *
                turned(100 + across * set.yaw_step + set.noise * normal(random),
                       set.middle_pitch + up * set.pitch_step + set.noise * normal(random),
                       set.roll + set.noise * normal(random));
            if (set.cells) {
                frame.row = row;
                frame.column = column;
            }
            out.push_back(frame);
        }
    }
    return out;
}

/// How far from the vertical the head's axis is after levelling, degrees.
double axis_error_deg(const Set& set, const Rotation& level) {
    return angle_between((level * set.tilt).to_world({0, 1, 0}), {0, 1, 0}) * kDegPerRad;
}

}  // namespace

TEST_CASE("The angles of a rotation are those it was made of", "[level]") {
    for (double yaw = -170; yaw <= 180; yaw += 35) {
        for (double pitch = -85; pitch <= 85; pitch += 17) {
            for (double roll = -170; roll <= 180; roll += 50) {
                const YawPitchRoll got = yaw_pitch_roll(turned(yaw, pitch, roll));
                CHECK_THAT(got.yaw_deg, Catch::WithinAbs(yaw, 1e-9));
                CHECK_THAT(got.pitch_deg, Catch::WithinAbs(pitch, 1e-9));
                CHECK_THAT(got.roll_deg, Catch::WithinAbs(roll, 1e-9));
            }
        }
    }
    // Straight up and down the angles are not unique, the rotation is.
    for (const double pitch : {90.0, -90.0}) {
        const Rotation r = turned(30, pitch, 20);
        const YawPitchRoll got = yaw_pitch_roll(r);
        CHECK_THAT(got.pitch_deg, Catch::WithinAbs(pitch, 1e-6));
        CHECK(rotation_angle(turned(got.yaw_deg, got.pitch_deg, got.roll_deg).inverse() * r) <
              1e-7);
    }
    CHECK_THAT(yaw_pitch_roll(turned(-180, 0, -180)).yaw_deg, Catch::WithinAbs(180, 1e-9));
    CHECK_THAT(yaw_pitch_roll(turned(-180, 0, -180)).roll_deg, Catch::WithinAbs(180, 1e-9));
}

TEST_CASE("A tilted set is made level and looks ahead", "[level]") {
    for (const double middle_pitch : {0.0, 15.0}) {
        for (const double roll : {0.0, 2.0}) {  // a camera that sits askew on the head
            Set set;
            set.middle_pitch = middle_pitch;
            set.roll = roll;
            const std::vector<LevelFrame> frames = make_set(set);
            const Rotation level = level_set(frames, 0);
            CHECK(axis_error_deg(set, level) < 0.5);
            double left = 180;
            double right = -180;
            for (const LevelFrame& frame : frames) {
                const double yaw = yaw_pitch_roll(level * frame.rotation).yaw_deg;
                left = std::min(left, yaw);
                right = std::max(right, yaw);
            }
            CHECK_THAT(left + right, Catch::WithinAbs(0, 1));
        }
    }
    CHECK(axis_error_deg({}, Rotation()) > 5);  // control
}

TEST_CASE("A single row and a loose set are made level by their rolls", "[level]") {
    Set row;
    row.rows = 1;
    row.columns = 12;
    row.middle_pitch = 10;
    CHECK(axis_error_deg(row, level_set(make_set(row), 0)) < 0.6);
    Set loose;
    loose.cells = false;
    CHECK(axis_error_deg(loose, level_set(make_set(loose), 0)) < 0.6);
}

TEST_CASE("One frame keeps its pitch and loses its roll", "[level]") {
    const std::vector<LevelFrame> one{{turned(40, 12, 7), {}, {}}};
    const YawPitchRoll got = yaw_pitch_roll(level_set(one, 0) * one[0].rotation);
    CHECK_THAT(got.yaw_deg, Catch::WithinAbs(0, 1e-6));
    CHECK_THAT(got.roll_deg, Catch::WithinAbs(0, 0.2));
    CHECK_THAT(got.pitch_deg, Catch::WithinAbs(12, 0.5));
    CHECK(rotation_angle(level_set({}, 0)) == 0);
}

TEST_CASE("The set is turned clockwise by what is asked", "[level]") {
    const Set set;
    const std::vector<LevelFrame> frames = make_set(set);
    const Rotation plain = level_set(frames, 0);
    const Rotation asked = level_set(frames, 2);
    // Clockwise: what lay to the right of the middle comes down (Y is down).
    const Vec3 before = plain.to_world(frames.back().rotation.axis());
    const Vec3 after = asked.to_world(frames.back().rotation.axis());
    CHECK(before.x > 0.5);
    CHECK(after.y > before.y + 0.01);
    CHECK_THAT(rotation_angle(asked * plain.inverse()) * kDegPerRad, Catch::WithinAbs(2, 1e-9));
}

TEST_CASE("The middle column of a closed ring looks ahead", "[level]") {
    std::vector<LevelFrame> frames;
    for (int64_t column = 0; column < 16; ++column) {
        frames.push_back({turned(22.5 * static_cast<double>(column) + 5, 0, 0), 0, column});
    }
    const Rotation level = level_set(frames, 0);
    CHECK_THAT(yaw_pitch_roll(level * frames[8].rotation).yaw_deg, Catch::WithinAbs(0, 1e-6));
}

TEST_CASE("The surface follows from how wide and how tall the set is", "[level]") {
    Camera camera;
    camera.width = 1500;
    camera.height = 1000;
    camera.focal_px = 2800;  // 30 x 20 degrees
    const auto chosen = [&](const Set& set, std::string& reason) {
        const std::vector<LevelFrame> frames = make_set(set);
        return choose_surface(frames, std::vector<Camera>(frames.size(), camera), reason);
    };
    std::string reason;
    Set set;
    set.tilt = Rotation();
    CHECK(chosen(set, reason) == Surface::cylinder);  // 156 degrees wide in the middle
    CHECK(reason.find("a cylinder, since the set is 16") == 0);
    set.rows = 10;
    CHECK(chosen(set, reason) == Surface::sphere);  // reaches 64 degrees up
    CHECK(reason.find("stretch") != std::string::npos);
    set.rows = 4;
    set.columns = 3;
    CHECK(chosen(set, reason) == Surface::sphere);  // 66 degrees wide
    set.columns = 8;
    set.middle_pitch = 30;
    CHECK(chosen(set, reason) == Surface::sphere);  // all of it high up
}

TEST_CASE("A hand-held view rolled every which way stands as most of its frames were held",
          "[level]") {
    std::vector<LevelFrame> frames;
    for (const double roll : {3.0, 40.0, 85.0, 129.0, 1.0}) {
        frames.push_back({turned(10, 8, 0) * turned(0, 0, roll), {}, {}});
    }
    const Rotation level = level_set(frames, 0);
    CHECK_THAT(yaw_pitch_roll(level * frames[0].rotation).pitch_deg, Catch::WithinAbs(0, 1e-6));
    CHECK_THAT(yaw_pitch_roll(level * frames[0].rotation).roll_deg, Catch::WithinAbs(1, 1e-6));
    CHECK_THAT(yaw_pitch_roll(level * frames[3].rotation).roll_deg, Catch::WithinAbs(127, 1e-6));
    // Where nearly all agree, a frame held askew does not take the horizon away: the set keeps its
    // pitch.
    std::vector<LevelFrame> steady;
    for (int i = 0; i < 9; ++i) steady.push_back({turned(10.0 * i, 8, i == 4 ? 60 : 0.5), {}, {}});
    const double pitch = yaw_pitch_roll(level_set(steady, 0) * steady[0].rotation).pitch_deg;
    CHECK(pitch > 2);
}
