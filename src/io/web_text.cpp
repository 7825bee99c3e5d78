#include "io/web_text.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <cstddef>
#include <cstdint>

#include "broadloom/error.hpp"

namespace broadloom {

namespace {

constexpr std::string_view kReplacement = "\xEF\xBF\xBD";

unsigned byte_at(std::string_view text, size_t at) { return static_cast<unsigned char>(text[at]); }

/// One step through UTF-8: a whole character, or a maximal invalid part.
struct Step {
    size_t bytes;
    bool valid;
};

/// Table 3-7 of The Unicode Standard, "Well-Formed UTF-8 Byte Sequences": the second byte's range
/// depends on the first, all later ones are 80..BF.
Step next_character(std::string_view text) {
    const unsigned lead = byte_at(text, 0);
    if (lead < 0x80) return {1, true};
    size_t length = 0;
    unsigned low = 0x80;
    unsigned high = 0xBF;
    if (lead >= 0xC2 && lead <= 0xDF) {
        length = 2;
    } else if (lead >= 0xE0 && lead <= 0xEF) {
        length = 3;
        if (lead == 0xE0) low = 0xA0;
        if (lead == 0xED) high = 0x9F;
    } else if (lead >= 0xF0 && lead <= 0xF4) {
        length = 4;
        if (lead == 0xF0) low = 0x90;
        if (lead == 0xF4) high = 0x8F;
    } else {
        return {1, false};
    }
    for (size_t i = 1; i < length; ++i) {
        if (i >= text.size()) return {i, false};
        const unsigned byte = byte_at(text, i);
        if (byte < low || byte > high) return {i, false};
        low = 0x80;
        high = 0xBF;
    }
    return {length, true};
}

/// Calls use(character) for each character of the repaired text.
template <typename Use>
void for_each_character(std::string_view text, const Use& use) {
    while (!text.empty()) {
        const Step step = next_character(text);
        use(step.valid ? text.substr(0, step.bytes) : kReplacement);
        text.remove_prefix(step.bytes);
    }
}

bool is_control(std::string_view character) {
    const unsigned lead = byte_at(character, 0);
    // C0, DEL, and C1 (U+0080..U+009F).
    return lead < 0x20 || lead == 0x7F || (lead == 0xC2 && byte_at(character, 1) < 0xA0);
}

constexpr std::string_view kHex = "0123456789abcdef";

std::string unicode_escape(unsigned code) {
    std::string text = "\\u";
    for (int shift = 12; shift >= 0; shift -= 4) text += kHex[(code >> shift) & 15];
    return text;
}

}  // namespace

std::string repair_utf8(std::string_view text) {
    std::string out;
    for_each_character(text, [&](std::string_view character) { out += character; });
    return out;
}

std::string html_text(std::string_view text) {
    std::string out;
    for_each_character(text, [&](std::string_view character) {
        if (is_control(character)) {
            out += ' ';
            return;
        }
        switch (character.front()) {
            case '&':
                out += "&amp;";
                break;
            case '<':
                out += "&lt;";
                break;
            case '>':
                out += "&gt;";
                break;
            case '"':
                out += "&quot;";
                break;
            case '\'':
                out += "&#39;";
                break;
            default:
                out += character;
        }
    });
    return out;
}

std::string json_string(std::string_view text) {
    std::string out = "\"";
    for_each_character(text, [&](std::string_view character) {
        const unsigned lead = byte_at(character, 0);
        if (character == "\"" || character == "\\") {
            out += '\\';
            out += character;
        } else if (lead < 0x20 || lead == 0x7F || lead == '<' || lead == '>' || lead == '&') {
            out += unicode_escape(lead);
        } else if (character == "\xE2\x80\xA8") {
            out += "\\u2028";
        } else if (character == "\xE2\x80\xA9") {
            out += "\\u2029";
        } else {
            out += character;
        }
    });
    out += '"';
    return out;
}

std::string url_path(std::string_view text) {
    std::string out;
    for (const char c : text) {
        const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ||
                           (c >= '0' && c <= '9') ||
                           std::string_view("-._~/").find(c) != std::string_view::npos;
        if (plain) {
            out += c;
        } else {
            const auto byte = static_cast<unsigned char>(c);
            out += '%';
            out += kHex[byte >> 4];
            out += kHex[byte & 15];
        }
    }
    return out;
}

std::string json_number(double value) {
    if (!std::isfinite(value)) {
        throw Error(ErrorCode::internal,
                    "page: a value that is not finite cannot be written; please report this");
    }
    std::array<char, 32> buffer{};
    const auto [end, code] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value);
    if (code != std::errc()) {
        throw Error(ErrorCode::internal, "page: a number has no short form; please report this");
    }
    return {buffer.data(), end};
}

}  // namespace broadloom
