/// Reads the members of one JSON object, telling every problem with its place.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "base/text.hpp"
#include "scene/json_value.hpp"
#include "scene/problems.hpp"

namespace broadloom {

/// What a number may be; `unit` ends the message, like " degrees".
struct NumberRange {
    double low, high;
    bool above_low = false;  ///< low itself is too low
    std::string_view unit{};
};

class ObjectReader {
  public:
    /// `object` must be an object; keys outside `known` are problems. All must outlive this.
    ObjectReader(const JsonValue& object, std::string place,
                 std::span<const std::string_view> known, Problems& problems);

    [[nodiscard]] const std::string& place() const { return place_; }
    [[nodiscard]] std::string place_of(std::string_view key) const {
        return place_of_key(place_, key);
    }

    /// The member if it is of this kind; a problem when it is not, or is absent and `required`.
    const JsonValue* member(std::string_view key, JsonValue::Kind kind, bool required = false);

    std::optional<double> number(std::string_view key, const NumberRange& range,
                                 bool required = false);
    std::optional<int64_t> integer(std::string_view key, const NumberRange& range,
                                   bool required = false);
    std::optional<std::string> text(std::string_view key, bool required = false);
    /// A text that must be one of `choices`; its index.
    std::optional<size_t> choice(std::string_view key, std::span<const std::string_view> choices,
                                 bool required = false);

    template <size_t N>
    std::optional<std::array<double, N>> numbers(std::string_view key, const NumberRange& range) {
        std::array<double, N> values{};
        return read_numbers(key, range, values) ? std::optional(values) : std::nullopt;
    }

    void problem(std::string_view key, std::string what);

  private:
    bool read_numbers(std::string_view key, const NumberRange& range, std::span<double> values);

    const JsonValue& object_;
    std::string place_;
    Problems& problems_;
};

/// Whether a value is a number in a range; a problem when not.
bool check_number(const JsonValue& value, const std::string& place, const NumberRange& range,
                  Problems& problems);

/// "must be a number, but is text; correct it": of a value of the wrong kind.
std::string wrong_kind(std::string_view wanted, JsonValue::Kind found);

/// "; did you mean "yaw_deg"?", or nothing when no candidate is close.
std::string suggestion(std::string_view word, std::span<const std::string_view> candidates);

}  // namespace broadloom
