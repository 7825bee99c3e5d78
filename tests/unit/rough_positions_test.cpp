#include "gather/rough_positions.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "broadloom/rotation.hpp"
#include "gather/grid_steps.hpp"
#include "support/grid_shoot.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

/// The largest error of yaw (shrunk to degrees of the sphere) and pitch, up to one common yaw.
double worst_error(const MadeShoot& made, const RoughPositions& rough) {
    double first = 0;
    bool any = false;
    double worst = 0;
    for (size_t i = 0; i < made.truth.size(); ++i) {
        if (rough.component[i] != 0) continue;
        const ShotFrame& t = made.truth[i];
        const double yaw = yaw_between(t.yaw_deg, rough.aims[i].yaw_deg);
        if (!any) first = yaw;
        any = true;
        worst =
            std::max({worst, std::abs(yaw_between(first, yaw)) * std::cos(t.pitch_deg * kRadPerDeg),
                      std::abs(rough.aims[i].pitch_deg - t.pitch_deg)});
    }
    return any ? worst : 1e9;
}

RoughPositions positions_of(const MadeShoot& made) {
    return rough_positions(made.input.frames, made.input.displacements, made.input.width_deg,
                           made.input.height_deg);
}

}  // namespace

TEST_CASE("A displacement gives the aim that the head's rotations give", "[arrange]") {
    // Against the rotation itself, whose test has sources of its own.
    for (const double pitch : {-50.0, 0.0, 35.0}) {
        const Rotation a = Rotation::from_yaw_pitch_roll_deg(20, pitch, 0);
        const Rotation b = Rotation::from_yaw_pitch_roll_deg(41, pitch + 9, 0);
        const Vec3 seen = a.to_camera(b.axis());
        const Aim aim = aim_seen_from({20, pitch}, std::atan2(seen.x, seen.z) * kDegPerRad,
                                      std::asin(-seen.y) * kDegPerRad);
        CHECK(std::abs(aim.yaw_deg - 41) < 1e-9);
        CHECK(std::abs(aim.pitch_deg - (pitch + 9)) < 1e-9);
        // Turned the wrong way it is not.
        const Aim other = aim_seen_from({20, pitch}, -std::atan2(seen.x, seen.z) * kDegPerRad,
                                        std::asin(-seen.y) * kDegPerRad);
        CHECK(std::abs(other.yaw_deg - 41) > 10);
    }
}

TEST_CASE("Positions of a grid near the horizon come out within aim errors", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(5, 8);
    const MadeShoot made = make_grid_shoot(shoot);
    const RoughPositions rough = positions_of(made);
    CHECK(rough.components == 1);
    // Aim errors of 0.3 degrees reach three to four times that among forty frames; the first
    // frame's own counts too.
    CHECK(worst_error(made, rough) < 2.2);
}

TEST_CASE("Wrong displacements are dropped and move nothing", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(6, 10);
    shoot.wrong_share = 0.04;
    for (uint64_t seed = 1; seed <= 5; ++seed) {
        shoot.seed = seed;
        const MadeShoot made = make_grid_shoot(shoot);
        const RoughPositions rough = positions_of(made);
        CHECK(worst_error(made, rough) < 3);
        size_t wrong = 0;
        for (size_t k = 0; k < rough.kept.size(); ++k) {
            const Displacement& d = made.input.displacements[k];
            const double up = made.truth[d.b].pitch_deg - made.truth[d.a].pitch_deg;
            const double right = made.truth[d.b].yaw_deg - made.truth[d.a].yaw_deg;
            const bool is_wrong = std::hypot(d.up_deg - up, d.right_deg - right) > 6;
            if (!is_wrong) continue;
            ++wrong;
            CHECK_FALSE(rough.kept[k]);
        }
        CHECK(wrong > 0);
    }
}

TEST_CASE("Rows that converge give the pitch away", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(5, 12);
    shoot.top_pitch_deg = 30;
    const MadeShoot made = make_grid_shoot(shoot);
    const RoughPositions rough = positions_of(made);
    CHECK(rough.pitch_known);
    CHECK(worst_error(made, rough) < 5);
    // Near the horizon they do not.
    shoot.top_pitch_deg = 0;
    shoot.columns = even_columns(3, 5);
    CHECK_FALSE(positions_of(make_grid_shoot(shoot)).pitch_known);
}

TEST_CASE("A closed circle shows by how much the field of view is misstated", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(3, 20);
    shoot.width_deg = 26;
    shoot.height_deg = 18;
    shoot.round = true;
    for (const double error : {-0.05, 0.0, 0.05}) {
        shoot.view_error = error;
        const MadeShoot made = make_grid_shoot(shoot);
        const RoughPositions rough = positions_of(made);
        const GridSteps steps = grid_steps(rough, made.input.displacements, made.input.width_deg,
                                           made.input.height_deg);
        CHECK(steps.round_columns == 20);
        CHECK(worst_error(made, rough) < 3);
    }
    shoot.round = false;
    shoot.columns = even_columns(3, 17);
    shoot.view_error = 0;
    const MadeShoot open = make_grid_shoot(shoot);
    CHECK(grid_steps(positions_of(open), open.input.displacements, open.input.width_deg,
                     open.input.height_deg)
              .round_columns == 0);
}

TEST_CASE("Groups that nothing joins are components of their own", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(7, 4);
    shoot.plain_rows = {2};
    const MadeShoot made = make_grid_shoot(shoot);
    const RoughPositions rough = positions_of(made);
    CHECK(rough.components == 2);
    for (size_t i = 0; i < made.truth.size(); ++i) {
        const int64_t row = made.truth[i].row;
        CHECK(rough.component[i] == (row == 2 ? -1 : row > 2 ? 0 : 1));
    }
}
