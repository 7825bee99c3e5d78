#include "gather/order_pattern.hpp"

#include <algorithm>
#include <numeric>

namespace broadloom {

int64_t OrderPattern::cells() const {
    return std::accumulate(lengths.begin(), lengths.end(), int64_t{0});
}

std::vector<PatternCell> OrderPattern::sequence() const {
    std::vector<PatternCell> cells_in_order;
    cells_in_order.reserve(static_cast<size_t>(cells()));
    for (size_t line = 0; line < lengths.size(); ++line) {
        const bool reversed = order.back_and_forth && line % 2 == 1;
        for (int64_t k = 0; k < lengths[line]; ++k) {
            cells_in_order.push_back(
                {static_cast<int64_t>(line), reversed ? lengths[line] - 1 - k : k});
        }
    }
    return cells_in_order;
}

std::pair<int64_t, int64_t> OrderPattern::row_and_column(PatternCell cell) const {
    const auto lines = static_cast<int64_t>(lengths.size());
    const int64_t length = lengths[static_cast<size_t>(cell.line)];
    if (order.by_column) {
        return {order.down ? cell.at : length - 1 - cell.at,
                order.right ? cell.line : lines - 1 - cell.line};
    }
    return {order.down ? cell.line : lines - 1 - cell.line,
            order.right ? cell.at : length - 1 - cell.at};
}

int64_t OrderPattern::rows() const {
    if (!order.by_column) return static_cast<int64_t>(lengths.size());
    return lengths.empty() ? 0 : lengths.front();
}

std::vector<int64_t> OrderPattern::columns() const {
    if (order.by_column) {
        return std::vector<int64_t>(static_cast<size_t>(rows()),
                                    static_cast<int64_t>(lengths.size()));
    }
    std::vector<int64_t> from_top = lengths;
    if (!order.down) std::reverse(from_top.begin(), from_top.end());
    return from_top;
}

std::array<ShootOrder, 16> all_shoot_orders() {
    std::array<ShootOrder, 16> orders;
    for (unsigned k = 0; k < orders.size(); ++k) {
        orders[k] = {(k & 8U) == 0, (k & 4U) == 0, (k & 2U) == 0, (k & 1U) != 0};
    }
    return orders;
}

}  // namespace broadloom
