/// Multiband blending (P. J. Burt, E. H. Adelson, "A multiresolution spline with application to
/// image mosaics", ACM TOG 2(4), 1983) of one block, exact to the bit against the same sums over
/// the whole canvas.
///
/// With owner masks m_i, weights w_i = reduced masks and pictures S_i, the blended picture is
/// collapse(sum_i w_i^l L^l(S_i)). With the hard-cut composite C = sum_i m_i S_i and weights that
/// sum to one this equals C + collapse(sum_i w_i^l L^l(S_i - C)), D_i = S_i - C being zero wherever
/// i owns the pixel or does not cover it. The second form is computed here: where nothing differs
/// nothing changes, frames cannot bleed in from outside their borders, and far from seams the
/// correction is exactly zero, so that blocks there skip the work.
///
/// Blending works on sRGB-encoded values: bands are then of even visibility from shadows to lights;
/// in linear light highlights next to a seam would ring into the shadows.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "broadloom/rect.hpp"
#include "image/kernels.hpp"
#include "image/work_planes.hpp"

namespace broadloom {

inline constexpr int kMaxBands = 8;

/// The pixels of every level that a block's correction depends on. Level l's pixel x stands at
/// canvas pixel 2^l x, on a lattice fixed to the canvas.
struct BandRanges {
    int bands = 0;
    std::array<Rect, kMaxBands + 1> blend;  ///< where the blended band is needed
    std::array<Rect, kMaxBands + 1>
        gauss;  ///< where the Gaussian pyramid is needed; [0] is the halo
};

/// EXPAND at fine pixels [a, b) reads coarse pixels x - 1..x + 1 on even (2x) and x, x + 1 on odd
/// (2x + 1) pixels; REDUCE at x reads fine pixels 2x - 2..2x + 2. For a block aligned to 2^bands
/// this makes a halo below 3 * 2^bands, for any block below 4 * 2^bands.
BandRanges band_ranges(const Rect& block, int bands);

/// From this distance to a seam on, a pixel is exactly that of its frame.
constexpr int64_t seam_reach(int bands) { return int64_t{4} << bands; }

/// Accumulates the correction of one block, T: int16_t or float.
template <typename T>
class MultibandCorrection {
  public:
    explicit MultibandCorrection(const Kernels& kernels) : rows_(kernels.rows<T>()) {}

    /// Starts a block with a zero correction.
    void begin(const BandRanges& ranges);

    /// Adds one frame: its differences (three planes) and its weight (kWeightOneOf<T> or 0), each
    /// covering ranges.gauss[0].
    void add(const std::array<WorkPlane<T>, 3>& difference, const WorkPlane<T>& weight);

    /// Collapses the bands. The planes cover ranges.blend[0] until the next begin().
    const std::array<WorkPlane<T>, 3>& finish();

  private:
    void reduce(const WorkPlane<T>& from, WorkPlane<T>& to);
    void expand_onto_row(const WorkPlane<T>& coarse, const Rect& fine, int64_t y);

    const BlendRows<T>& rows_;
    BandRanges ranges_;
    std::array<std::array<WorkPlane<T>, 3>, kMaxBands + 1> sum_;
    std::array<WorkPlane<T>, kMaxBands + 1> gauss_;   // [0] unused
    std::array<WorkPlane<T>, kMaxBands + 1> weight_;  // [0] unused
    std::vector<typename BlendRows<T>::Scratch> scratch_;
    std::vector<T> expanded_;
};

extern template class MultibandCorrection<int16_t>;
extern template class MultibandCorrection<float>;

}  // namespace broadloom
