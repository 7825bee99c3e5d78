#include "pyramid/regrid.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <map>
#include <random>
#include <tuple>
#include <vector>

#include "broadloom/error.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using broadloom::testing::ScratchFolder;

namespace {

using Place = std::tuple<int, int64_t, int64_t>;  // level, column, row

/// The whole picture's pixel: each has a value of its own.
uint32_t pixel(int level, int64_t x, int64_t y) {
    uint64_t v = (static_cast<uint64_t>(level) << 58) ^ (static_cast<uint64_t>(x) << 29) ^
                 static_cast<uint64_t>(y);
    v = (v ^ (v >> 31)) * 0x9e3779b97f4a7c15u;
    return static_cast<uint32_t>(v >> 32);
}

/// A cell's pixels in rows longer than the cell.
struct Cell {
    std::vector<uint8_t> bytes;
    PictureView view;
};

Cell make_cell(const PyramidShape& cells, const Place& place) {
    const auto [level, column, row] = place;
    const Rect rect = cells.cell_rect(level, column, row);
    const int64_t stride = rect.width() * 4 + 12;
    Cell cell{std::vector<uint8_t>(static_cast<size_t>(stride * rect.height())), {}};
    for (int64_t y = rect.y0; y < rect.y1; ++y)
        for (int64_t x = rect.x0; x < rect.x1; ++x) {
            const uint32_t value = pixel(level, x, y);
            std::copy_n(
                reinterpret_cast<const uint8_t*>(&value), 4,
                &cell.bytes[static_cast<size_t>((y - rect.y0) * stride + (x - rect.x0) * 4)]);
        }
    cell.view = {cell.bytes.data(), rect.width(), rect.height(), stride};
    return cell;
}

/// Children before their parent, the four of them in row-major order.
void walk(const PyramidShape& cells, int level, int64_t column, int64_t row,
          std::vector<Place>& out) {
    if (column >= cells.columns(level) || row >= cells.rows(level)) return;
    if (level + 1 < cells.levels()) {
        // Below one tile a level has one cell and one child.
        for (int64_t y = 0; y < 2; ++y)
            for (int64_t x = 0; x < 2; ++x)
                walk(cells, level + 1, 2 * column + x, 2 * row + y, out);
    }
    out.emplace_back(level, column, row);
}

std::vector<Place> children_first(const PyramidShape& cells) {
    std::vector<Place> out;
    walk(cells, 0, 0, 0, out);
    return out;
}

struct Outcome {
    int64_t windows = 0, wrong_pixels = 0, repeated = 0, wrong_sizes = 0;
    int64_t scratch_bytes = 0;
    std::vector<Place> order;
};

/// Compares every window with the one cut from the whole picture by `expected`'s geometry.
Outcome run(const PyramidShape& cells, const PyramidShape& windows, const PyramidShape& expected,
            const std::vector<Place>& order, bool flip_one_bit = false) {
    ScratchFolder folder;
    Outcome outcome;
    std::map<Place, int> seen;
    Regrid regrid(folder / "scratch", cells, windows);
    for (const Place& place : order) {
        const auto [l, c, r] = place;
        Cell cell = make_cell(cells, place);
        if (flip_one_bit && place == order.front()) cell.bytes.front() ^= 1;
        regrid.add(l, c, r, cell.view,
                   [&](int level, int64_t column, int64_t row, const PictureView& window) {
                       ++outcome.windows;
                       outcome.order.emplace_back(level, column, row);
                       if (++seen[{level, column, row}] > 1) ++outcome.repeated;
                       const Rect rect = expected.tile_rect(level, column, row);
                       if (rect.width() != window.width || rect.height() != window.height) {
                           ++outcome.wrong_sizes;
                           return;
                       }
                       for (int64_t y = 0; y < window.height; ++y)
                           for (int64_t x = 0; x < window.width; ++x) {
                               const uint32_t value = pixel(level, rect.x0 + x, rect.y0 + y);
                               if (!std::equal(reinterpret_cast<const uint8_t*>(&value),
                                               reinterpret_cast<const uint8_t*>(&value) + 4,
                                               window.data + y * window.stride + 4 * x))
                                   ++outcome.wrong_pixels;
                           }
                   });
    }
    outcome.scratch_bytes = regrid.scratch_bytes();
    CHECK_FALSE(std::filesystem::exists(folder / "scratch"));
    return outcome;
}

void check_all(const Outcome& outcome, const PyramidShape& windows) {
    CHECK(outcome.windows == windows.tile_count());
    CHECK(outcome.repeated == 0);
    CHECK(outcome.wrong_sizes == 0);
    CHECK(outcome.wrong_pixels == 0);
}

}  // namespace

