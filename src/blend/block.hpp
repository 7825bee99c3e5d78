/// Renders one block of the canvas to 8-bit pixels: hard cut or blended.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "blend/multiband.hpp"
#include "blend/seam_labels.hpp"
#include "image/frame_sampler.hpp"

namespace broadloom {

struct BlockOptions {
    int bands = 5;       ///< 0: hard cut
    int64_t core = 512;  ///< side of the blocks that are blended at once, a multiple of kCell
    std::array<uint8_t, 3> background{46, 46, 46};
};

/// The canvas pixels whose frames decide about `rect`: the rect itself for a hard cut, grown by the
/// blend's halo otherwise; cut to the canvas (on one that wraps in y only).
Rect block_surroundings(const Canvas& canvas, const Rect& rect, int bands);

/// Times of a block's parts, seconds.
struct BlockTimes {
    double warp = 0, blend = 0;
};

/// One worker's renderer with its buffers; not shared between threads.
class BlockRenderer {
  public:
    BlockRenderer(const Canvas& canvas, const BlockOptions& options, const Kernels& kernels)
        : canvas_(canvas), options_(options), kernels_(kernels), correction_(kernels) {}

    /// Renders `rect` (inside the canvas) into `rgbx`. `maps` and `labels` cover
    /// block_surroundings(rect); `samplers` hold decoded pixels, as maps.frames, for every weight
    /// owner there (others may be null). Sub-blocks whose surroundings have one owner skip the
    /// blend.
    void render(const Rect& rect, const RegionMaps& maps, const LabelRegion& labels,
                std::span<const FrameSampler* const> samplers, uint8_t* rgbx,
                std::ptrdiff_t stride);

    [[nodiscard]] const BlockTimes& times() const { return times_; }
    /// Upper bound of what one renderer holds, for any block.
    static size_t bytes_bound(const BlockOptions& options);

  private:
    struct Job;
    void render_core(const Job& job, const Rect& core);
    [[nodiscard]] Rect near_seams(const Job& job, const Rect& core, const Rect& around) const;
    void need_composite(const Job& job, int64_t cx, int64_t cy);
    void composite_cell(const Job& job, int64_t cx, int64_t cy);
    bool difference(const Job& job, int k, const Rect& rect);
    void sample(const Job& job, int k, int64_t cx, int64_t cy, int16_t* const out[3],
                std::ptrdiff_t stride, bool* inside);
    void replicate_edges(WorkPlane& plane, const Rect& wanted) const;

    const Canvas& canvas_;
    BlockOptions options_;
    const Kernels& kernels_;
    MultibandCorrection correction_;
    std::array<WorkPlane, 3> composite_, difference_;
    WorkPlane weight_;
    std::vector<uint8_t> composited_;  // cells of composite_ that are there
    CellCoords coords_;
    BlockTimes times_;
};

}  // namespace broadloom
