/// Renders one block of the canvas, hard cut or blended: to 8-bit pixels on 16-bit working values,
/// or to 16-bit pixels on floats.
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
    bool dither = true;  ///< 8-bit pixels are dithered, not rounded to nearest
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
        : canvas_(canvas), options_(options), kernels_(kernels), work_(kernels), deep_(kernels) {}

    /// Renders `rect` (inside the canvas) into `rgbx`, the background where no frame covers. `maps`
    /// and `labels` cover block_surroundings(rect); `samplers` hold decoded pixels, as maps.frames,
    /// for every weight owner there (others may be null). Sub-blocks whose surroundings have one
    /// owner skip the blend.
    void render(const Rect& rect, const RegionMaps& maps, const LabelRegion& labels,
                std::span<const FrameSampler* const> samplers, uint8_t* rgbx,
                std::ptrdiff_t stride);

    /// The same to 16-bit R, G, B, alpha: 65535 is white; alpha is 65535 where a frame covers the
    /// pixel, elsewhere all four are zero. `stride` in samples.
    void render_deep(const Rect& rect, const RegionMaps& maps, const LabelRegion& labels,
                     std::span<const FrameSampler* const> samplers, uint16_t* rgba,
                     std::ptrdiff_t stride);

    [[nodiscard]] const BlockTimes& times() const { return times_; }
    /// Upper bound of what one renderer holds, for any block; `deep`: that only render_deep() is
    /// called, otherwise only render().
    static size_t bytes_bound(const BlockOptions& options, bool deep = false);

  private:
    struct Job;
    /// The buffers for one type of working values.
    template <typename T>
    struct Planes {
        explicit Planes(const Kernels& kernels) : rows(kernels.rows<T>()), correction(kernels) {}
        const BlendRows<T>& rows;
        MultibandCorrection<T> correction;
        std::array<WorkPlane<T>, 3> composite, difference;
        WorkPlane<T> weight;
    };

    template <typename T>
    void render_cores(const Job& job, Planes<T>& planes);
    template <typename T>
    void render_core(const Job& job, Planes<T>& planes, const Rect& core);
    [[nodiscard]] Rect near_seams(const Job& job, const Rect& core, const Rect& around) const;
    template <typename T>
    void need_composite(const Job& job, Planes<T>& planes, int64_t cx, int64_t cy);
    template <typename T>
    void composite_cell(const Job& job, Planes<T>& planes, int64_t cx, int64_t cy);
    template <typename T>
    bool difference(const Job& job, Planes<T>& planes, int k, const Rect& rect);
    template <typename T>
    void sample(const Job& job, int k, int64_t cx, int64_t cy, T* const out[3],
                std::ptrdiff_t stride, bool* inside);
    template <typename T>
    void replicate_edges(WorkPlane<T>& plane, const Rect& wanted) const;
    void pack(const Job& job, Planes<int16_t>& planes, const Rect& core) const;
    void pack(const Job& job, Planes<float>& planes, const Rect& core) const;

    const Canvas& canvas_;
    BlockOptions options_;
    const Kernels& kernels_;
    Planes<int16_t> work_;
    Planes<float> deep_;
    std::vector<uint8_t> composited_;  // cells of the composite that are there
    CellCoords coords_;
    BlockTimes times_;
};

}  // namespace broadloom
