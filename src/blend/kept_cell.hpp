/// Masks that keep a frame go before every rule of seams: the first frame that covers a pixel
/// inside one of its "keep" outlines owns it.
#pragma once

#include <array>
#include <cstdint>

#include "blend/seam_labels.hpp"

namespace broadloom {

/// What such masks decide about one cell.
struct KeptCell {
    enum class Kind {
        none,  ///< nothing: the rule decides about all pixels
        all,   ///< `owner` has all of them
        some,  ///< owners[i] has pixel i where it is 0 or more; the rule decides about the others
    };
    Kind kind = Kind::none;
    Label owner = kNobody;
    std::array<Label, kCellArea> owners;  ///< set for `some` only

    /// Puts the owners over what the rule found for this cell.
    void put_over(int64_t cx, int64_t cy, LabelRegion& labels) const;
};

/// (cx, cy) counted from the region's corner.
KeptCell kept_cell(const RegionMaps& maps, int64_t cx, int64_t cy, const Kernels& kernels);

/// Labels a cell in `out`: by masks that keep, and by `rule`, which labels all of it, where they
/// say nothing.
template <typename Rule>
void kept_first(const RegionMaps& maps, const Kernels& kernels, int64_t cx, int64_t cy,
                LabelRegion& out, const Rule& rule) {
    const KeptCell kept = kept_cell(maps, cx, cy, kernels);
    if (kept.kind != KeptCell::Kind::all) rule();
    if (kept.kind != KeptCell::Kind::none) kept.put_over(cx, cy, out);
}

}  // namespace broadloom
