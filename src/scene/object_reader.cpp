#include "scene/object_reader.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <utility>

namespace broadloom {
namespace {

std::string printed(double value) {
    std::array<char, 32> buffer{};
    const auto result = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value);
    return {buffer.data(), result.ptr};
}

std::string quoted_list(std::span<const std::string_view> words) {
    std::string list;
    for (size_t i = 0; i < words.size(); ++i) {
        list += i == 0 ? "" : i + 1 == words.size() ? " or " : ", ";
        list.append("\"").append(words[i]).append("\"");
    }
    return list;
}

}  // namespace

std::string wrong_kind(std::string_view wanted, JsonValue::Kind found) {
    return "must be " + std::string(wanted) + ", but is " + std::string(name_of(found)) +
           "; correct it" + (found == JsonValue::Kind::null ? " or leave the key out" : "");
}

std::string suggestion(std::string_view word, std::span<const std::string_view> candidates) {
    const std::string near = nearest_name(word, candidates);
    return near.empty() ? "" : "; did you mean \"" + escaped(near) + "\"?";
}

bool check_number(const JsonValue& value, const std::string& place, const NumberRange& range,
                  Problems& problems) {
    std::string what;
    if (value.kind != JsonValue::Kind::number) {
        what = wrong_kind("a number", value.kind);
    } else if (!value.finite) {
        what = "is not a finite number; write a finite one";
    } else if (value.number < range.low || value.number > range.high ||
               (range.above_low && value.number == range.low)) {
        what = "is " + printed(value.number) + ", but must be " +
               (range.above_low ? "above " : "from ") + printed(range.low) +
               (range.above_low ? " and at most " : " to ") + printed(range.high) +
               std::string(range.unit) + "; correct it";
    } else {
        return true;
    }
    problems.add(place, value.offset, std::move(what));
    return false;
}

ObjectReader::ObjectReader(const JsonValue& object, std::string place,
                           std::span<const std::string_view> known, Problems& problems)
    : object_(object), place_(std::move(place)), problems_(problems) {
    for (const JsonValue& item : object.items) {
        if (std::find(known.begin(), known.end(), item.key) == known.end()) {
            const std::string near = suggestion(item.key, known);
            problems_.add(place_of(item.key), item.offset,
                          "is an unknown key" +
                              (near.empty() ? "; delete it, or keep it under \"extra\"" : near));
        }
    }
}

void ObjectReader::problem(std::string_view key, std::string what) {
    const JsonValue* value = object_.find(key);
    problems_.add(place_of(key), (value != nullptr ? *value : object_).offset, std::move(what));
}

const JsonValue* ObjectReader::member(std::string_view key, JsonValue::Kind kind, bool required) {
    const JsonValue* value = object_.find(key);
    if (value == nullptr) {
        if (required) {
            problem(key, "is missing; add it");
        }
        return nullptr;
    }
    if (value->kind != kind) {
        problem(key, wrong_kind(name_of(kind), value->kind));
        return nullptr;
    }
    return value;
}

std::optional<double> ObjectReader::number(std::string_view key, const NumberRange& range,
                                           bool required) {
    const JsonValue* value = object_.find(key);
    if (value == nullptr && required) {
        problem(key, "is missing; add it");
    }
    if (value == nullptr || !check_number(*value, place_of(key), range, problems_)) {
        return std::nullopt;
    }
    return value->number;
}

std::optional<int64_t> ObjectReader::integer(std::string_view key, const NumberRange& range,
                                             bool required) {
    const std::optional<double> value = number(key, range, required);
    if (value && *value != std::floor(*value)) {
        problem(key, "is " + printed(*value) + ", but must be a whole number; correct it");
        return std::nullopt;
    }
    return value ? std::optional(static_cast<int64_t>(*value)) : std::nullopt;
}

std::optional<std::string> ObjectReader::text(std::string_view key, bool required) {
    const JsonValue* value = member(key, JsonValue::Kind::string, required);
    return value != nullptr ? std::optional(value->text) : std::nullopt;
}

std::optional<size_t> ObjectReader::choice(std::string_view key,
                                           std::span<const std::string_view> choices,
                                           bool required) {
    const std::optional<std::string> word = text(key, required);
    if (!word) {
        return std::nullopt;
    }
    const auto found = std::find(choices.begin(), choices.end(), *word);
    if (found == choices.end()) {
        problem(key, "is \"" + escaped(*word) + "\", but must be " + quoted_list(choices) +
                         "; correct it");
        return std::nullopt;
    }
    return static_cast<size_t>(found - choices.begin());
}

bool ObjectReader::read_numbers(std::string_view key, const NumberRange& range,
                                std::span<double> values) {
    const JsonValue* array = member(key, JsonValue::Kind::array);
    if (array == nullptr) {
        return false;
    }
    if (array->items.size() != values.size()) {
        problem(key, "must hold " + std::to_string(values.size()) + " numbers, but holds " +
                         std::to_string(array->items.size()) + "; correct it");
        return false;
    }
    bool good = true;
    for (size_t i = 0; i < values.size(); ++i) {
        good &= check_number(array->items[i], place_of_index(place_of(key), i), range, problems_);
        values[i] = array->items[i].number;
    }
    return good;
}

}  // namespace broadloom
