#include <catch2/catch.hpp>
#include <random>
#include <utility>
#include <vector>

#include "broadloom/pyramid.hpp"
#include "support/close_to.hpp"

using namespace broadloom;
using broadloom::testing::close_to;

TEST_CASE("level sizes round up", "[pyramid]") {
    // 15016x11741 -> 7508x5871, 3754x2936, 1877x1468, 939x734 (halves rounded up).
    const PyramidShape p{15016, 11741, 256, 0};
    const std::vector<std::pair<int64_t, int64_t>> expected{
        {15016, 11741}, {7508, 5871}, {3754, 2936}, {1877, 1468}, {939, 734}};
    CHECK(p.levels() == 15);  // highest level 14 = ceil(log2(15016))
    for (size_t i = 0; i < expected.size(); ++i) {
        const int level = p.levels() - 1 - static_cast<int>(i);
        CHECK(p.level_width(level) == expected[i].first);
        CHECK(p.level_height(level) == expected[i].second);
    }
    CHECK(15016 / 16 == 938);  // rounding down would differ at the fifth
    CHECK(p.level_width(0) == 1);
    CHECK(p.level_height(0) == 1);
}

TEST_CASE("columns and rows of the published example", "[pyramid]") {
    // 4224x3168, tile 256, overlap 1: level 13, columns x rows per level (published deep-zoom
    // example; libvips 8.14.1 agrees).
    const PyramidShape p{4224, 3168, 256, 1};
    REQUIRE(p.levels() == 14);
    const std::vector<std::pair<int64_t, int64_t>> expected{
        {17, 13}, {9, 7}, {5, 4}, {3, 2}, {2, 1}};
    int64_t count = 0;
    for (int level = 13; level >= 0; --level) {
        const auto i = static_cast<size_t>(13 - level);
        const std::pair<int64_t, int64_t> want =
            i < expected.size() ? expected[i] : std::pair<int64_t, int64_t>{1, 1};
        CHECK(p.columns(level) == want.first);
        CHECK(p.rows(level) == want.second);
        count += want.first * want.second;
    }
    CHECK(p.tile_count() == count);
}

TEST_CASE("tile counts of a 3.8-gigapixel picture", "[pyramid]") {
    // 126826x29633: tile 256 -> 76,789 tiles; 512 -> 19,254; level 17 (computed; picture size from
    // Summa et al. 2012).
    CHECK(PyramidShape{126826, 29633, 256, 0}.tile_count() == 76789);
    CHECK(PyramidShape{126826, 29633, 512, 0}.tile_count() == 19254);
    CHECK(PyramidShape{126826, 29633, 512, 0}.levels() == 18);
    CHECK(PyramidShape{126826, 29633, 511, 0}.tile_count() != 19254);  // negative control
    const PyramidShape p{126826, 29633, 512, 0};
    CHECK(static_cast<double>(p.pixel_count()) / (126826.0 * 29633.0) ==
          close_to(4.0 / 3).margin(1e-4));
}

TEST_CASE("tiles show the overlap and are cut at the edges", "[pyramid]") {
    // 8x4, tile 3, overlap 1 -> 4x4, 5x4, 3x4 / 4x2, 5x2, 3x2.
    const PyramidShape p{8, 4, 3, 1};
    const int top = p.levels() - 1;
    REQUIRE(p.columns(top) == 3);
    REQUIRE(p.rows(top) == 2);
    const int64_t widths[] = {4, 5, 3};
    const int64_t heights[] = {4, 2};
    for (int64_t row = 0; row < 2; ++row) {
        for (int64_t column = 0; column < 3; ++column) {
            const Rect r = p.tile_rect(top, column, row);
            CHECK(r.width() == widths[column]);
            CHECK(r.height() == heights[row]);
        }
    }
    CHECK(p.tile_rect(top, 1, 0) == Rect{2, 0, 7, 4});
    // Tile 254, overlap 1 -> corner 255x255, inner 256x256.
    const PyramidShape q{1000, 1000, 254, 1};
    CHECK(q.tile_rect(q.levels() - 1, 0, 0) == Rect{0, 0, 255, 255});
    CHECK(q.tile_rect(q.levels() - 1, 1, 1) == Rect{253, 253, 509, 509});
}

TEST_CASE("scale factors of a tiled image service", "[pyramid]") {
    // IIIF Image API 3.0 5.4: 6000x4000, tiles of 512, scale factors 1, 2, 4, 8, 16.
    const PyramidShape p{6000, 4000, 512, 0};
    const int top = p.levels() - 1;
    CHECK(p.level_width(top - 4) == 375);
    CHECK(p.level_height(top - 4) == 250);
    CHECK(p.columns(top - 4) * p.rows(top - 4) == 1);
    CHECK(p.columns(top - 3) * p.rows(top - 3) == 2);
}

TEST_CASE("the cells of a level cover it once", "[pyramid][property]") {
    std::mt19937 random(21);
    for (int i = 0; i < 200; ++i) {
        const PyramidShape p{
            static_cast<int64_t>(random() % 900 + 1), static_cast<int64_t>(random() % 900 + 1),
            static_cast<int64_t>(random() % 97 + 1), static_cast<int64_t>(random() % 5)};
        int64_t pixels = 0;
        for (int level = 0; level < p.levels(); ++level) {
            const Rect whole{0, 0, p.level_width(level), p.level_height(level)};
            int64_t area = 0;
            Rect all;
            for (int64_t row = 0; row < p.rows(level); ++row) {
                for (int64_t column = 0; column < p.columns(level); ++column) {
                    const Rect cell = p.cell_rect(level, column, row);
                    const Rect tile = p.tile_rect(level, column, row);
                    REQUIRE_FALSE(cell.empty());
                    REQUIRE(tile.contains(cell));
                    REQUIRE(whole.contains(tile));
                    REQUIRE(tile == intersect(cell.grown(p.overlap), whole));
                    area += cell.area();
                    all = hull(all, cell);
                }
            }
            REQUIRE(area == whole.area());
            REQUIRE(all == whole);
            pixels += area;
            if (level > 0) {
                REQUIRE(p.level_width(level - 1) == (p.level_width(level) + 1) / 2);
                REQUIRE(p.level_height(level - 1) == (p.level_height(level) + 1) / 2);
            }
        }
        REQUIRE(p.pixel_count() == pixels);
    }
}

TEST_CASE("the smallest and the largest pictures", "[pyramid]") {
    const PyramidShape one{1, 1, 512, 0};
    CHECK(one.levels() == 1);
    CHECK(one.tile_count() == 1);
    CHECK(one.pixel_count() == 1);
    CHECK(PyramidShape{2, 1, 512, 0}.levels() == 2);
    CHECK(PyramidShape{512, 1, 512, 0}.levels() == 10);
    CHECK(PyramidShape{513, 1, 512, 0}.levels() == 11);
    CHECK(PyramidShape{513, 1, 512, 0}.columns(10) == 2);

    const int64_t side = 2147483647;
    const PyramidShape huge{side, side, 512, 0};
    CHECK(huge.levels() == 32);
    CHECK(huge.columns(31) == 4194304);
    CHECK(huge.cell_rect(31, 4194303, 4194303) == Rect{2147483136, 2147483136, side, side});
    CHECK(huge.level_width(30) == 1073741824);
    CHECK(huge.pixel_count() > side * side);
    CHECK(static_cast<double>(huge.tile_count()) ==
          close_to(4.0 / 3 * 4194304.0 * 4194304.0).epsilon(1e-6));
}
