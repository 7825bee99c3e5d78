#include "image/frame_sampler.hpp"

#include <algorithm>
#include <cmath>

#include "image/colour_stage.hpp"

namespace broadloom {

namespace {

/// Samples in the frame's own colours and converts; the float form for frames with a stage.
void sample_staged(const Kernels& kernels, const FrameSampler& frame, CellSampler sampler,
                   const CellCoords& coords, float* const out[3], std::ptrdiff_t stride) {
    const bool photometric = sampler.photometric;
    // Where the stage corrects the light, the kernel must not.
    sampler.photometric = photometric && !frame.stage->corrects_light();
    kernels.sample_cell_float(sampler, coords, out[0], out[1], out[2], stride);
    frame.stage->apply(sampler, coords, photometric, out[0], out[1], out[2], stride);
}

}  // namespace

void sample_frame(const Kernels& kernels, const FrameSampler& frame, int64_t origin_x,
                  int64_t origin_y, const CellCoords& coords, int16_t* const out[3],
                  std::ptrdiff_t stride) {
    const CellSampler sampler = frame.cell(origin_x, origin_y);
    if (frame.stage == nullptr) {
        kernels.sample_cell(sampler, coords, out[0], out[1], out[2], stride);
        return;
    }
    alignas(64) float buffer[3][kCellArea];
    float* sampled[3] = {buffer[0], buffer[1], buffer[2]};
    sample_staged(kernels, frame, sampler, coords, sampled, kCell);
    const auto low = static_cast<float>(sampler.keep_range ? -kWorkLimit : 0);
    const auto high = static_cast<float>(sampler.keep_range ? kWorkLimit : kWorkWhite);
    constexpr auto kScale = static_cast<float>(1 << kWorkShift);
    for (size_t c = 0; c < 3; ++c) {
        for (int j = 0; j < kCell; ++j) {
            for (int i = 0; i < kCell; ++i) {
                const float scaled =
                    std::min(std::max(buffer[c][j * kCell + i] * kScale, low), high);
                out[c][j * stride + i] = static_cast<int16_t>(std::lrintf(scaled));
            }
        }
    }
}

void sample_frame(const Kernels& kernels, const FrameSampler& frame, int64_t origin_x,
                  int64_t origin_y, const CellCoords& coords, float* const out[3],
                  std::ptrdiff_t stride) {
    const CellSampler sampler = frame.cell(origin_x, origin_y);
    if (frame.stage == nullptr) {
        kernels.sample_cell_float(sampler, coords, out[0], out[1], out[2], stride);
    } else {
        sample_staged(kernels, frame, sampler, coords, out, stride);
    }
}

}  // namespace broadloom
