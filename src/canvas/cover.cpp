#include "canvas/cover.hpp"

#include <algorithm>
#include <bit>
#include <utility>

namespace broadloom {

uint16_t CoverRegion::row(int64_t cx, int64_t cy, int64_t row) const {
    const Cell& cell = cells_[index(cx, cy)];
    switch (cell.coverage) {
        case Coverage::none:
            return 0;
        case Coverage::full:
            return 0xFFFF;
        default:
            return rows_[cell.rows][static_cast<size_t>(row)];
    }
}

/// Frames that can touch the rectangle, the one that most likely covers all of it first.
std::vector<int> Cover::nearest_first(const Rect& pixels) const {
    const Vec3 middle = canvas_.direction(static_cast<double>(pixels.x0 + pixels.x1) / 2,
                                          static_cast<double>(pixels.y0 + pixels.y1) / 2);
    std::vector<std::pair<double, int>> by_angle;
    for (const int k : index_.touching(pixels)) {
        by_angle.emplace_back(angle_between(middle, frames_[static_cast<size_t>(k)].axis()), k);
    }
    std::sort(by_angle.begin(), by_angle.end());
    std::vector<int> out;
    out.reserve(by_angle.size());
    for (const auto& [angle, k] : by_angle) out.push_back(k);
    return out;
}

CoverRegion Cover::over(const CellRegion& region) const {
    CoverRegion out(region);
    const LatticeDirections directions(canvas_, region);
    std::vector<CellMap> maps;
    size_t open = out.cells_.size();
    for (const int k : nearest_first(region.pixels())) {
        if (open == 0) break;
        maps.emplace_back(directions, frames_[static_cast<size_t>(k)]);
        for (int64_t cy = 0; cy < region.height(); ++cy) {
            for (int64_t cx = 0; cx < region.width(); ++cx) {
                Coverage& cell = out.cells_[out.index(cx, cy)].coverage;
                if (cell == Coverage::full) continue;
                const Coverage more = maps.back().coverage(cx, cy);
                if (more == Coverage::none) continue;
                cell = more;
                if (more == Coverage::full) --open;
            }
        }
    }
    union_of_parts(maps, out);
    cut_to_canvas(out);
    return out;
}

/// Cells that no frame covers whole: pixel by pixel.
void Cover::union_of_parts(const std::vector<CellMap>& maps, CoverRegion& out) const {
    for (int64_t cy = 0; cy < out.region_.height(); ++cy) {
        for (int64_t cx = 0; cx < out.region_.width(); ++cx) {
            CoverRegion::Cell& cell = out.cells_[out.index(cx, cy)];
            if (cell.coverage != Coverage::part) continue;
            CoverRegion::Rows rows{};
            int count = 0;
            for (const CellMap& map : maps) {
                if (map.coverage(cx, cy) == Coverage::none) continue;
                CellCoords coords;
                int64_t origin_x = 0;
                int64_t origin_y = 0;
                map.coordinates(cx, cy, kernels_, coords, origin_x, origin_y);
                bool inside[kCellArea];
                map.covered(coords, origin_x, origin_y, inside);
                count = 0;
                for (size_t j = 0; j < kCell; ++j) {
                    unsigned bits = rows[j];
                    for (size_t i = 0; i < kCell; ++i) {
                        bits |= static_cast<unsigned>(inside[j * kCell + i]) << i;
                    }
                    rows[j] = static_cast<uint16_t>(bits);
                    count += std::popcount(bits);
                }
                if (count == kCellArea) break;
            }
            cell.coverage = count == 0           ? Coverage::none
                            : count == kCellArea ? Coverage::full
                                                 : Coverage::part;
            if (cell.coverage == Coverage::part) {
                cell.rows = static_cast<uint32_t>(out.rows_.size());
                out.rows_.push_back(rows);
            }
        }
    }
}

/// Cells over the canvas's edge lose what lies beyond it.
void Cover::cut_to_canvas(CoverRegion& out) const {
    for (int64_t cy = 0; cy < out.region_.height(); ++cy) {
        const int64_t y = (out.region_.y0 + cy) * kCell;
        for (int64_t cx = 0; cx < out.region_.width(); ++cx) {
            const int64_t x = (out.region_.x0 + cx) * kCell;
            const bool whole = y >= 0 && y + kCell <= canvas_.height &&
                               (canvas_.wraps || (x >= 0 && x + kCell <= canvas_.width));
            CoverRegion::Cell& cell = out.cells_[out.index(cx, cy)];
            if (whole || cell.coverage == Coverage::none) continue;
            CoverRegion::Rows rows{};
            bool any = false;
            for (int64_t j = 0; j < kCell; ++j) {
                if (y + j < 0 || y + j >= canvas_.height) continue;
                const unsigned before = out.row(cx, cy, j);
                unsigned bits = 0;
                for (int64_t i = 0; i < kCell; ++i) {
                    if (canvas_.wraps || (x + i >= 0 && x + i < canvas_.width)) {
                        bits |= before & 1U << i;
                    }
                }
                rows[static_cast<size_t>(j)] = static_cast<uint16_t>(bits);
                any = any || bits != 0;
            }
            cell.coverage = any ? Coverage::part : Coverage::none;
            cell.rows = static_cast<uint32_t>(out.rows_.size());
            out.rows_.push_back(rows);
        }
    }
}

}  // namespace broadloom
