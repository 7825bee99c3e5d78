/// Layout: ICC.1:2001-04. Colours are adapted from D65 (x 0.3127, y 0.3290) to the profile
/// connection space's D50 (0.9642, 1, 0.8249) with the linear Bradford matrix.
#include "io/output_profiles.hpp"

#include <array>
#include <cmath>
#include <cstddef>
#include <string_view>

namespace broadloom {

namespace {

using Bytes = std::vector<uint8_t>;

void put16(Bytes& out, uint32_t value) {
    out.push_back(static_cast<uint8_t>(value >> 8));
    out.push_back(static_cast<uint8_t>(value));
}

void put32(Bytes& out, uint32_t value) {
    put16(out, value >> 16);
    put16(out, value & 0xffff);
}

void put_text(Bytes& out, std::string_view text) {
    for (const char c : text) out.push_back(static_cast<uint8_t>(c));
}

/// A tag's type signature and its four reserved bytes.
Bytes typed(std::string_view signature) {
    Bytes out;
    put_text(out, signature);
    put32(out, 0);
    return out;
}

/// textDescriptionType: the text in ASCII, no Unicode and no Macintosh form.
Bytes description(std::string_view text) {
    Bytes out = typed("desc");
    put32(out, static_cast<uint32_t>(text.size() + 1));
    put_text(out, text);
    out.push_back(0);
    put32(out, 0);  // Unicode language
    put32(out, 0);  // Unicode characters
    put16(out, 0);  // Macintosh script
    out.push_back(0);
    out.resize(out.size() + 67);  // the fixed room for the Macintosh text
    return out;
}

Bytes plain_text(std::string_view text) {
    Bytes out = typed("text");
    put_text(out, text);
    out.push_back(0);
    return out;
}

/// Values in units of 1/65536 (s15Fixed16Number).
template <size_t N>
Bytes fixed_numbers(std::string_view signature, const std::array<int32_t, N>& values) {
    Bytes out = typed(signature);
    for (const int32_t value : values) put32(out, static_cast<uint32_t>(value));
    return out;
}

/// x^2.4 for 0 < x <= 1, as x^2 times the fifth root of x^2 by Newton's method: additions,
/// multiplications and divisions alone round the same everywhere, pow() does not.
double power_2_4(double x) {
    const double square = x * x;
    double root = 1;
    for (int i = 0; i < 60; ++i) {
        const double fourth = root * root * root * root;
        root = (4 * root + square / fourth) / 5;
    }
    return square * root;
}

/// The sRGB curve (IEC 61966-2-1), from encoded to linear values.
Bytes srgb_curve() {
    constexpr int kEntries = 1024;
    Bytes out = typed("curv");
    put32(out, kEntries);
    for (int i = 0; i < kEntries; ++i) {
        const double encoded = static_cast<double>(i) / (kEntries - 1);
        const double linear =
            encoded <= 0.04045 ? encoded / 12.92 : power_2_4((encoded + 0.055) / 1.055);
        put16(out, static_cast<uint32_t>(std::lround(linear * 65535)));
    }
    return out;
}

/// A power, in units of 1/256 (u8Fixed8Number).
Bytes power_curve(uint32_t exponent) {
    Bytes out = typed("curv");
    put32(out, 1);
    put16(out, exponent);
    return out;
}

std::string_view name_of(ColourSpace space) {
    switch (space) {
        case ColourSpace::display_p3:
            return "Display P3";
        case ColourSpace::adobe_rgb:
            return "compatible with Adobe RGB (1998)";
        case ColourSpace::srgb:
            break;
    }
    return "sRGB (IEC 61966-2-1)";
}

struct Tag {
    std::string_view signature;
    size_t content;  // index into the contents: the three curves share one
};

}  // namespace

std::vector<uint8_t> output_profile(ColourSpace space) {
    const PrimariesD50& primaries = primaries_d50(space);
    const std::array<Bytes, 8> contents{
        description(name_of(space)),
        plain_text("Public domain"),
        fixed_numbers("XYZ ", kD50),
        // How white D65 was adapted.
        fixed_numbers<9>("sf32", {68674, 1502, -3291, 1939, 64912, -1119, -606, 988, 49262}),
        fixed_numbers("XYZ ", primaries[0]),
        fixed_numbers("XYZ ", primaries[1]),
        fixed_numbers("XYZ ", primaries[2]),
        space == ColourSpace::adobe_rgb ? power_curve(563) : srgb_curve(),
    };
    constexpr std::array<Tag, 10> kTags{{{"desc", 0},
                                         {"cprt", 1},
                                         {"wtpt", 2},
                                         {"chad", 3},
                                         {"rXYZ", 4},
                                         {"gXYZ", 5},
                                         {"bXYZ", 6},
                                         {"rTRC", 7},
                                         {"gTRC", 7},
                                         {"bTRC", 7}}};
    constexpr size_t kHeader = 128;
    const auto padded = [](size_t size) { return (size + 3) / 4 * 4; };
    std::array<size_t, contents.size()> offsets{};
    size_t end = kHeader + 4 + 12 * kTags.size();
    for (size_t i = 0; i < contents.size(); ++i) {
        offsets[i] = end;
        end += padded(contents[i].size());
    }

    Bytes out;
    out.reserve(end);
    put32(out, static_cast<uint32_t>(end));
    put32(out, 0);           // no preferred colour engine
    put32(out, 0x02400000);  // version 2.4
    put_text(out, "mntrRGB XYZ ");
    for (const uint32_t part : {2025, 1, 1, 0, 0, 0}) put16(out, part);  // a fixed date
    put_text(out, "acsp");
    out.resize(64);  // platform, flags, maker, model, attributes: none
    put32(out, 0);   // perceptual
    for (const int32_t value : kD50) put32(out, static_cast<uint32_t>(value));
    out.resize(kHeader);
    put32(out, static_cast<uint32_t>(kTags.size()));
    for (const Tag& tag : kTags) {
        put_text(out, tag.signature);
        put32(out, static_cast<uint32_t>(offsets[tag.content]));
        put32(out, static_cast<uint32_t>(contents[tag.content].size()));
    }
    for (const Bytes& content : contents) {
        out.insert(out.end(), content.begin(), content.end());
        out.resize(padded(out.size()));
    }
    return out;
}

}  // namespace broadloom
