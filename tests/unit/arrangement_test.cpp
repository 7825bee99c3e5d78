#include "gather/arrangement.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "broadloom/rotation.hpp"
#include "gather/retakes.hpp"
#include "support/grid_shoot.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

using Cells = std::vector<std::pair<int64_t, int64_t>>;

bool says(const Arrangement& a, const std::string& words) {
    return a.problem.find(words) != std::string::npos;
}

size_t wrong_cells(const Arrangement& a, const MadeShoot& made) {
    size_t wrong = 0;
    for (size_t i = 0; i < made.truth.size(); ++i) {
        if (a.frames[i].row != made.truth[i].row || a.frames[i].column != made.truth[i].column) {
            ++wrong;
        }
    }
    return wrong;
}

}  // namespace

TEST_CASE("One frame is a grid of one cell", "[arrange]") {
    GridShoot shoot;
    shoot.columns = {1};
    const Arrangement a = arrange(make_grid_shoot(shoot).input);
    CHECK(a.complete);
    CHECK(a.rows == 1);
    CHECK(a.columns == std::vector<int64_t>{1});
    CHECK(std::abs(a.frames[0].yaw_deg.value()) < 1e-9);
    CHECK(std::abs(a.frames[0].pitch_deg.value()) < 1e-9);
}

TEST_CASE("No frames are a problem in words", "[arrange]") {
    const Arrangement a = arrange({});
    CHECK_FALSE(a.complete);
    CHECK_FALSE(a.problem.empty());
}

TEST_CASE("Angles of cells follow the head's steps", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(4, 7);
    shoot.aim_deg = 0.1;
    const MadeShoot made = make_grid_shoot(shoot);
    const Arrangement a = arrange(made.input);
    REQUIRE(a.complete);
    CHECK_FALSE(a.wraps);
    // The head's own error is 0.1 degrees, averaged over many frames.
    CHECK(std::abs(a.step_right_deg - 0.7 * 24) < 0.1);
    CHECK(std::abs(a.step_up_deg - 0.7 * 16) < 0.1);
    for (size_t i = 0; i < made.truth.size(); ++i) {
        CHECK(std::abs(a.frames[i].yaw_deg.value() - made.truth[i].yaw_deg) < 0.4);
        CHECK(std::abs(a.frames[i].pitch_deg.value() - made.truth[i].pitch_deg) < 0.4);
        CHECK_FALSE(a.frames[i].by_sequence);
    }
    CHECK(std::abs(a.frames[0].yaw_deg.value() - made.truth[1].yaw_deg) < 0.4);
    CHECK(std::abs(a.frames[0].pitch_deg.value() - made.truth[1].pitch_deg) > 5);
}

TEST_CASE("A head tilted steeply gets its pitch from the convergence of rows", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(5, 12);
    shoot.top_pitch_deg = 30;
    const MadeShoot made = make_grid_shoot(shoot);
    const Arrangement a = arrange(made.input);
    REQUIRE(a.complete);
    for (size_t i = 0; i < made.truth.size(); ++i) {
        CHECK(std::abs(a.frames[i].pitch_deg.value() - made.truth[i].pitch_deg) < 5);
        CHECK(std::abs(a.frames[i].yaw_deg.value() - made.truth[i].yaw_deg) < 6);
    }
}

TEST_CASE("The circle is closed only where it is", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(3, 20);
    shoot.width_deg = 26;
    shoot.height_deg = 18;
    shoot.round = true;
    const Arrangement closed = arrange(make_grid_shoot(shoot).input);
    REQUIRE(closed.complete);
    CHECK(closed.wraps);
    CHECK(std::abs(closed.step_right_deg - 18) < 0.1);
    shoot.round = false;
    shoot.columns = even_columns(3, 15);
    const Arrangement open = arrange(make_grid_shoot(shoot).input);
    REQUIRE(open.complete);
    CHECK_FALSE(open.wraps);
}

TEST_CASE("Frames without texture are placed by the sequence, and told", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(5, 6);
    shoot.plain_rows = {0};
    const MadeShoot made = make_grid_shoot(shoot);
    const Arrangement a = arrange(made.input);
    REQUIRE(a.complete);
    CHECK(a.rows == 5);
    for (size_t i = 0; i < made.truth.size(); ++i) {
        CHECK(a.frames[i].by_sequence == made.truth[i].plain);
        // Within the head's own error (0.3 degrees) and that of the fitted steps.
        CHECK(std::abs(a.frames[i].pitch_deg.value() - made.truth[i].pitch_deg) < 1);
    }
}

TEST_CASE("The latest take is kept, and the sharper one when the latest is blurred", "[arrange]") {
    GridShoot shoot;
    shoot.step_backs = {{9, 2}};
    MadeShoot made = make_grid_shoot(shoot);  // cells 8 and 9 at frames 8, 9 and again at 10, 11
    ArrangementInput& in = made.input;
    const auto frames = [&] {
        const Arrangement a = arrange(in);
        REQUIRE(a.complete);
        REQUIRE(a.frames[8].row == a.frames[10].row);
        REQUIRE(a.frames[9].column == a.frames[11].column);
        size_t out = 0;
        for (const Placement& p : a.frames) out += p.left_out ? 1 : 0;
        CHECK(out == 2);
        return a.frames;
    };
    in.sharpness.assign(in.frames, 1.0);
    auto f = frames();
    CHECK(f[8].left_out);
    CHECK(f[8].kept == size_t{10});
    CHECK(f[8].reason == "taken again later");
    CHECK_FALSE(f[10].left_out);
    in.sharpness[10] = 0.7;
    in.sharpness[9] = 0.5;
    f = frames();
    CHECK_FALSE(f[8].left_out);
    CHECK(f[10].left_out);
    CHECK(f[10].kept == size_t{8});
    CHECK(f[10].reason == "blurred; an earlier take is sharper");
    CHECK(f[9].reason == "blurred; taken again later");
    // A little less sharp is not blurred.
    in.sharpness[10] = 0.85;
    CHECK_FALSE(frames()[10].left_out);
    // Unknown sharpness decides nothing.
    in.sharpness[10] = 0;
    CHECK_FALSE(frames()[10].left_out);
}

