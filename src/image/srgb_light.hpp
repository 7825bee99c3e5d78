/// The sRGB curve (IEC 61966-2-1) for 16-bit values, by tables: 65535 stands for 1.
#pragma once

#include <array>
#include <bit>
#include <cmath>
#include <cstdint>
#include <vector>

namespace broadloom {

class SrgbLight {
  public:
    /// The one instance; made at the first call.
    static const SrgbLight& tables();

    /// Linear light, 0..1.
    [[nodiscard]] float to_linear(uint16_t code) const { return to_linear_[code]; }

    /// The code value of linear light, 0..65535, not rounded: within 0.05 of the curve, so that
    /// to_code(to_linear(c)) rounds to c. Light outside 0..1 is limited to it.
    [[nodiscard]] float to_code(float linear) const {
        return code_of(linear > 0.0F ? (linear < 1.0F ? linear : 1.0F) : 0.0F);
    }
    [[nodiscard]] uint16_t to_code_rounded(float linear) const {
        const float rounded = to_code(linear) + 0.5F;  // the cast drops the fraction
        return static_cast<uint16_t>(rounded);
    }

    /// The same without limits: the curve goes on above 1, up to 32, and is odd below 0.
    [[nodiscard]] float to_code_unlimited(float linear) const {
        const float magnitude = std::abs(linear);
        return std::copysign(code_of(magnitude < kMost ? magnitude : kMost), linear);
    }

  private:
    SrgbLight();
    static constexpr float kToeEnd = 0.0031308F;
    static constexpr float kMost = 31.999F;
    static constexpr int kDropped = 23 - 8;
    static constexpr uint32_t kKept = ~((1U << kDropped) - 1);
    static constexpr uint32_t kFirst = std::bit_cast<uint32_t>(0x1p-9F) >> kDropped;
    static constexpr uint32_t kChords = 14 * 256;  // up to 32
    struct Chord {
        float start, slope;
    };

    /// From 0 to kMost; without a branch, which pictures would make unpredictable.
    [[nodiscard]] float code_of(float linear) const {
        const float curved = on_chord(linear > kToeEnd ? linear : kToeEnd);
        return linear > kToeEnd ? curved : linear * (12.92F * 65535.0F);
    }

    /// From kToeEnd to kMost.
    [[nodiscard]] float on_chord(float linear) const {
        // The curve is a chord on each 256th of an octave: the exponent and the first eight bits of
        // the mantissa tell which.
        const uint32_t bits = std::bit_cast<uint32_t>(linear);
        const Chord& chord = chords_[(bits >> kDropped) - kFirst];
        return chord.start + chord.slope * (linear - std::bit_cast<float>(bits & kKept));
    }

    std::vector<float> to_linear_;
    std::array<Chord, kChords> chords_{};
};

}  // namespace broadloom
