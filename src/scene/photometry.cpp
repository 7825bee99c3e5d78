#include "broadloom/photometry.hpp"

#include <cmath>

namespace broadloom {

double srgb_decode(double encoded) {
    if (encoded <= 0.04045) return encoded / 12.92;
    return std::pow((encoded + 0.055) / 1.055, 2.4);
}

double srgb_encode(double linear) {
    if (linear <= 0.0031308) return 12.92 * linear;
    return 1.055 * std::pow(linear, 1.0 / 2.4) - 0.055;
}

}  // namespace broadloom
