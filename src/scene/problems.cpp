#include "scene/problems.hpp"

#include <algorithm>
#include <utility>

#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {
namespace {

constexpr size_t kMostListed = 1000;
constexpr size_t kMostKept = 10000;  // bounds the memory that a hopeless file takes

bool is_plain(std::string_view key) {
    return !key.empty() && std::all_of(key.begin(), key.end(), [](char c) {
        return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
               c == '_' || c == '-';
    });
}

}  // namespace

std::string place_of_key(std::string_view parent, std::string_view key) {
    std::string place(parent);
    if (!is_plain(key)) {
        return place + "[\"" + escaped(key) + "\"]";
    }
    if (!place.empty()) {
        place += '.';
    }
    return place + escaped(key);
}

std::string place_of_index(std::string_view parent, size_t index) {
    return std::string(parent) + "[" + std::to_string(index) + "]";
}

std::string line_and_column(std::string_view text, size_t offset) {
    const std::string_view before = text.substr(0, std::min(offset, text.size()));
    const auto line = std::count(before.begin(), before.end(), '\n') + 1;
    const size_t line_start = before.rfind('\n') + 1;  // 0 when there is none
    const auto column =
        std::count_if(before.begin() + static_cast<std::ptrdiff_t>(line_start), before.end(),
                      [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }) +
        1;
    return "line " + std::to_string(line) + ", column " + std::to_string(column);
}

Problems::Problems(std::string_view name, std::string_view text)
    : name_(escaped(name)), text_(text) {}

void Problems::add(std::string place, size_t offset, std::string what) {
    ++count_;
    if (kept_.size() < kMostKept) {
        kept_.push_back({std::move(place), offset, std::move(what)});
    }
}

void Problems::throw_if_any() {
    if (empty()) {
        return;
    }
    std::stable_sort(kept_.begin(), kept_.end(),
                     [](const Problem& a, const Problem& b) { return a.offset < b.offset; });
    std::string first, details;
    size_t counted_to = 0;
    std::ptrdiff_t line = 1;
    for (size_t i = 0; i < std::min(kept_.size(), kMostListed); ++i) {
        const Problem& problem = kept_[i];
        const size_t offset = std::min(problem.offset, text_.size());
        line += std::count(text_.begin() + static_cast<std::ptrdiff_t>(counted_to),
                           text_.begin() + static_cast<std::ptrdiff_t>(offset), '\n');
        counted_to = offset;
        std::string text = name_ + ": ";
        if (!problem.place.empty()) {
            text += problem.place + " (line " + std::to_string(line) + "): ";
        }
        text += problem.what;
        if (i == 0) {
            first = text;
        } else {
            details += '\n';
        }
        details += text;
    }
    if (count_ > kMostListed) {
        details += "\n" + name_ + ": and " + std::to_string(count_ - kMostListed) + " more";
    }
    if (count_ > 1) {
        first += " (the first of " + std::to_string(count_) + " problems)";
    }
    throw Error(ErrorCode::input, first, details);
}

}  // namespace broadloom