TEST_CASE("windows cut from cells in any order equal those cut from the whole picture",
          "[regrid][property]") {
    std::mt19937 random(7);
    const auto between = [&](int low, int high) {
        return std::uniform_int_distribution<int>(low, high)(random);
    };
    for (int trial = 0; trial < 60; ++trial) {
        const int64_t width = between(1, 97), height = between(1, 83);
        const PyramidShape cells{width, height, between(1, 40), 0};
        const PyramidShape windows{width, height, between(1, 40), between(0, 5)};
        CAPTURE(width, height, cells.tile, windows.tile, windows.overlap);
        std::vector<Place> order = children_first(cells);
        CHECK(static_cast<int64_t>(order.size()) == cells.tile_count());
        if (trial % 2 == 0) std::shuffle(order.begin(), order.end(), random);
        check_all(run(cells, windows, windows, order), windows);
    }
}

TEST_CASE("windows of awkward shapes come out right", "[regrid]") {
    struct Case {
        int64_t width, height, cell, tile, overlap;
    };
    // One pixel; primes; the cells' grid with an overlap; one past a tile; an overlap beyond a
    // tile.
    const Case cases[] = {{1, 1, 512, 16, 0},      {1, 1, 1, 1, 3},         {613, 409, 254, 254, 1},
                          {613, 409, 254, 256, 0}, {257, 513, 256, 256, 2}, {31, 17, 8, 3, 7},
                          {211, 1, 16, 48, 0},     {300, 200, 64, 64, 0}};
    for (const Case& c : cases) {
        const PyramidShape cells{c.width, c.height, c.cell, 0};
        const PyramidShape windows{c.width, c.height, c.tile, c.overlap};
        CAPTURE(c.width, c.height, c.cell, c.tile, c.overlap);
        std::vector<Place> order = children_first(cells);
        check_all(run(cells, windows, windows, order), windows);
        std::reverse(order.begin(), order.end());
        check_all(run(cells, windows, windows, order), windows);
    }
}

TEST_CASE("an 8x4 picture in tiles of 3 with overlap 1 has the known tile sizes", "[regrid]") {
    // Worked by hand from the definition: 4x4, 5x4, 3x4 above 4x2, 5x2, 3x2.
    const PyramidShape cells{8, 4, 3, 0}, windows{8, 4, 3, 1};
    ScratchFolder folder;
    Regrid regrid(folder / "scratch", cells, windows);
    std::map<std::pair<int64_t, int64_t>, std::pair<int64_t, int64_t>> sizes;
    for (const Place& place : children_first(cells)) {
        const auto [l, c, r] = place;
        const Cell cell = make_cell(cells, place);
        regrid.add(l, c, r, cell.view,
                   [&](int level, int64_t column, int64_t row, const PictureView& window) {
                       if (level == 3) sizes[{row, column}] = {window.width, window.height};
                   });
    }
    using Size = std::pair<int64_t, int64_t>;
    REQUIRE(sizes.size() == 6);
    CHECK(sizes[{0, 0}] == Size{4, 4});
    CHECK(sizes[{0, 1}] == Size{5, 4});
    CHECK(sizes[{0, 2}] == Size{3, 4});
    CHECK(sizes[{1, 0}] == Size{4, 2});
    CHECK(sizes[{1, 1}] == Size{5, 2});
    CHECK(sizes[{1, 2}] == Size{3, 2});
}

TEST_CASE("the comparison notices a wrong overlap, one flipped bit and a missing cell",
          "[regrid][negative]") {
    const PyramidShape cells{100, 70, 16, 0}, windows{100, 70, 16, 1};
    std::vector<Place> order = children_first(cells);
    const Outcome other = run(cells, windows, {100, 70, 16, 2}, order);
    CHECK(other.wrong_sizes > 0);
    // The top left pixel of the first cell shows in its own window alone.
    CHECK(run(cells, windows, windows, order, true).wrong_pixels == 1);
    order.erase(order.begin() + 3);
    CHECK(run(cells, windows, windows, order).windows < windows.tile_count());
}

TEST_CASE("the order of the windows depends on the order of the cells alone", "[regrid]") {
    const PyramidShape cells{150, 90, 16, 0}, windows{150, 90, 24, 3};
    std::vector<Place> order = children_first(cells);
    std::mt19937 random(11);
    std::shuffle(order.begin(), order.end(), random);
    const Outcome a = run(cells, windows, windows, order);
    const Outcome b = run(cells, windows, windows, order);
    CHECK(a.order == b.order);
    std::shuffle(order.begin(), order.end(), random);
    CHECK(run(cells, windows, windows, order).order != a.order);
}

