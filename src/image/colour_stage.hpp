/// The way from a frame's own colours to the working space's, for frames whose colours are not the
/// working ones: decode by the frame's curves, correct the light in linear light and the frame's
/// own primaries, turn by a matrix, encode by the sRGB curve. The curve goes on above white and is
/// odd below black, so that what lies outside the working space is still told apart.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <vector>

#include "image/colour_space.hpp"
#include "image/kernels.hpp"

namespace broadloom {

/// What a stage does, as numbers. Either curves and a matrix, or a table.
struct ColourConversion {
    /// Linear light at encoded values 0..1 in equal steps, R, G, B; at least two values each.
    std::array<std::vector<float>, 3> decode;
    /// From linear R, G, B to the working space's; with a table from its X, Y, Z.
    ColourMatrix matrix{1, 0, 0, 0, 1, 0, 0, 0, 1};

    /// Colours at a lattice of encoded values: R slowest, B fastest, `side` nodes 0..1 along each
    /// axis, three values a node: lightness_code() of X, Y, Z against D50, each over the white's.
    /// 0: there is no table. In this form, that of CIE L*a*b* but for a linear map, tables of
    /// colours are even enough to be interpolated straight, as a profile's own are.
    int side = 0;
    std::vector<float> table;
};

/// f of CIE L*a*b* (CIE 15:2004, 8.2.1): the cube root, straight near and below 0.
double lightness_code(double relative);

/// Points of the sRGB curve for ColourConversion::decode.
std::vector<float> srgb_decode_curve();

class ColourStage {
  public:
    explicit ColourStage(const ColourConversion& conversion);

    /// Whether apply() corrects the light. A table has no linear light of its own: there the light
    /// is corrected before, as if the frame were sRGB.
    [[nodiscard]] bool corrects_light() const { return side_ == 0; }

    /// Converts 16 rows of 16 sampled values, 0..255 scale, in place. With `photometric` (and
    /// corrects_light()) each channel's light is multiplied by coords.g and sampler.gain_g, lifted
    /// where the file is clipped to white. `stride` in values.
    void apply(const CellSampler& sampler, const CellCoords& coords, bool photometric, float* r,
               float* g, float* b, std::ptrdiff_t stride) const;

    /// Memory that it holds.
    [[nodiscard]] size_t bytes() const;

  private:
    /// A curve as chords between equal steps of the encoded value.
    struct Curve {
        struct Chord {
            float start, slope;
        };
        std::vector<Chord> chords;  ///< one more than intervals: the last goes on above 1
        float steps = 1;            ///< intervals, for an encoded value of 255
        /// A cell of encoded values, 0..255 scale, to linear light; odd below black.
        void decode(float* value) const;
    };
    void convert_table(float* r, float* g, float* b, std::ptrdiff_t stride) const;

    std::array<Curve, 3> curves_;
    std::array<size_t, 3> curve_of_{0, 1, 2};  ///< channels with one curve share it
    std::array<float, 9> matrix_{};
    int side_ = 0;
    std::vector<float> table_;
};

}  // namespace broadloom
