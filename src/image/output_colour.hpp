/// From finished working pictures to what the files hold. A working picture's pixel is 8 bytes: R,
/// G, B and alpha, 16 bits each in the machine's order, colours not multiplied by alpha; 65535 is
/// white and covered. Its colours have the primaries of the working space and the sRGB curve.
///
/// Colours outside a target space are clipped channel by channel in linear light: that is what
/// colour management does between profiles of primaries and curves (relative colorimetric), so a
/// tile shows what the TIFF shows once a viewer has converted it. Partly covered pixels are laid
/// over the background in linear light. Eight bits are reached by ordered dither: a value between
/// two levels becomes either, in the right proportion, by its position alone; a value that is a
/// level stays it.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "image/colour_space.hpp"

namespace broadloom {

/// Rows of working pictures to R, G, B, 255 of 8 bits in sRGB, as web tiles hold them.
class TileColour {
  public:
    /// `background`: sRGB, 8 bits; where no frame is it comes out unchanged.
    TileColour(ColourSpace working, const std::array<uint8_t, 3>& background);

    /// `n` pixels from `deep` on; (x, y) is the first one's place in its picture and decides about
    /// the dither alone.
    void convert_row(const uint8_t* deep, int64_t x, int64_t y, int64_t n, uint8_t* rgbx) const;

  private:
    /// The same for codes of sRGB.
    void convert_codes(const uint8_t* deep, int64_t x, int64_t y, int64_t n, uint8_t* rgbx) const;

    bool same_primaries_;
    std::array<float, 9> to_srgb_{};
    std::array<uint8_t, 3> background_;
    std::array<float, 3> background_light_{};
};

/// Rows of working pictures to rows of the TIFF, whose space has the working space's primaries.
class TiffColour {
  public:
    /// `bits`: 8 or 16. With `alpha` pixels stay transparent (colours not multiplied by alpha),
    /// without they are laid over the background, sRGB of 8 bits.
    TiffColour(ColourSpace space, int bits, bool alpha, const std::array<uint8_t, 3>& background);

    [[nodiscard]] int bytes_per_pixel() const { return (alpha_ ? 4 : 3) * (bits_ / 8); }

    /// `n` pixels to `n` * bytes_per_pixel() bytes, 16-bit samples in the machine's order; (x, y)
    /// as above.
    void convert_row(const uint8_t* deep, int64_t x, int64_t y, int64_t n, uint8_t* out) const;

  private:
    int bits_;
    bool alpha_;
    std::vector<uint16_t> curve_;  ///< from the sRGB curve to the space's; empty: the same
    std::array<float, 3> background_light_{};    ///< linear, the space's primaries
    std::array<uint16_t, 3> background_code_{};  ///< on the space's curve
};

/// The dither's threshold at a pixel, 0..65535: an additive sequence of two irrational steps, whose
/// low frequencies are faint.
inline uint32_t dither_threshold(int64_t x, int64_t y) {
    return (static_cast<uint32_t>(x) * 3242174889U + static_cast<uint32_t>(y) * 2447445414U) >> 16;
}

}  // namespace broadloom
