#include "base/text.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <limits>
#include <vector>

namespace broadloom {
namespace {

constexpr size_t kLongestEscaped = 200;

/// Length of the well-formed UTF-8 sequence that `bytes` begins with, 0 when there is none.
size_t utf8_sequence_length(std::string_view bytes) {
    const auto byte = [&](size_t i) { return static_cast<unsigned char>(bytes[i]); };
    if (bytes.empty()) {
        return 0;
    }
    const unsigned char first = byte(0);
    if (first < 0x80) {
        return 1;
    }
    size_t length = 0;
    unsigned char low = 0x80, high = 0xBF;  // what the second byte may be
    if (first >= 0xC2 && first <= 0xDF) {
        length = 2;
    } else if (first >= 0xE0 && first <= 0xEF) {
        length = 3;
        low = first == 0xE0 ? 0xA0 : low;
        high = first == 0xED ? 0x9F : high;
    } else if (first >= 0xF0 && first <= 0xF4) {
        length = 4;
        low = first == 0xF0 ? 0x90 : low;
        high = first == 0xF4 ? 0x8F : high;
    } else {
        return 0;
    }
    if (bytes.size() < length || byte(1) < low || byte(1) > high) {
        return 0;
    }
    for (size_t i = 2; i < length; ++i) {
        if ((byte(i) & 0xC0) != 0x80) {
            return 0;
        }
    }
    return length;
}

/// Whether a well-formed sequence could move the cursor, start a line or turn the direction of
/// text.
bool disturbs(std::string_view sequence) {
    const auto byte = [&](size_t i) { return static_cast<unsigned char>(sequence[i]); };
    switch (sequence.size()) {
        case 1:
            return byte(0) < 0x20 || byte(0) == 0x7F;
        case 2:  // U+0080..U+009F and U+061C
            return (byte(0) == 0xC2 && byte(1) < 0xA0) || (byte(0) == 0xD8 && byte(1) == 0x9C);
        case 3:  // U+200E, U+200F, U+2028..U+202E, U+2066..U+2069
            return byte(0) == 0xE2 &&
                   ((byte(1) == 0x80 && (byte(2) == 0x8E || byte(2) == 0x8F ||
                                         (byte(2) >= 0xA8 && byte(2) <= 0xAE))) ||
                    (byte(1) == 0x81 && byte(2) >= 0xA6 && byte(2) <= 0xA9));
        default:
            return false;
    }
}

/// The printable pieces of `bytes`; a piece is never cut.
std::vector<std::string> printable_pieces(std::string_view bytes) {
    constexpr std::string_view kHex = "0123456789ABCDEF";
    std::vector<std::string> pieces;
    pieces.reserve(bytes.size());
    while (!bytes.empty()) {
        const size_t length = utf8_sequence_length(bytes);
        const std::string_view sequence = bytes.substr(0, std::max<size_t>(length, 1));
        if (length == 0 || disturbs(sequence)) {
            std::string piece;
            for (const char c : sequence) {
                const auto value = static_cast<unsigned char>(c);
                piece += {'\\', 'x', kHex[value >> 4U], kHex[value & 15U]};
            }
            pieces.push_back(std::move(piece));
        } else {
            pieces.emplace_back(sequence);
        }
        bytes.remove_prefix(sequence.size());
    }
    return pieces;
}

std::string lower_case(std::string_view word) {
    std::string result(word);
    for (char& c : result) {
        c = c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    }
    return result;
}

/// Insertions, deletions, replacements and swaps of neighbours that turn one word into the other
/// (optimal string alignment distance).
size_t typing_errors(std::string_view a, std::string_view b) {
    std::vector<size_t> before(b.size() + 1), previous(b.size() + 1), row(b.size() + 1);
    for (size_t j = 0; j <= b.size(); ++j) {
        previous[j] = j;
    }
    for (size_t i = 1; i <= a.size(); ++i) {
        row[0] = i;
        for (size_t j = 1; j <= b.size(); ++j) {
            row[j] = std::min({previous[j] + 1, row[j - 1] + 1,
                               previous[j - 1] + (a[i - 1] == b[j - 1] ? 0 : 1)});
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) {
                row[j] = std::min(row[j], before[j - 2] + 1);
            }
        }
        before.swap(previous);
        previous.swap(row);
    }
    return previous[b.size()];
}

std::string one_decimal(double value) {
    std::array<char, 64> buffer{};
    const auto result = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                      std::chars_format::fixed, 1);
    return {buffer.data(), result.ptr};
}

bool is_digit(char c) { return c >= '0' && c <= '9'; }

}  // namespace

size_t valid_utf8_prefix(std::string_view bytes) {
    size_t good = 0;
    while (good < bytes.size()) {
        const size_t length = utf8_sequence_length(bytes.substr(good, 4));
        if (length == 0) {
            break;
        }
        good += length;
    }
    return good;
}

