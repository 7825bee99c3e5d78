/// 2x2 shrink in linear light: out pixel (x, y) averages what exists of in (2x..2x+1, 2y..2y+1).
/// Sizes of `out`: (width + 1) / 2 x (height + 1) / 2. Strides are in bytes.
#pragma once

#include <cstddef>
#include <cstdint>

namespace broadloom {

/// Pixels of 4 bytes: R, G, B on the sRGB curve and one byte that is ignored and comes out as 255.
void shrink_half(const uint8_t* in, int64_t width, int64_t height, std::ptrdiff_t in_stride,
                 uint8_t* out, std::ptrdiff_t out_stride);

/// Pixels of 8 bytes: R, G, B on the sRGB curve and alpha, 16 bits each in the machine's order,
/// colours not multiplied by alpha. Alpha is averaged, rounded to nearest; the colour is the
/// average weighted by alpha, that is of the covered part alone, within 1 of the exact one and
/// exact for one colour. Where alpha comes out as 0 the colour is 0.
void shrink_half_deep(const uint8_t* in, int64_t width, int64_t height, std::ptrdiff_t in_stride,
                      uint8_t* out, std::ptrdiff_t out_stride);

}  // namespace broadloom
