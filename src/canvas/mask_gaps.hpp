/// Where masks leave the canvas bare: pixels that frames would cover if nothing were left out.
#pragma once

#include <cstdint>
#include <vector>

#include "broadloom/canvas.hpp"
#include "broadloom/rect.hpp"
#include "canvas/frame_geometry.hpp"
#include "image/kernels.hpp"

namespace broadloom {

/// One connected place.
struct MaskGap {
    int64_t pixels = 0;
    Vec2 centre;              ///< canvas pixels
    std::vector<int> frames;  ///< whose masks do it, rising
};

struct MaskGaps {
    int64_t pixels = 0;
    int64_t step = 1;  ///< every step-th pixel was looked at, each way; sizes are estimates above 1
    std::vector<MaskGap> gaps;  ///< the largest first
};

/// Looks at the pixels of `area` (in [0, width) or, on a canvas that wraps, over its right edge):
/// at all of them up to 268 megapixels of canvas, at a lattice of them beyond that, so that the
/// time is bounded.
MaskGaps find_mask_gaps(const Canvas& canvas, const std::vector<FrameGeometry>& frames,
                        const Rect& area, const Kernels& kernels, int threads);

}  // namespace broadloom
