#include "image/srgb_light.hpp"

#include <cmath>

namespace broadloom {

SrgbLight::SrgbLight() : to_linear_(65536) {
    for (size_t i = 0; i < to_linear_.size(); ++i) {
        const double code = static_cast<double>(i) / 65535.0;
        to_linear_[i] = static_cast<float>(code <= 0.04045 ? code / 12.92
                                                           : std::pow((code + 0.055) / 1.055, 2.4));
    }
    const auto encode = [](double linear) {
        return (1.055 * std::pow(linear, 1 / 2.4) - 0.055) * 65535.0;
    };
    for (uint32_t i = 0; i < kChords; ++i) {
        const double from = std::bit_cast<float>((kFirst + i) << kDropped);
        const double to = std::bit_cast<float>((kFirst + i + 1) << kDropped);
        chords_[i] = {static_cast<float>(encode(from)),
                      static_cast<float>((encode(to) - encode(from)) / (to - from))};
    }
}

const SrgbLight& SrgbLight::tables() {
    static const SrgbLight instance;
    return instance;
}

}  // namespace broadloom
