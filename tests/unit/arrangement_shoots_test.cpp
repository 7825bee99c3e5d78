/// Whole shoots, many of them: sizes, orders, retakes, textureless frames, wrong matches.
#include <catch2/catch.hpp>
#include <functional>
#include <iostream>

#include "base/stopwatch.hpp"
#include "gather/order_pattern.hpp"
#include "support/grid_shoot.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

bool found(const Arrangement& a, const MadeShoot& made) {
    if (!a.complete || !a.empty_cells.empty()) return false;
    for (size_t i = 0; i < made.truth.size(); ++i) {
        if (a.frames[i].row != made.truth[i].row || a.frames[i].column != made.truth[i].column) {
            return false;
        }
    }
    return true;
}

struct Outcome {
    int found = 0;
    int wrong = 0;  ///< called complete, and is not what was shot
    double worst_s = 0;
};

Outcome try_seeds(const std::string& name, int seeds,
                  const std::function<GridShoot(int)>& shoot_of) {
    Outcome outcome;
    for (int seed = 1; seed <= seeds; ++seed) {
        GridShoot shoot = shoot_of(seed);
        shoot.seed = static_cast<uint64_t>(seed);
        const MadeShoot made = make_grid_shoot(shoot);
        const double start = monotonic_seconds();
        const Arrangement a = arrange(made.input);
        outcome.worst_s = std::max(outcome.worst_s, monotonic_seconds() - start);
        if (found(a, made)) {
            ++outcome.found;
        } else if (a.complete) {
            ++outcome.wrong;
        }
    }
    std::cout << name << ": " << outcome.found << " of " << seeds << " found, " << outcome.wrong
              << " wrong, at most " << outcome.worst_s << " s\n";
    return outcome;
}

ShootOrder order_of(int seed) { return all_shoot_orders()[static_cast<size_t>(seed) % 16]; }

GridShoot large(int seed) {
    GridShoot shoot;
    shoot.columns = even_columns(12, 20);
    shoot.width_deg = 9;
    shoot.height_deg = 6;
    shoot.plain_share = 0.15;
    shoot.order = order_of(seed);
    shoot.step_backs = {{30, 2}, {100, 4}, {190, 1}};
    return shoot;
}

}  // namespace

TEST_CASE("Small grids are found in every order", "[arrange]") {
    for (const auto& [rows, columns] : std::vector<std::pair<int64_t, int64_t>>{
             {1, 2}, {2, 1}, {2, 2}, {1, 7}, {7, 1}, {2, 5}, {3, 5}, {4, 6}}) {
        const Outcome o =
            try_seeds(std::to_string(rows) + " x " + std::to_string(columns), 16, [&](int seed) {
                GridShoot shoot;
                shoot.columns = even_columns(rows, columns);
                shoot.order = order_of(seed);
                return shoot;
            });
        // Two frames have but one link, and one in twenty is not made.
        CHECK(o.found >= (rows * columns == 2 ? 14 : 16));
        CHECK(o.wrong == 0);
    }
}

TEST_CASE("12 x 20 with 15 % textureless frames and three retakes is found by itself",
          "[arrange]") {
    const Outcome o = try_seeds("12 x 20", 16, large);
    CHECK(o.found == 16);
    // A hundred times what it takes here; a search that grows out of bounds takes longer.
    CHECK(o.worst_s < 20);
    CHECK(try_seeds("12 x 20, one order", 16, [](int seed) {
              GridShoot shoot = large(seed);
              shoot.order = {};
              return shoot;
          }).found == 16);
}

TEST_CASE("12 x 20 with a misstated field of view and wrong displacements", "[arrange]") {
    CHECK(try_seeds("view off by 5 %, 3 % wrong", 16, [](int seed) {
              GridShoot shoot = large(seed);
              shoot.view_error = seed % 2 == 0 ? 0.05 : -0.05;
              shoot.wrong_share = 0.03;
              return shoot;
          }).found == 16);
    // A long lens: aim errors are an eighth of a step.
    CHECK(try_seeds("long lens, view off by 5 %, 3 % wrong", 16, [](int seed) {
              GridShoot shoot = large(seed);
              shoot.width_deg = 5;
              shoot.height_deg = 3.4;
              shoot.view_error = 0.05;
              shoot.wrong_share = 0.03;
              return shoot;
          }).found >= 15);
}

TEST_CASE("Whole rows without texture are placed", "[arrange]") {
    CHECK(try_seeds("top row plain", 16, [](int seed) {
              GridShoot shoot = large(seed);
              shoot.plain_rows = {0};
              shoot.plain_share = 0.07;
              return shoot;
          }).found == 16);
    CHECK(try_seeds("middle row plain", 16, [](int seed) {
              GridShoot shoot = large(seed);
              shoot.plain_rows = {5};
              shoot.plain_share = 0.05;
              return shoot;
          }).found == 16);
    // Shot by rows from the top, two rows of sky with a retake among them do not show how many rows
    // they are: then it is not guessed.
    const Outcome two = try_seeds("two top rows plain", 16, [](int seed) {
        GridShoot shoot = large(seed);
        shoot.plain_rows = {0, 1};
        shoot.plain_share = 0.05;
        return shoot;
    });
    CHECK(two.found >= 11);
    CHECK(two.wrong == 0);
}

