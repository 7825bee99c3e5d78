/// The sRGB transfer curve (IEC 61966-2-1). Both functions are extended beyond 0..1: the linear
/// part goes on below 0, the power part above 1.
#pragma once

namespace broadloom {

/// Encoded value to linear light, both 0..1 for black..white.
double srgb_decode(double encoded);
/// Linear light to encoded value.
double srgb_encode(double linear);

}  // namespace broadloom
