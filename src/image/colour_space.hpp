/// The colour spaces of the outputs: their primaries, and 3x3 matrices between them. All have the
/// white point D65; colours are adapted to the profile connection space's D50 and back with the
/// linear Bradford matrix (ICC.1:2010, annex E).
#pragma once

#include <array>
#include <cstdint>

namespace broadloom {

/// srgb: IEC 61966-2-1 (primaries of ITU-R BT.709). display_p3: primaries of SMPTE RP 431-2, white
/// D65, the sRGB curve. adobe_rgb: Adobe RGB (1998), gamma 563/256.
enum class ColourSpace { srgb, display_p3, adobe_rgb };

/// Rows one after the other.
using ColourMatrix = std::array<double, 9>;

/// X, Y, Z of red, green and blue at full strength, adapted to D50, in units of 1/65536: the
/// numbers that the ICC profiles of these spaces hold. They add up to kD50, so that greys stay
/// neutral to the last bit.
using PrimariesD50 = std::array<std::array<int32_t, 3>, 3>;
const PrimariesD50& primaries_d50(ColourSpace space);

/// D50 (0.9642, 1, 0.8249) in units of 1/65536.
inline constexpr std::array<int32_t, 3> kD50{63190, 65536, 54061};

/// Linear R, G, B (0..1) to X, Y, Z against D50, and back.
ColourMatrix to_xyz_d50(ColourSpace space);
ColourMatrix from_xyz_d50(ColourSpace space);

/// Linear R, G, B of one space to linear R, G, B of another.
ColourMatrix colour_matrix(ColourSpace from, ColourSpace to);

/// a times b: b is applied first.
ColourMatrix multiply(const ColourMatrix& a, const ColourMatrix& b);
/// `matrix` must not be singular.
ColourMatrix inverse(const ColourMatrix& matrix);

}  // namespace broadloom
