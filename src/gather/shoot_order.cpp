#include <array>
#include <utility>

#include "broadloom/gather.hpp"

namespace broadloom {

std::string shoot_order_text(const ShootOrder& order) {
    return std::string(order.by_column ? "columns" : "rows") + ", " + (order.down ? "down" : "up") +
           ", " + (order.right ? "right" : "left") + ", " +
           (order.back_and_forth ? "back-and-forth" : "one-way");
}

std::optional<ShootOrder> parse_shoot_order(std::string_view text) {
    struct Word {
        std::string_view word;
        bool ShootOrder::*member;
        bool value;
    };
    static constexpr std::array<Word, 8> kWords{
        {{"columns", &ShootOrder::by_column, true},
         {"rows", &ShootOrder::by_column, false},
         {"down", &ShootOrder::down, true},
         {"up", &ShootOrder::down, false},
         {"right", &ShootOrder::right, true},
         {"left", &ShootOrder::right, false},
         {"one-way", &ShootOrder::back_and_forth, false},
         {"back-and-forth", &ShootOrder::back_and_forth, true}}};
    ShootOrder order;
    std::array<bool, kWords.size()> named{};
    size_t at = 0;
    size_t count = 0;
    while (at < text.size()) {
        const size_t end = std::min(text.find_first_of(", ", at), text.size());
        const std::string_view word = text.substr(at, end - at);
        at = end + 1;
        if (word.empty()) continue;
        size_t i = 0;
        while (i < kWords.size() && kWords[i].word != word) ++i;
        if (i == kWords.size() || named[i] || named[i ^ 1U]) return std::nullopt;
        named[i] = true;
        order.*kWords[i].member = kWords[i].value;
        ++count;
    }
    if (count == 0) return std::nullopt;
    return order;
}

}  // namespace broadloom
