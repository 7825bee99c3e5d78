/// Text for people: printable names, suggestions, sizes and durations. Independent of the locale.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace broadloom {

/// Bytes of the longest prefix that is well-formed UTF-8 (The Unicode Standard, table 3-7: no
/// overlong forms, no surrogates, nothing above U+10FFFF); bytes.size() when all of it is.
size_t valid_utf8_prefix(std::string_view bytes);

/// A printable, one-line form of any bytes for messages: control characters (newlines, C1 and
/// direction overrides too) and bytes that are not UTF-8 become \xNN, the rest stays. Longer than
/// about 200 bytes, the middle gives way to "...".
std::string escaped(std::string_view bytes);

/// The candidate that `word` was most likely meant to be: few typing errors away, or one begins
/// with the other; capitals do not count. Empty when none is close; the first of equals.
std::string nearest_name(std::string_view word, std::span<const std::string_view> candidates);

/// "17 B", "1.5 KiB", "512.0 MiB", "2.3 GiB", "1.0 TiB".
std::string format_bytes(int64_t bytes);

/// "1 tile", "2 tiles", from "tile".
std::string count_of(int64_t n, std::string_view thing);

/// "4.2 s", "42 s", "3 min 20 s", "2 h 5 min", "3 d 4 h"; "unknown" when negative or not finite.
std::string format_duration(double seconds);

/// A number of bytes: digits, perhaps a fraction, perhaps K, M, G or T (powers of 1024, either
/// case), perhaps "iB" after it: "512M", "1.5GiB", "1048576". Parts of a byte are dropped. nullopt
/// for anything else, for a fraction of plain bytes, and for more than 2^63 - 1.
std::optional<int64_t> parse_size(std::string_view text);

}  // namespace broadloom
