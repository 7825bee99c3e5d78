/// A decoded frame as the warp reads it.
#pragma once

#include <array>
#include <cstdint>

#include "image/kernels.hpp"

namespace broadloom {

class ColourStage;

struct FrameSampler {
    struct Plane {
        const uint8_t* origin = nullptr;  ///< sample (0, 0); a border of replicated samples exists
        std::ptrdiff_t stride = 0;        ///< bytes
        int step_x = 1, step_y = 1;       ///< full-size frame pixels a sample; a divisor of 64
    };
    int planes = 3;
    bool ycc = false, chroma_linear = false, sixteen_bits = false, photometric = false;
    bool keep_range = false;                                 ///< as in CellSampler
    float clip_start = kClipStart, clip_scale = kClipScale;  ///< as in CellSampler
    std::array<float, 3> gain_g{1, 1, 1};                    ///< gain
    std::array<float, 3> gain_h{1, 1, 1};                    ///< gain^(1/2.4)
    int64_t width = 0, height = 0;                           ///< full-size stored frame
    std::array<Plane, 3> plane;
    Taps taps = usual_taps();
    /// From the frame's colours to the working ones; null: they are the same.
    const ColourStage* stage = nullptr;

    /// The sampler, which points to this one, of a cell whose coordinates count from (origin_x,
    /// origin_y), multiples of 64.
    [[nodiscard]] CellSampler cell(int64_t origin_x, int64_t origin_y) const {
        CellSampler s;
        s.planes = planes;
        s.ycc = ycc;
        s.chroma_linear = chroma_linear;
        s.sixteen_bits = sixteen_bits;
        s.taps = &taps;
        s.photometric = photometric;
        s.keep_range = keep_range;
        s.clip_start = clip_start;
        s.clip_scale = clip_scale;
        for (size_t c = 0; c < 3; ++c) {
            s.gain_g[c] = gain_g[c];
            s.gain_h[c] = gain_h[c];
        }
        s.u_low = static_cast<float>(0.5 - static_cast<double>(origin_x));
        s.u_high = static_cast<float>(static_cast<double>(width - origin_x) - 0.5);
        s.v_low = static_cast<float>(0.5 - static_cast<double>(origin_y));
        s.v_high = static_cast<float>(static_cast<double>(height - origin_y) - 0.5);
        const int sample_bytes = sixteen_bits ? 2 : 1;
        for (size_t i = 0; i < static_cast<size_t>(planes); ++i) {
            const Plane& p = plane[i];
            s.plane[i] = {
                p.origin + origin_y / p.step_y * p.stride + origin_x / p.step_x * sample_bytes,
                p.stride,
                1.0F / static_cast<float>(p.step_x),
                1.0F / static_cast<float>(p.step_y),
                -0.5F,
                -0.5F};
        }
        return s;
    }
};

/// Samples, corrects and converts the frame over one cell whose coordinates count from (origin_x,
/// origin_y): 16 rows of 16 working values a channel, limited to black..white unless the kernel's
/// sampler says otherwise. The float form is not limited. `stride` in values.
void sample_frame(const Kernels& kernels, const FrameSampler& frame, int64_t origin_x,
                  int64_t origin_y, const CellCoords& coords, int16_t* const out[3],
                  std::ptrdiff_t stride);
void sample_frame(const Kernels& kernels, const FrameSampler& frame, int64_t origin_x,
                  int64_t origin_y, const CellCoords& coords, float* const out[3],
                  std::ptrdiff_t stride);

}  // namespace broadloom
