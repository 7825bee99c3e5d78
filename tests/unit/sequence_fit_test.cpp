#include "gather/sequence_fit.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <numeric>

using namespace broadloom;

namespace {

/// Cells of columns of four, shot downwards; a frame is seen where `visits` says, or, at -1, not.
struct Columns {
    std::vector<GridPoint> cells;
    std::vector<SequenceFrame> frames;
    std::vector<std::optional<GridPoint>> origins{GridPoint{2, -1}};

    explicit Columns(int64_t columns) {
        for (int64_t k = 0; k < 4 * columns; ++k) {
            cells.push_back({static_cast<double>(k / 4), static_cast<double>(k % 4)});
        }
    }
    void see(int64_t cell) {
        const GridPoint& c = cells[static_cast<size_t>(cell)];
        frames.push_back({0, {c.x - 2, c.y + 1}, 0});
    }
    void unseen() { frames.push_back({}); }
    [[nodiscard]] SequenceFit fit() const {
        SequenceFitInput input;
        input.frames = frames;
        input.cells = cells;
        input.origins = origins;
        input.line = 4;
        return fit_sequence(input);
    }
};

}  // namespace

TEST_CASE("A plain walk costs nothing and ends with a whole line", "[arrange]") {
    Columns c(4);
    for (int64_t k = 0; k < 12; ++k) c.see(k);
    const SequenceFit fit = c.fit();
    std::vector<int64_t> expected(12);
    std::iota(expected.begin(), expected.end(), int64_t{0});
    CHECK(fit.cell == expected);
    CHECK(fit.cost == 0);
    CHECK(fit.end == 12);
    // One frame fewer leaves a line open, and that costs.
    c.frames.pop_back();
    CHECK(c.fit().cost > 10);
    CHECK(c.fit().end == 12);
}

TEST_CASE("Steps back are found, over the end of a line too, seen or not", "[arrange]") {
    Columns c(3);
    const std::vector<int64_t> walk{0, 1, 2, 3, 4, 5, 2, 3, 4, 5, 6, 7, 7, 7, 8, 9, 10, 11};
    for (const int64_t k : walk) c.see(k);
    CHECK(c.fit().cell == walk);
    // Frames without texture follow the others.
    c.frames[0] = c.frames[7] = c.frames[8] = c.frames[15] = SequenceFrame{};
    CHECK(c.fit().cell == walk);
    CHECK(c.fit().cost > 10);
    CHECK(c.fit().cost < 20);
}

TEST_CASE("A lone frame in the wrong place keeps its turn", "[arrange]") {
    Columns c(3);
    for (int64_t k = 0; k < 12; ++k) c.see(k == 5 ? 9 : k);
    SequenceFit fit = c.fit();
    CHECK(fit.cell[5] == 5);
    SequenceFitInput input;
    input.frames = c.frames;
    input.cells = c.cells;
    input.origins = c.origins;
    const std::vector<bool> misplaced = misplaced_frames(input, fit);
    CHECK(std::count(misplaced.begin(), misplaced.end(), true) == 1);
    CHECK(misplaced[5]);
}

TEST_CASE("A missing frame leaves its cell empty", "[arrange]") {
    Columns c(3);
    for (int64_t k = 0; k < 12; ++k) {
        if (k != 6) c.see(k);
    }
    const SequenceFit fit = c.fit();
    CHECK(std::find(fit.cell.begin(), fit.cell.end(), 6) == fit.cell.end());
    CHECK(fit.cell[6] == 7);
    CHECK(fit.end == 12);
}

TEST_CASE("An unusual pause decides where unseen frames were stepped back", "[arrange]") {
    // Four frames on three cells, none of them seen: any of them may be the repeat.
    Columns c(1);
    c.see(0);
    for (int k = 0; k < 3; ++k) c.unseen();
    c.see(3);
    for (const size_t late : {1U, 2U, 3U}) {
        Columns d = c;
        d.frames[late].likely_retake = 1;
        const SequenceFit fit = d.fit();
        CHECK(fit.cell[late] == fit.cell[late - 1]);
    }
}

TEST_CASE("The cost of a place grows with the distance up to that of a wrong match", "[arrange]") {
    CHECK(misplacement_cost(0, 0) == 0);
    CHECK(misplacement_cost(0.1, 0) < misplacement_cost(0.2, 0));
    CHECK(misplacement_cost(1, 0) == misplacement_cost(0, 7));
}
