#include "image/colour_space.hpp"

#include <cstddef>

namespace broadloom {

namespace {

// From the chromaticities (sRGB: 0.64 0.33, 0.30 0.60, 0.15 0.06; Display P3: 0.68 0.32, 0.265
// 0.69, 0.15 0.06; Adobe RGB (1998): 0.64 0.33, 0.21 0.71, 0.15 0.06; white 0.3127 0.3290), rounded
// to 1/65536; where the sums missed D50 by one, the number nearest to its half went the other way.
constexpr PrimariesD50 kSrgb{{{28576, 14581, 912}, {25239, 46983, 6361}, {9375, 3972, 46788}}};
constexpr PrimariesD50 kDisplayP3{
    {{33759, 15807, -69}, {19135, 45367, 2745}, {10296, 4362, 51385}}};
constexpr PrimariesD50 kAdobeRgb{{{39960, 20389, 1276}, {13453, 41004, 3989}, {9777, 4143, 48796}}};

constexpr bool add_up(const PrimariesD50& p) {
    for (size_t i = 0; i < 3; ++i) {
        if (p[0][i] + p[1][i] + p[2][i] != kD50[i]) return false;
    }
    return true;
}
static_assert(add_up(kSrgb) && add_up(kDisplayP3) && add_up(kAdobeRgb));

}  // namespace

const PrimariesD50& primaries_d50(ColourSpace space) {
    switch (space) {
        case ColourSpace::display_p3:
            return kDisplayP3;
        case ColourSpace::adobe_rgb:
            return kAdobeRgb;
        case ColourSpace::srgb:
            break;
    }
    return kSrgb;
}

ColourMatrix to_xyz_d50(ColourSpace space) {
    const PrimariesD50& p = primaries_d50(space);
    ColourMatrix m{};
    for (size_t i = 0; i < 3; ++i) {
        for (size_t j = 0; j < 3; ++j) m[3 * i + j] = p[j][i] / 65536.0;
    }
    return m;
}

ColourMatrix from_xyz_d50(ColourSpace space) { return inverse(to_xyz_d50(space)); }

ColourMatrix colour_matrix(ColourSpace from, ColourSpace to) {
    if (from == to) return {1, 0, 0, 0, 1, 0, 0, 0, 1};
    return multiply(from_xyz_d50(to), to_xyz_d50(from));
}

ColourMatrix multiply(const ColourMatrix& a, const ColourMatrix& b) {
    ColourMatrix m{};
    for (size_t i = 0; i < 3; ++i) {
        for (size_t j = 0; j < 3; ++j) {
            m[3 * i + j] = a[3 * i] * b[j] + a[3 * i + 1] * b[3 + j] + a[3 * i + 2] * b[6 + j];
        }
    }
    return m;
}

ColourMatrix inverse(const ColourMatrix& m) {
    // The cofactors, turned over the diagonal.
    const ColourMatrix c{
        m[4] * m[8] - m[5] * m[7], m[2] * m[7] - m[1] * m[8], m[1] * m[5] - m[2] * m[4],
        m[5] * m[6] - m[3] * m[8], m[0] * m[8] - m[2] * m[6], m[2] * m[3] - m[0] * m[5],
        m[3] * m[7] - m[4] * m[6], m[1] * m[6] - m[0] * m[7], m[0] * m[4] - m[1] * m[3]};
    const double determinant = m[0] * c[0] + m[1] * c[3] + m[2] * c[6];
    ColourMatrix inverted{};
    for (size_t i = 0; i < 9; ++i) inverted[i] = c[i] / determinant;
    return inverted;
}

}  // namespace broadloom
