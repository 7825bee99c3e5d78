#include "blend/kept_cell.hpp"

#include <algorithm>

namespace broadloom {

void KeptCell::put_over(int64_t cx, int64_t cy, LabelRegion& labels) const {
    if (kind == Kind::all) labels.set(cx, cy, owner);
    if (kind != Kind::some) return;
    const Label whole = labels.cell(cx, cy);
    std::array<Label, kCellArea> merged;
    if (whole == LabelRegion::kMixed) {
        merged = labels.pixels(cx, cy);
    } else {
        merged.fill(whole);
    }
    for (size_t i = 0; i < kCellArea; ++i) {
        if (owners[i] >= 0) merged[i] = owners[i];
    }
    labels.set(cx, cy, merged);
}

KeptCell kept_cell(const RegionMaps& maps, int64_t cx, int64_t cy, const Kernels& kernels) {
    KeptCell out;
    for (size_t k = 0; k < maps.frames().size(); ++k) {
        const FrameMasks* masks = maps.geometry(k).masks();
        if (masks == nullptr || !masks->any_kept()) continue;
        const CellMap& map = maps.map(k);
        const Coverage kept = map.kept(cx, cy);
        if (kept == Coverage::none) continue;
        const auto label = static_cast<Label>(k);
        if (out.kind == KeptCell::Kind::none) {
            if (kept == Coverage::full) return {KeptCell::Kind::all, label, {}};
            out.kind = KeptCell::Kind::some;
            out.owners.fill(kNobody);
        }
        bool mine[kCellArea];
        if (kept == Coverage::full) {
            std::fill(mine, mine + kCellArea, true);
        } else {
            CellCoords coords;
            int64_t origin_x = 0;
            int64_t origin_y = 0;
            map.coordinates(cx, cy, kernels, coords, origin_x, origin_y);
            map.kept(coords, origin_x, origin_y, mine);
        }
        for (size_t i = 0; i < kCellArea; ++i) {
            if (mine[i] && out.owners[i] < 0) out.owners[i] = label;
        }
    }
    return out;
}

}  // namespace broadloom