TEST_CASE("Retakes are found wherever they happen", "[arrange]") {
    const std::vector<std::pair<std::string, std::vector<StepBack>>> cases{
        {"the first frame again", {{0, 1}}},
        {"the last frame again", {{23, 1}}},
        {"first of a column", {{4, 1}}},
        {"last of a column", {{3, 1}}},
        {"across a change of column", {{5, 4}}},
        {"more than a column", {{11, 7}}},
        {"two retakes of one cell", {{9, 1}, {9, 1}}},
        {"twice over a stretch", {{10, 3}, {10, 3}}},
        {"two places", {{6, 2}, {17, 2}}}};
    for (const auto& [name, backs] : cases) {
        const Outcome o = try_seeds(name, 48, [&, &step_backs = backs](int seed) {
            GridShoot shoot;
            shoot.order = order_of(seed);
            shoot.step_backs = step_backs;
            return shoot;
        });
        CHECK(o.found == 48);
    }
    CHECK(try_seeds("a retake, and the top row plain", 48, [](int seed) {
              GridShoot shoot;
              shoot.order = order_of(seed);
              shoot.plain_rows = {0};
              shoot.step_backs = {{7, 2}};
              return shoot;
          }).found >= 46);
}

TEST_CASE("Small grids bear wrong displacements", "[arrange]") {
    const Outcome small = try_seeds("3 x 5, 3 % wrong", 96, [](int seed) {
        GridShoot shoot;
        shoot.columns = even_columns(3, 5);
        shoot.order = order_of(seed);
        shoot.wrong_share = 0.03;
        return shoot;
    });
    CHECK(small.found >= 95);
    CHECK(small.wrong == 0);
    const Outcome plain = try_seeds("4 x 6, 5 % wrong, 15 % plain", 96, [](int seed) {
        GridShoot shoot;
        shoot.order = order_of(seed);
        shoot.wrong_share = 0.05;
        shoot.plain_share = 0.15;
        return shoot;
    });
    CHECK(plain.found >= 94);
    CHECK(plain.wrong == 0);
}

TEST_CASE("Columns all round the circle are found", "[arrange]") {
    for (const double error : {0.0, 0.05, -0.05}) {
        CHECK(try_seeds("round, view off by " + std::to_string(error), 16, [&](int seed) {
                  GridShoot shoot;
                  shoot.columns = even_columns(3, 20);
                  shoot.round = true;
                  shoot.width_deg = 26;
                  shoot.height_deg = 18;
                  shoot.plain_share = 0.1;
                  shoot.order = order_of(seed);
                  shoot.step_backs = {{10, 2}};
                  shoot.view_error = error;
                  return shoot;
              }).found == 16);
    }
}

TEST_CASE("Rows of different length are found at steep pitch", "[arrange]") {
    const auto steep = [](int seed) {
        GridShoot shoot;
        shoot.columns = {9, 12, 15, 18, 20};
        shoot.top_pitch_deg = 30;
        shoot.order = order_of(seed);
        shoot.order.by_column = false;
        return shoot;
    };
    CHECK(try_seeds("uneven rows", 16, steep).found == 16);
    const Outcome plain = try_seeds("uneven rows, 10 % plain, a retake", 16, [&](int seed) {
        GridShoot shoot = steep(seed);
        shoot.plain_share = 0.1;
        shoot.step_backs = {{40, 3}};
        return shoot;
    });
    CHECK(plain.found >= 14);
    CHECK(plain.wrong == 0);
    CHECK(try_seeds("uneven rows, closed", 16, [&](int seed) {
              GridShoot shoot = steep(seed);
              shoot.columns = {12, 15, 18, 20, 20};
              shoot.top_pitch_deg = 25;
              shoot.round = true;
              shoot.width_deg = 26;
              return shoot;
          }).found == 16);
    CHECK(try_seeds("even rows at steep pitch", 16, [](int seed) {
              GridShoot shoot;
              shoot.columns = even_columns(5, 10);
              shoot.top_pitch_deg = 30;
              shoot.order = order_of(seed);
              return shoot;
          }).found == 16);
}

TEST_CASE("Another truth than the one that was shot is not found", "[arrange]") {
    GridShoot shoot;
    MadeShoot made = make_grid_shoot(shoot);
    const Arrangement a = arrange(made.input);
    CHECK(found(a, made));
    std::swap(made.truth[3], made.truth[4]);
    CHECK_FALSE(found(a, made));
}
