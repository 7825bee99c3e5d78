#include "gather/order_pattern.hpp"

#include <catch2/catch.hpp>
#include <set>

using namespace broadloom;

namespace {

using Cells = std::vector<std::pair<int64_t, int64_t>>;

Cells walked(const OrderPattern& pattern) {
    Cells cells;
    for (const PatternCell& c : pattern.sequence()) cells.push_back(pattern.row_and_column(c));
    return cells;
}

}  // namespace

TEST_CASE("The orders walk a grid of two rows and three columns as their words say", "[arrange]") {
    // Written down by hand: row, column, from the top left.
    CHECK(walked({{true, true, true, false}, {2, 2, 2}}) ==
          Cells{{0, 0}, {1, 0}, {0, 1}, {1, 1}, {0, 2}, {1, 2}});
    CHECK(walked({{true, true, true, true}, {2, 2, 2}}) ==
          Cells{{0, 0}, {1, 0}, {1, 1}, {0, 1}, {0, 2}, {1, 2}});
    CHECK(walked({{true, false, false, true}, {2, 2, 2}}) ==
          Cells{{1, 2}, {0, 2}, {0, 1}, {1, 1}, {1, 0}, {0, 0}});
    CHECK(walked({{false, true, false, false}, {3, 3}}) ==
          Cells{{0, 2}, {0, 1}, {0, 0}, {1, 2}, {1, 1}, {1, 0}});
    CHECK(walked({{false, false, true, true}, {3, 3}}) ==
          Cells{{1, 0}, {1, 1}, {1, 2}, {0, 2}, {0, 1}, {0, 0}});
    // The check can fail: another order walks otherwise.
    CHECK(walked({{true, true, true, false}, {2, 2, 2}}) !=
          walked({{true, true, true, true}, {2, 2, 2}}));
}

TEST_CASE("Each of the sixteen orders comes to each cell once, in a walk of its own", "[arrange]") {
    std::set<Cells> walks;
    for (const ShootOrder& order : all_shoot_orders()) {
        const OrderPattern pattern{
            order, order.by_column ? std::vector<int64_t>(4, 3) : std::vector<int64_t>(3, 4)};
        CHECK(pattern.rows() == 3);
        CHECK(pattern.columns() == std::vector<int64_t>(3, 4));
        const Cells cells = walked(pattern);
        CHECK(std::set<std::pair<int64_t, int64_t>>(cells.begin(), cells.end()).size() == 12);
        walks.insert(cells);
    }
    CHECK(walks.size() == 16);
}

TEST_CASE("Rows of different length are walked to their own ends", "[arrange]") {
    const OrderPattern up{{false, false, true, true}, {3, 2}};
    CHECK(walked(up) == Cells{{1, 0}, {1, 1}, {1, 2}, {0, 1}, {0, 0}});
    CHECK(up.columns() == std::vector<int64_t>{2, 3});
    CHECK(up.cells() == 5);
}