TEST_CASE("the scratch file stays within its bound and is used again", "[regrid][property]") {
    struct Case {
        int64_t width, height, cell, tile, overlap;
    };
    const Case cases[] = {{1000, 700, 16, 16, 1},   {2000, 90, 16, 16, 1}, {90, 2000, 16, 16, 1},
                          {1000, 700, 16, 48, 0},   {997, 701, 18, 16, 0}, {1024, 1024, 16, 16, 2},
                          {1000, 700, 16, 16, 0},   {500, 300, 7, 5, 9},   {40, 30, 64, 16, 1},
                          {1000, 700, 254, 256, 0}, {1, 1, 16, 16, 1},     {5000, 40, 16, 16, 1},
                          {24, 6000, 8, 16, 1}};
    for (const Case& c : cases) {
        const PyramidShape cells{c.width, c.height, c.cell, 0};
        const PyramidShape windows{c.width, c.height, c.tile, c.overlap};
        CAPTURE(c.width, c.height, c.cell, c.tile, c.overlap);
        const Outcome outcome = run(cells, windows, windows, children_first(cells));
        CHECK(outcome.scratch_bytes <= Regrid::scratch_bound(cells, windows));
        check_all(outcome, windows);
    }
    std::mt19937 random(23);
    const auto between = [&](int low, int high) {
        return std::uniform_int_distribution<int>(low, high)(random);
    };
    for (int trial = 0; trial < 150; ++trial) {
        const int64_t width = between(1, 300), height = between(1, trial % 2 == 0 ? 300 : 20);
        const PyramidShape cells{width, height, between(1, 12) + 2, 0};
        const PyramidShape windows{width, height, between(1, 20) + 2, between(0, 4)};
        CAPTURE(width, height, cells.tile, windows.tile, windows.overlap);
        CHECK(run(cells, windows, windows, children_first(cells)).scratch_bytes <=
              Regrid::scratch_bound(cells, windows));
    }
    // All pixels pass through the file, a sixth of them or less are in it at a time.
    const PyramidShape cells{2048, 2048, 16, 0}, windows{2048, 2048, 16, 1};
    const int64_t all = cells.pixel_count() * 4;
    const Outcome outcome = run(cells, windows, windows, children_first(cells));
    CHECK(outcome.scratch_bytes > 0);
    CHECK(outcome.scratch_bytes * 6 < all);
    CHECK(Regrid::scratch_bound(cells, windows) * 6 < all);
    // A long picture needs no more than its short side asks for, however long it is.
    const int64_t long_bound = Regrid::scratch_bound({40'000, 90, 16, 0}, {40'000, 90, 16, 1});
    CHECK(long_bound < 2 * Regrid::scratch_bound({400, 90, 16, 0}, {400, 90, 16, 1}));
    // The bound is about the order: with all columns but every second first, nothing is bounded.
    std::vector<Place> order = children_first(cells);
    std::stable_partition(order.begin(), order.end(),
                          [](const Place& place) { return std::get<1>(place) % 2 == 0; });
    CHECK(run(cells, windows, windows, order).scratch_bytes >
          Regrid::scratch_bound(cells, windows));
}

TEST_CASE("a grid that coincides needs no scratch file", "[regrid]") {
    const PyramidShape shape{700, 500, 64, 0};
    CHECK(Regrid::scratch_bound(shape, shape) == 0);
    CHECK(run(shape, shape, shape, children_first(shape)).scratch_bytes == 0);
    // Windows that divide the cells neither.
    CHECK(Regrid::scratch_bound(shape, {700, 500, 16, 0}) == 0);
    CHECK(Regrid::scratch_bound(shape, {700, 500, 16, 1}) > 0);
}

TEST_CASE("wrong cells and an unwritable scratch file are refused", "[regrid][errors]") {
    const PyramidShape cells{100, 70, 16, 0}, windows{100, 70, 16, 1};
    ScratchFolder folder;
    const auto ignore = [](int, int64_t, int64_t, const PictureView&) {};
    const int top = cells.levels() - 1;
    const Cell cell = make_cell(cells, {top, 0, 0});
    Regrid regrid(folder / "scratch", cells, windows);
    regrid.add(top, 0, 0, cell.view, ignore);
    CHECK_THROWS_AS(regrid.add(top, 0, 0, cell.view, ignore), Error);  // twice
    CHECK_THROWS_AS(regrid.add(top, 6, 0, cell.view, ignore), Error);  // narrower there
    CHECK_THROWS_AS(regrid.add(top, 7, 0, cell.view, ignore), Error);  // outside
    CHECK_THROWS_AS(Regrid(folder / "other", cells, PyramidShape{101, 70, 16, 1}), Error);
    Regrid nowhere(folder / "missing/scratch\n", cells, windows);
    try {
        nowhere.add(top, 0, 0, cell.view, ignore);
        FAIL("no error");
    } catch (const Error& error) {
        const std::string message = error.what();
        CHECK(error.code() == ErrorCode::machine);
        CHECK(message.find("missing/scratch") != std::string::npos);
        CHECK(message.find('\n') == std::string::npos);
    }
}