std::string escaped(std::string_view bytes) {
    // Only the ends of something very long can show.
    std::string ends;
    if (bytes.size() > 8 * kLongestEscaped) {
        ends.append(bytes.substr(0, 2 * kLongestEscaped));
        ends.append(bytes.substr(bytes.size() - 2 * kLongestEscaped));
        bytes = ends;
    }
    const std::vector<std::string> pieces = printable_pieces(bytes);
    size_t total = 0;
    for (const std::string& piece : pieces) {
        total += piece.size();
    }
    std::string result;
    if (total <= kLongestEscaped) {
        for (const std::string& piece : pieces) {
            result += piece;
        }
        return result;
    }
    constexpr size_t kEnd = (kLongestEscaped - 3) / 2;
    for (const std::string& piece : pieces) {
        if (result.size() + piece.size() > kEnd) {
            break;
        }
        result += piece;
    }
    size_t first_of_tail = pieces.size(), tail = 0;
    while (tail + pieces[first_of_tail - 1].size() <= kEnd) {
        tail += pieces[--first_of_tail].size();
    }
    result += "...";
    for (size_t i = first_of_tail; i < pieces.size(); ++i) {
        result += pieces[i];
    }
    return result;
}

std::string nearest_name(std::string_view word, std::span<const std::string_view> candidates) {
    constexpr size_t kLongestWord = 64;  // longer ones are no typing errors
    if (word.empty() || word.size() > kLongestWord) {
        return {};
    }
    const std::string wanted = lower_case(word);
    std::string_view best;
    size_t best_errors = std::numeric_limits<size_t>::max();
    for (const std::string_view candidate : candidates) {
        if (candidate.empty() || candidate.size() > kLongestWord) {
            continue;
        }
        const std::string name = lower_case(candidate);
        const size_t shorter = std::min(name.size(), wanted.size());
        const size_t allowed = std::max<size_t>(1, wanted.size() / 3);
        size_t errors = typing_errors(wanted, name);
        if (errors > allowed && shorter >= 3 && name.compare(0, shorter, wanted, 0, shorter) == 0) {
            errors = allowed;  // "yaw" for "yaw_deg": as good as the worst typing error
        }
        // In a word of one or two letters a single error leaves nothing in common.
        if (errors <= allowed && errors < wanted.size() && errors < best_errors) {
            best = candidate;
            best_errors = errors;
        }
    }
    return std::string(best);
}

std::string format_bytes(int64_t bytes) {
    constexpr std::array<std::string_view, 6> kUnits{" B", " KiB", " MiB", " GiB", " TiB", " PiB"};
    auto value = static_cast<double>(bytes);
    size_t unit = 0;
    // 1023.95 and above would be printed as 1024.0.
    while (unit + 1 < kUnits.size() && std::abs(value) >= (unit == 0 ? 1024.0 : 1023.95)) {
        value /= 1024;
        ++unit;
    }
    return (unit == 0 ? std::to_string(bytes) : one_decimal(value)).append(kUnits[unit]);
}

std::string count_of(int64_t n, std::string_view thing) {
    return std::to_string(n) + " " + std::string(thing) + (n == 1 ? "" : "s");
}

std::string format_duration(double seconds) {
    if (!std::isfinite(seconds) || seconds < 0 || seconds > 1e15) {
        return "unknown";
    }
    if (seconds < 9.95) {
        return one_decimal(seconds) + " s";
    }
    const auto whole = static_cast<int64_t>(std::llround(seconds));
    if (whole < 60) {
        return std::to_string(whole) + " s";
    }
    if (whole < 3600) {
        return std::to_string(whole / 60) + " min " + std::to_string(whole % 60) + " s";
    }
    const int64_t minutes = (whole + 30) / 60;
    if (minutes < 24 * 60) {
        return std::to_string(minutes / 60) + " h " + std::to_string(minutes % 60) + " min";
    }
    const int64_t hours = (whole + 1800) / 3600;
    return std::to_string(hours / 24) + " d " + std::to_string(hours % 24) + " h";
}

std::optional<int64_t> parse_size(std::string_view text) {
    size_t at = 0;
    while (at < text.size() && is_digit(text[at])) {
        ++at;
    }
    int64_t whole = 0;
    if (at == 0 || std::from_chars(text.data(), text.data() + at, whole).ec != std::errc{}) {
        return std::nullopt;
    }
    double fraction = 0;
    bool has_fraction = false;
    if (at < text.size() && text[at] == '.') {
        const size_t first = ++at;
        while (at < text.size() && is_digit(text[at])) {
            ++at;
        }
        has_fraction = at > first;
        if (!has_fraction) {
            return std::nullopt;
        }
        const auto result = std::from_chars(text.data() + first - 1, text.data() + at, fraction);
        if (result.ec == std::errc::result_out_of_range) {
            fraction = 0;  // too small for a double
        }
    }
    unsigned shift = 0;
    if (at < text.size()) {
        switch (text[at]) {
            case 'K':
            case 'k':
                shift = 10;
                break;
            case 'M':
            case 'm':
                shift = 20;
                break;
            case 'G':
            case 'g':
                shift = 30;
                break;
            case 'T':
            case 't':
                shift = 40;
                break;
            default:
                return std::nullopt;
        }
        ++at;
    }
    const std::string_view rest = text.substr(at);
    if ((!rest.empty() && (shift == 0 || rest != "iB")) || (has_fraction && shift == 0)) {
        return std::nullopt;
    }
    const int64_t unit = int64_t{1} << shift;
    const auto part = static_cast<int64_t>(fraction * static_cast<double>(unit));
    if (whole > (std::numeric_limits<int64_t>::max() - part) / unit) {
        return std::nullopt;
    }
    return whole * unit + part;
}

}  // namespace broadloom