TEST_CASE("Of three takes one is kept", "[arrange]") {
    std::vector<Placement> takes(4);
    for (Placement& p : takes) p.row = p.column = 0;
    takes[1].column = 1;
    choose_takes(std::vector<double>{1.0, 1.0, 0.3, 0.4}, takes);
    CHECK_FALSE(takes[0].left_out);
    CHECK_FALSE(takes[1].left_out);
    CHECK(takes[2].left_out);
    CHECK(takes[3].left_out);
    CHECK(takes[2].kept == size_t{0});
}

TEST_CASE("Missing frames leave exactly their cells empty, and the grid incomplete", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(5, 7);
    const std::vector<std::vector<int64_t>> holes{{12}, {0}, {34}, {4}, {5}, {11, 12}, {8, 23}};
    for (const auto& missing : holes) {
        shoot.missing = missing;
        MadeShoot made = make_grid_shoot(shoot);
        const Arrangement a = arrange(made.input);
        CAPTURE(missing.front());
        CHECK_FALSE(a.complete);
        CHECK(wrong_cells(a, made) == 0);
        Cells expected;  // shot by column, downwards
        for (const int64_t k : missing) expected.emplace_back(k % 5, k / 5);
        std::sort(expected.begin(), expected.end());
        CHECK(a.empty_cells == expected);
        CHECK(says(a, "--allow-gaps"));
        made.input.allow_gaps = true;
        const Arrangement gaps = arrange(made.input);
        CHECK(gaps.complete);
        CHECK(gaps.empty_cells == expected);
        CHECK_FALSE(gaps.problem.empty());
    }
    shoot.missing.clear();
    CHECK(arrange(make_grid_shoot(shoot).input).empty_cells.empty());
}

TEST_CASE("Without any matches the grid is not guessed", "[arrange]") {
    GridShoot shoot;
    shoot.plain_share = 1.1;
    MadeShoot made = make_grid_shoot(shoot);
    REQUIRE(made.input.displacements.empty());
    Arrangement a = arrange(made.input);
    CHECK_FALSE(a.complete);
    CHECK(a.without_cell.size() == 24);
    CHECK(says(a, "--rows"));
    made.input.rows = 4;
    made.input.columns = 6;
    a = arrange(made.input);
    CHECK_FALSE(a.complete);
    CHECK(says(a, "--order"));
    // All three given: placed by the sequence.
    made.input.order = ShootOrder{};
    a = arrange(made.input);
    CHECK(a.complete);
    CHECK(wrong_cells(a, made) == 0);
    CHECK(a.frames[5].by_sequence);
    // One too many: nothing shows which is the retake.
    made.input.rows = 3;
    made.input.columns = 7;
    a = arrange(made.input);
    CHECK_FALSE(a.complete);
    CHECK(says(a, "retakes"));
    CHECK_FALSE(a.frames[5].row.has_value());
}

TEST_CASE("Matches within columns alone leave left and right open", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(6, 8);
    shoot.across_lines = false;
    MadeShoot made = make_grid_shoot(shoot);
    Arrangement a = arrange(made.input);
    CHECK_FALSE(a.complete);
    CHECK(says(a, "--order"));
    CHECK_FALSE(a.frames[0].row.has_value());
    made.input.order = ShootOrder{};
    a = arrange(made.input);
    CHECK(a.complete);
    CHECK(wrong_cells(a, made) == 0);
}

TEST_CASE("What is given restricts what is found", "[arrange]") {
    GridShoot shoot;
    MadeShoot made = make_grid_shoot(shoot);
    made.input.rows = 4;
    made.input.columns = 6;
    made.input.order = ShootOrder{};
    CHECK(arrange(made.input).complete);
    made.input.rows.reset();
    made.input.columns = 7;
    const Arrangement a = arrange(made.input);
    CHECK_FALSE(a.complete);
    // Seven columns were to be, six were shot: the first or the last is missing.
    CHECK(says(a, "correct --rows and --columns"));
    // An order against the matches is no order.
    made.input.columns.reset();
    made.input.order = ShootOrder{true, false, false, false};
    CHECK_FALSE(arrange(made.input).complete);
}

TEST_CASE("A sequence that follows no order is refused", "[arrange]") {
    GridShoot shoot;
    shoot.columns = even_columns(5, 6);
    MadeShoot made = make_grid_shoot(shoot);
    // The same frames, in an order that no head takes: 7 is prime to 30.
    for (Displacement& d : made.input.displacements) {
        const size_t a = d.a * 7 % 30;
        const size_t b = d.b * 7 % 30;
        d.a = std::min(a, b);
        d.b = std::max(a, b);
        if (a > b) {
            d.right_deg = -d.right_deg;
            d.up_deg = -d.up_deg;
        }
    }
    made.input.times_s.clear();
    const Arrangement a = arrange(made.input);
    CHECK_FALSE(a.complete);
    CHECK(says(a, "order of their capture"));
    CHECK(a.without_cell.size() == 30);
}
