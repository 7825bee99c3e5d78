/// A JSON text as a tree that remembers where everything stood.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "scene/problems.hpp"

namespace broadloom {

struct JsonValue {
    enum class Kind : uint8_t { null, boolean, number, string, array, object };

    Kind kind = Kind::null;
    bool finite = true;            ///< false: a number such as 1e999, NaN or Infinity (number is 0)
    size_t offset = 0;             ///< byte of the text, at or shortly after its beginning
    double number = 0;             ///< the nearest double
    std::string key;               ///< its name when its parent is an object
    std::string text;              ///< a string's value; compact JSON text when kept verbatim
    std::vector<JsonValue> items;  ///< of arrays and objects, in the order of the text

    /// The member of an object, nullptr when absent.
    [[nodiscard]] const JsonValue* find(std::string_view name) const;
};

/// "a number", "text", ...: for messages.
std::string_view name_of(JsonValue::Kind kind);

/// Whether the array or object under `key` is kept as compact JSON text instead of a tree. `open`
/// holds the values that it stands in, the root first.
using KeepVerbatim = bool (*)(std::span<JsonValue* const> open, std::string_view key);

/// Parses JSON (RFC 8259; a byte order mark is let pass). What can be told together with other
/// problems is added to `problems` (duplicate keys, of which the first is kept; in verbatim parts
/// numbers that are not finite), the rest ends the parsing with problems.throw_if_any(): broken
/// syntax with line and column, bytes that are not UTF-8, nesting deeper than 64, more than 3
/// million values. Verbatim parts keep every digit of their numbers and may hold duplicate keys.
JsonValue parse_json(std::string_view text, KeepVerbatim keep_verbatim, Problems& problems);

/// A string as a JSON string in quotes. The bytes must be UTF-8.
std::string json_quoted(std::string_view utf8);

}  // namespace broadloom
